"""A plan from a few words; what is not said is filled in with what is folded most (common practice, no source).

The words are those of `foldtrue plan new`; each belongs to some sheets, grids or layouts only, and a word that does not
belong to what was chosen is refused rather than ignored.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

from foldtrue.errors import PlanError, UsageError
from foldtrue.plan.border import corner_pleats, finish_border, largest_rings
from foldtrue.plan.file import Plan, parse_plan
from foldtrue.plan.parts import HexagonSheet, Place

SheetWord = Literal["hexagon", "square", "rectangle", "polygon"]
GridWord = Literal["point-to-point", "edge-to-edge", "rotated", "pitch"]
LayoutWord = Literal["triangle", "mixed", "rhombi", "clusters"]
BorderWord = Literal["trimmed", "full", "rings", "open"]

DEFAULT_DIVISIONS = {"triangle": 16, "mixed": 32, "rhombi": 32, "clusters": 32}
DEFAULT_SPACING = {"triangle": 2, "mixed": 5, "rhombi": 4, "clusters": 2}
"""In pitches, for pleats one row wide; wider pleats take as many times more."""
_LEAST_EVERY = 3
"""Clusters stand at least so many spacings apart: at three they make the same pattern as `triangle`."""

_WordsOf = dict[str, tuple[str, ...]]
_SHEET_WORDS: _WordsOf = {"hexagon": ("height", "side"), "square": ("side",), "rectangle": ("width", "height")}
_SHEET_WORDS |= {"polygon": ("corners",)}
_GRID_WORDS: _WordsOf = {"point-to-point": ("divisions",), "edge-to-edge": ("divisions",), "rotated": ("slope",)}
_GRID_WORDS |= {"pitch": ("pitch",)}
_RECIPE_WORDS = ("spacing", "rings", "border", "first_hand", "width_rows", "leave_out")
_LAYOUT_WORDS: _WordsOf = {"triangle": _RECIPE_WORDS, "mixed": _RECIPE_WORDS, "rhombi": _RECIPE_WORDS}
_LAYOUT_WORDS |= {"clusters": ("every", *_RECIPE_WORDS), "listed": ("twist",)}
_LAYOUT_WORDS |= {"repeated": ("twist", "step", "rings", "border", "leave_out")}
_AROUND = ((1, 0), (0, 1), (-1, 1), (-1, 0), (0, -1), (1, -1))


@dataclass(frozen=True, kw_only=True)
class PlanWords:
    """What the folder said; None or empty: nothing. Lengths in mm; spacing, every, step and places in pitches.

    twist: listed twists as in the plan file, with `step` (two of them) the motif that is repeated. every: distance of
    clusters. leave_out: grid places. pleats: free pleats as in the plan file. corner_pleats: so many across each
    corner of the sheet. border: `trimmed` leaves out twists at the rim whose pleats clash, `full` takes all that lie on
    the sheet, `rings` complete rings only, `open` leaves the last ring out.
    """

    sheet: SheetWord = "hexagon"
    height: float | None = None
    side: float | None = None
    width: float | None = None
    corners: tuple[Place, ...] = ()
    grid: GridWord | None = None
    divisions: int | None = None
    slope: tuple[int, int] | None = None
    pitch: float | None = None
    start: Literal["centre", "corner"] | None = None
    twists: LayoutWord | None = None
    spacing: float | None = None
    every: float | None = None
    rings: int | None = None
    first_hand: Literal["ccw", "cw"] | None = None
    width_rows: float | None = None
    twist: tuple[Mapping[str, Any], ...] = ()
    step: tuple[Place, ...] = ()
    border: BorderWord | None = None
    leave_out: tuple[Place, ...] = ()
    pleats: tuple[Mapping[str, Any], ...] = ()
    corner_pleats: int = 0
    name: str | None = None

    @property
    def layout(self) -> str:
        """Which twists: the word said, or what the other words mean."""
        said = "repeated" if self.step else "listed" if self.twist else "triangle"
        return self.twists or said

    @property
    def grid_kind(self) -> str:
        """The grid said, or the most usual one of the sheet."""
        usual = {"hexagon": "point-to-point", "polygon": "pitch"}
        said = "rotated" if self.slope else "pitch" if self.pitch is not None else usual.get(self.sheet, "edge-to-edge")
        return self.grid or said


@dataclass(frozen=True)
class NewPlan:
    """A plan made from a few words, and what was decided on the way, in sentences."""

    plan: Plan
    notes: tuple[str, ...]


def make_plan(words: PlanWords) -> NewPlan:
    """The plan that a few words stand for; whether it folds is settled by fold_plan.

    Raises UsageError when words do not go together or one is missing, PlanError when a value is out of range or no
    twist fits on the sheet.
    """
    _check_words(words)
    recipe = _twists(words)
    content = {
        "format": "foldtrue-plan",
        "version": 1,
        "name": "plan",
        "sheet": _sheet(words),
        "grid": _grid(words),
        "twists": recipe,
    }
    content |= {"pleats": list(words.pleats)} if words.pleats else {}
    notes: list[str] = []
    if isinstance(recipe, dict):
        content["twists"], notes = _with_border(words, content)
    if words.corner_pleats:
        made = corner_pleats(parse_plan(content), words.corner_pleats)
        content["pleats"] = [*content.get("pleats", ()), *made]
    content["name"] = words.name or _name(words, content)
    return NewPlan(parse_plan(content), tuple(notes))


def _check_words(words: PlanWords) -> None:
    if words.twists and (words.twist or words.step):
        raise UsageError(f"--twists {words.twists} says all twists; --twist and --step do not go with it.")
    if words.step and len(words.step) != 2:
        raise UsageError("A repeated motif takes --step twice.", "The copies stand along both.")
    if words.step and not words.twist:
        raise UsageError("--step repeats the twists listed with --twist; none is listed.")
    layout = "these twists" if words.layout in ("listed", "repeated") else f"{words.layout} twists"
    for words_of, chosen, what in (
        (_SHEET_WORDS, words.sheet, f"a {words.sheet} sheet"),
        (_GRID_WORDS, words.grid_kind, f"the {words.grid_kind} grid"),
        (_LAYOUT_WORDS, words.layout, layout),
    ):
        takes = words_of[chosen]
        others = {word for group in words_of.values() for word in group} - set(takes)
        wrong = [word for word in sorted(others) if getattr(words, word) not in (None, ())]
        if wrong:
            raise UsageError(f"{_option(wrong[0])} does not belong to {what}.", f"It takes {_options(takes)}.")
    if words.start == "corner" and words.rings is not None:
        raise UsageError("Rings lie around the grid's start, here a corner.", "Leave out --rings: the sheet is filled.")


def _option(word: str) -> str:
    return f"--{word.replace('_', '-')}"


def _options(words: tuple[str, ...]) -> str:
    *head, last = [_option(word) for word in words]
    return f"{', '.join(head)} and {last}" if head else last


def _sheet(words: PlanWords) -> dict[str, Any]:
    sizes = {f"{w}_mm": getattr(words, w) for w in _SHEET_WORDS[words.sheet] if getattr(words, w) not in (None, ())}
    missing = [w for w in _SHEET_WORDS[words.sheet] if f"{w}_mm" not in sizes]
    if words.sheet == "hexagon" and len(missing) != 1:
        raise UsageError("A hexagon is said by --height (flat to flat) or --side, one of the two.")
    if words.sheet != "hexagon" and missing:
        raise UsageError(f"A {words.sheet} sheet needs {_options(tuple(missing))}.")
    if "corners_mm" in sizes:
        sizes["corners_mm"] = [list(corner) for corner in sizes["corners_mm"]]
    return {"shape": words.sheet, **sizes}


def _grid(words: PlanWords) -> dict[str, Any]:
    kind = words.grid_kind
    grid: dict[str, Any] = {"kind": kind}
    if kind == "rotated":
        if words.slope is None:
            raise UsageError("A rotated grid needs --slope M,N: the sheet's side in pitches along 0 and 60 degrees.")
        grid["slope"] = list(words.slope)
    elif kind == "pitch":
        if words.pitch is None:
            raise UsageError("This grid needs --pitch: the side of its small triangle in mm.")
        grid["pitch_mm"] = words.pitch
    else:
        grid["divisions"] = DEFAULT_DIVISIONS.get(words.layout, 16) if words.divisions is None else words.divisions
    return grid | ({"start": "corner"} if words.start == "corner" else {})


def _twists(words: PlanWords) -> Any:
    """The recipe as the plan file has it, rings and what is left out not yet settled; or the list of twists."""
    layout = words.layout
    if layout == "listed":
        return [dict(twist) for twist in words.twist]
    if layout == "repeated":
        steps = [list(step) for step in words.step]
        motif = [dict(twist) for twist in words.twist]
        return {"recipe": "repeat", "motif": motif, "first_step": steps[0], "second_step": steps[1]}
    width = words.width_rows or 1
    spacing = _whole(DEFAULT_SPACING[layout] * width if words.spacing is None else words.spacing)
    hand = words.first_hand or "ccw"
    if layout == "clusters":
        every = _whole(_LEAST_EVERY * spacing + width if words.every is None else words.every)
        return _cells(words, spacing, [every, 0], [0, every])
    if layout == "triangle" and not _in_rings(words):
        return _cells(words, spacing, [spacing, spacing], [-spacing, 2 * spacing])
    recipe = "honeycomb" if layout == "triangle" else layout
    return {"recipe": recipe, "spacing": spacing, "first_hand": hand} | _unless_one_row(words)


def _whole(number: float) -> float:
    return int(number) if number == int(number) else number


def _in_rings(words: PlanWords) -> bool:
    """Whether triangle twists come in complete rings around the centre rather than filling the sheet."""
    centred = words.sheet == "hexagon" and words.start != "corner"
    return words.rings is not None or (centred and words.border in (None, "rings", "open"))


def _unless_one_row(words: PlanWords) -> dict[str, Any]:
    return {} if words.width_rows in (None, 1) else {"width_rows": words.width_rows}


def _cells(words: PlanWords, spacing: float, first_step: list[float], second_step: list[float]) -> dict[str, Any]:
    """Six triangle twists around a cell, their hands alternating, repeated along two steps."""
    hands = ("ccw", "cw") if words.first_hand in (None, "ccw") else ("cw", "ccw")
    motif = [
        {"grid": [spacing * i, spacing * j], "kind": "triangle", "turn": k % 2, "hand": hands[k % 2]}
        | _unless_one_row(words)
        for k, (i, j) in enumerate(_AROUND)
    ]
    return {"recipe": "repeat", "motif": motif, "first_step": first_step, "second_step": second_step}


def _with_border(words: PlanWords, content: Mapping[str, Any]) -> tuple[dict[str, Any], list[str]]:
    """The recipe with its rings and the places it leaves out."""
    recipe = dict(content["twists"])
    if words.leave_out:
        recipe["leave_out"] = [list(place) for place in words.leave_out]
    if words.rings is None and recipe["recipe"] != "honeycomb":
        return finish_border(dict(content) | {"twists": recipe}, words.border or "trimmed")
    rings = largest_rings(content) if words.rings is None else words.rings
    if words.border == "open":
        if rings == 1:
            raise PlanError("The last ring is the only one.", "Use more rings or leave out --border open.")
        return recipe | {"rings": rings - 1}, [f"Ring {rings} left out."]
    return recipe | {"rings": rings}, []


def _name(words: PlanWords, content: Mapping[str, Any]) -> str:
    sizes = [words.width, words.height, words.side]
    size = " x ".join(f"{value:g}" for value in sizes if value is not None)
    grid = content["grid"]
    said = {"rotated": words.slope and ",".join(map(str, words.slope)), "pitch": f"{words.pitch or 0:g} mm"}
    parts = [
        f"{words.sheet} {size} mm" if size else words.sheet,
        f"{grid['kind']} {said.get(grid['kind']) or grid['divisions']}",
    ]
    if words.layout == "listed":
        return ", ".join([*parts, f"{len(words.twist)} twists"])
    recipe = content["twists"]
    parts += [words.layout] if words.layout != "triangle" else []
    parts += [f"spacing {recipe['spacing']:g}"] if "spacing" in recipe else []
    return ", ".join([*parts, f"rings {recipe['rings']}" if "rings" in recipe else "filled"])


def choose(words: PlanWords, word: str, value: Any) -> PlanWords:
    """The words with another answer; what only belonged to an earlier, different choice is forgotten."""
    groups = {"sheet": _SHEET_WORDS, "grid": _GRID_WORDS, "twists": _LAYOUT_WORDS}
    before = {"sheet": words.sheet, "grid": words.grid_kind, "twists": words.layout}
    stale: set[str] = set()
    if word in groups and value != before[word]:
        stale = {w for group in groups[word].values() for w in group}
        stale |= {"grid", *(w for group in _GRID_WORDS.values() for w in group)} if word == "sheet" else set()
    blank = PlanWords()
    return replace(words, **{**{w: getattr(blank, w) for w in stale}, word: value})


def with_sheet_size(words: PlanWords, size_mm: float) -> PlanWords:
    """The same words for a hexagon of another height or a square of another side."""
    if words.sheet == "hexagon":
        return replace(words, height=size_mm, side=None)
    return replace(words, side=size_mm)


def sheet_size(words: PlanWords) -> float | None:
    """Height of a hexagon or side of a square in mm, where it is said."""
    if words.sheet == "hexagon" and words.side is not None:
        return HexagonSheet(shape="hexagon", side_mm=words.side).height
    return words.height if words.sheet == "hexagon" else words.side

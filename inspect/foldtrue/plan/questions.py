"""The questions that lead to a plan, for the terminal and for pages: what each settles, asks, explains and offers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from foldtrue.errors import FoldtrueError, UsageError
from foldtrue.plan.new import DEFAULT_DIVISIONS, DEFAULT_SPACING, PlanWords, choose, make_plan
from foldtrue.plan.parts import HoneycombRecipe
from foldtrue.plan.said import number, read_corners, read_place, read_pleat, read_slope, read_twist


@dataclass(frozen=True)
class Question:
    """One step: the word of PlanWords it settles, what it asks and explains, and the answer it offers.

    choices: the only answers, where there are so few. read: text -> value, ValueError or UsageError when it is none.
    when: whether it is asked at all. needed: a plan cannot be made before it is answered.
    """

    word: str
    asks: str
    explains: str
    offers: Callable[[PlanWords], str]
    read: Callable[[str], Any] = str
    choices: Callable[[PlanWords], Sequence[str]] = lambda words: ()
    when: Callable[[PlanWords], bool] = lambda words: True
    needed: bool = False


def _grids(words: PlanWords) -> Sequence[str]:
    if words.sheet == "hexagon":
        return "point-to-point", "edge-to-edge", "rotated"
    return ("pitch", "rotated") if words.sheet == "polygon" else ("edge-to-edge", "rotated", "pitch")


def _is_recipe(words: PlanWords) -> bool:
    return words.layout not in ("listed", "repeated")


def _always(text: str) -> Callable[[PlanWords], str]:
    return lambda words: text


def _rings_offered(words: PlanWords) -> str:
    """As many as fit, where the layout comes in rings; else the sheet is filled."""
    try:
        recipe = make_plan(filled_in(words)).plan.twists
    except FoldtrueError:
        return "fill"
    return str(recipe.rings) if isinstance(recipe, HoneycombRecipe) else "fill"


def _name_offered(words: PlanWords) -> str:
    try:
        return make_plan(filled_in(words)).plan.name
    except FoldtrueError:  # said already, and once more at the end
        return "plan"


def _spacing_offered(words: PlanWords) -> str:
    return f"{DEFAULT_SPACING[words.layout] * (words.width_rows or 1):g}"


def _every_offered(words: PlanWords) -> str:
    return f"{3 * (words.spacing or 2) + (words.width_rows or 1):g}"


def _divisions_offered(words: PlanWords) -> str:
    return str(DEFAULT_DIVISIONS[words.layout] if _is_recipe(words) else 16)


def _borders(words: PlanWords) -> Sequence[str]:
    return ("keep", "open") if words.rings is not None else ("trimmed", "full", "rings", "open")


QUESTIONS = (
    Question(
        "sheet",
        "Sheet",
        "The shape of the paper.",
        _always("hexagon"),
        choices=lambda w: ("hexagon", "square", "rectangle", "polygon"),
    ),
    Question(
        "height",
        "Height, mm",
        "From side to side of the hexagon (flat to flat).",
        _always("240"),
        number,
        when=lambda w: w.sheet == "hexagon" and w.side is None,
        needed=True,
    ),
    Question(
        "side",
        "Side, mm",
        "Length of the square's side.",
        _always("200"),
        number,
        when=lambda w: w.sheet == "square",
        needed=True,
    ),
    Question(
        "width",
        "Width, mm",
        "The rectangle's side along x; a rotated grid runs along it.",
        _always("297"),
        number,
        when=lambda w: w.sheet == "rectangle",
        needed=True,
    ),
    Question(
        "height",
        "Height, mm",
        "The rectangle's other side, which edge-to-edge divisions divide.",
        _always("210"),
        number,
        when=lambda w: w.sheet == "rectangle",
        needed=True,
    ),
    Question(
        "corners",
        "Corners, mm",
        "x,y of each corner in order, a space between corners, the sheet's centre at 0,0; convex.",
        _always("-90,-80 110,-80 70,90 -60,75"),
        read_corners,
        when=lambda w: w.sheet == "polygon",
        needed=True,
    ),
    Question(
        "twists",
        "Twists",
        "triangle: six triangle twists around every cell. mixed: hexagon twists, triangles around each. rhombi: rows of"
        " rhombus twists. clusters: rings of six triangle twists standing apart.",
        _always("triangle"),
        choices=lambda w: ("triangle", "mixed", "rhombi", "clusters"),
        when=_is_recipe,
    ),
    Question(
        "grid",
        "Grid",
        "point-to-point or edge-to-edge: so many divisions of the sheet. rotated: turned against the sheet's side."
        " pitch: triangles of a given side.",
        lambda w: w.grid_kind,
        choices=_grids,
    ),
    Question(
        "divisions",
        "Divisions",
        "Folders use 8, 12, 16, 24, 32, 36, 48 or 64. An odd number needs a grid that starts in a corner.",
        _divisions_offered,
        int,
        when=lambda w: w.grid_kind in ("point-to-point", "edge-to-edge"),
    ),
    Question(
        "slope",
        "Slope M,N",
        "The sheet's first side runs M pitches along one grid direction and N along the next, 60 degrees further.",
        lambda w: "10,2" if w.sheet == "hexagon" else "20,4",
        read_slope,
        when=lambda w: w.grid_kind == "rotated",
        needed=True,
    ),
    Question(
        "pitch",
        "Pitch, mm",
        "Side of the grid's small triangle.",
        _always("8"),
        number,
        when=lambda w: w.grid_kind == "pitch",
        needed=True,
    ),
    Question(
        "start",
        "Grid starts in",
        "centre: three grid lines meet in the sheet's centre. corner: in its first corner; the twists then fill it.",
        lambda w: "corner" if (w.divisions or 0) % 2 else "centre",
        choices=lambda w: ("centre", "corner"),
    ),
    Question(
        "width_rows",
        "Width of the pleats, rows",
        "In rows of the grid; wider pleats make larger twists.",
        _always("1"),
        number,
        when=_is_recipe,
    ),
    Question(
        "spacing",
        "Spacing, pitches",
        "From one twist to the next. Close twists make a dense, thick piece.",
        _spacing_offered,
        number,
        when=_is_recipe,
    ),
    Question(
        "every",
        "Distance of the clusters, pitches",
        "From the middle of one ring of six to the next.",
        _every_offered,
        number,
        when=lambda w: w.layout == "clusters",
    ),
    Question(
        "rings",
        "Rings",
        "Complete rings around the centre, or 'fill' for all twists that the sheet holds.",
        _rings_offered,
        lambda text: None if text == "fill" else int(text),
        when=lambda w: w.layout != "listed" and w.start != "corner",
    ),
    Question(
        "border",
        "Border",
        "open: the last ring is left out. trimmed: twists at the rim whose pleats clash are left out. full: none is."
        " rings: complete rings only.",
        lambda w: _borders(w)[0],
        lambda text: None if text == "keep" else text,
        choices=_borders,
        when=lambda w: w.layout != "listed",
    ),
    Question(
        "first_hand",
        "Hand of the first twist",
        "ccw: its pleats are laid over counter-clockwise, seen from the front. cw: clockwise.",
        _always("ccw"),
        choices=lambda w: ("ccw", "cw"),
        when=_is_recipe,
    ),
    Question(
        "corner_pleats",
        "Pleats across each corner",
        "Extra pleats without a twist, valley lines towards the corner; 0 for none.",
        _always("0"),
        int,
    ),
    Question("name", "Name", "Shown in reports and drawings.", _name_offered),
)


def _lines(read: Callable[[str], Any]) -> Callable[[str], tuple[Any, ...]]:
    return lambda text: tuple(read(line.strip()) for line in text.splitlines() if line.strip())


def _places(text: str) -> tuple[Any, ...]:
    return tuple(read_place(place) for place in text.split())


MORE = (
    Question(
        "twist",
        "Twists of your own",
        "One a line: kind,i,j,hand, and if need be turn and width; such as triangle,3,0,cw,1. They stand instead of"
        " the twists chosen above.",
        _always(""),
        _lines(read_twist),
    ),
    Question(
        "step",
        "Repeat them along",
        "Two steps i,j with a space between, such as 6,0 0,6: the twists of your own are then a motif, repeated.",
        _always(""),
        _places,
    ),
    Question(
        "leave_out",
        "Places to leave out",
        "Grid places i,j without their twist, a space between.",
        _always(""),
        _places,
    ),
    Question(
        "pleats",
        "Pleats without a twist",
        "One a line: i,j,turn,hand, and if need be the width; such as 5,14,2,ccw,1.",
        _always(""),
        _lines(read_pleat),
    ),
)
"""What a page asks besides, where the terminal has options: whoever answers it knows it before the rest is asked."""
_WHOLE = ("divisions", "rings", "corner_pleats")


def answered(words: PlanWords, question: Question, text: str) -> PlanWords:
    """The words with the answer. Raises UsageError when it is none."""
    choices = question.choices(words)
    if choices and text not in choices:
        raise UsageError(f"'{text}' is none of {', '.join(choices)}.")
    try:
        value = question.read(text)
    except ValueError:
        raise UsageError(f"'{text}' is not a {'whole number' if question.word in _WHOLE else 'number'}.") from None
    return choose(words, question.word, value)


def filled_in(words: PlanWords) -> PlanWords:
    """The words with the offered answers where a plan cannot be made without one."""
    for question in QUESTIONS:
        if question.needed and question.when(words) and getattr(words, question.word) in (None, ()):
            words = replace(words, **{question.word: question.read(question.offers(words))})
    odd = bool((words.divisions or 0) % 2)
    return replace(words, start="corner") if odd and words.start is None else words

"""A wanted finished size: the sheet that gives it, and the practical choices that come nearest.

A plan on a divided sheet keeps its proportions whatever the sheet's size, so the finished height is a fixed share of
the sheet's; folding the plan once at any size gives that share.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from foldtrue.errors import PlanError, UsageError
from foldtrue.plan.new import DEFAULT_SPACING, PlanWords, make_plan, sheet_size, with_sheet_size
from foldtrue.plan.parts import DividedGrid, HoneycombRecipe
from foldtrue.plan.summary import check_plan, finished_height_mm

PRACTICAL_DIVISIONS = (8, 12, 16, 24, 32, 36, 48, 64)
"""Halves and thirds of the sheet, halved again (common practice, no source)."""
PRACTICAL_PITCH_MM = (4.0, 30.0)
"""Narrower pleats are hard to turn by hand, wider ones do not stay flat (common practice, no source)."""
_PRACTICAL_SHEET_MM = 5.0
"""Sheets are cut to whole steps of this."""
_MOST_SHEET_MM = 5000.0
_TRIAL_MM = 100.0
_MOST_OF_EACH = 2
_SPACINGS = {"triangle": (2.0, 3.0, 4.0), "mixed": (3.0, 5.0, 6.0), "rhombi": (3.0, 4.0, 5.0), "clusters": (2.0, 3.0)}


@dataclass(frozen=True)
class Choice:
    """One practical way to about the wanted size. sheet_mm: height of a hexagon, side of a square; rings: of twists.

    off_mm: finished height minus the wanted one. Layers as in plan.summary.PlanSummary.
    """

    divisions: int
    spacing: float
    rings: int
    twists: int
    sheet_mm: float
    pitch_mm: float
    finished_mm: float
    off_mm: float
    mean_layers: float
    most_layers: int


def sheet_for(words: PlanWords, finished_mm: float) -> PlanWords:
    """The words with the sheet that gives a finished height, to 0.1 mm.

    Raises UsageError where the sheet's size is not the one thing left open, PlanError when the plan cannot be folded.
    """
    _check_scalable(words)
    if sheet_size(words) is not None:
        raise UsageError("--finished-size asks for the sheet; its size is given already.", "Leave out one of the two.")
    size = finished_mm / finished_height_mm(make_plan(with_sheet_size(words, _TRIAL_MM)).plan) * _TRIAL_MM
    return with_sheet_size(words, round(_checked_sheet(size), 1))


def nearest_choices(words: PlanWords, finished_mm: float, most: int = 16) -> list[Choice]:
    """Practical choices for a finished height, in the order of their divisions.

    What the words leave open is varied: the sheet (whole 5 mm), the number of divisions, the spacing; with a sheet of
    given size also the rings. Of each number of divisions the two that come nearest are kept, `most` in all.
    Raises UsageError where the grid does not divide the sheet, PlanError when no practical choice comes near.
    """
    _check_scalable(words)
    tried = sorted(
        (choice for trial in _trials(words) if (choice := _trial(words, trial, finished_mm)) is not None),
        key=lambda found: (round(abs(found[0]), 6), found[1].divisions or 0, found[1].spacing or 0),
    )
    kept: list[Choice] = []
    for _, settled in tried:
        if len(kept) == most:
            break
        if sum(choice.divisions == settled.divisions for choice in kept) == _MOST_OF_EACH:
            continue
        try:
            kept.append(_choice(settled, finished_mm))
        except PlanError:
            continue
    if not kept:
        raise PlanError(
            f"No practical choice gives a piece {finished_mm:g} mm high.", "Give divisions, spacing and rings yourself."
        )
    return sorted(kept, key=lambda c: (c.divisions, c.spacing, c.rings))


def _check_scalable(words: PlanWords) -> None:
    if words.sheet not in ("hexagon", "square"):
        raise UsageError(f"--finished-size works for a hexagon or a square, not for a {words.sheet}.")
    if words.grid_kind not in ("point-to-point", "edge-to-edge"):
        raise UsageError(
            f"--finished-size needs a grid that divides the sheet, not a {words.grid_kind} grid.",
            "Use --grid point-to-point or edge-to-edge.",
        )
    if words.layout in ("listed", "repeated"):
        raise UsageError("--finished-size does not go with --twist.", "Name the twists with --twists.")


def _trials(words: PlanWords) -> Iterator[PlanWords]:
    """Every combination to look at; the sheet's size settled later where it is open.

    Layouts that fill the sheet are taken where they end at the rim without a clash, unless a border is asked for.
    """
    width = words.width_rows or 1.0
    spacings = [words.spacing] if words.spacing is not None else [width * s for s in _SPACINGS[words.layout]]
    border = words.border or (None if words.layout == "triangle" else "full")
    for divisions in PRACTICAL_DIVISIONS if words.divisions is None else (words.divisions,):
        for spacing in spacings:
            trial = replace(words, divisions=divisions, spacing=spacing, border=border)
            yield from _with_rings(trial) if sheet_size(words) is not None and words.rings is None else [trial]


def _with_rings(trial: PlanWords) -> Iterator[PlanWords]:
    """A honeycomb with every number of rings that fits; other layouts fill the sheet."""
    try:
        recipe = make_plan(trial).plan.twists
    except PlanError:
        return
    rings = range(1, recipe.rings + 1) if isinstance(recipe, HoneycombRecipe) else [None]
    yield from (replace(trial, rings=r) for r in rings)


def _trial(words: PlanWords, trial: PlanWords, finished_mm: float) -> tuple[float, PlanWords] | None:
    """How far a combination is off, and its words with the sheet settled; None when it is no practical one."""
    size = sheet_size(words)
    try:
        plan = make_plan(with_sheet_size(trial, _TRIAL_MM) if size is None else trial).plan
        finished, pitch = finished_height_mm(plan), plan.pitch_mm
        if size is None:
            size = max(round(finished_mm / finished * _TRIAL_MM / _PRACTICAL_SHEET_MM), 1) * _PRACTICAL_SHEET_MM
            trial = with_sheet_size(trial, _checked_sheet(size))
            finished, pitch = finished * size / _TRIAL_MM, pitch * size / _TRIAL_MM
    except PlanError:
        return None
    low, high = PRACTICAL_PITCH_MM
    return (finished - finished_mm, trial) if low <= pitch <= high else None


def _checked_sheet(size_mm: float) -> float:
    if size_mm >= _MOST_SHEET_MM:
        raise PlanError(f"The sheet would have to be {size_mm:.0f} mm high.", "Ask for a smaller piece.")
    return size_mm


def _choice(words: PlanWords, finished_mm: float) -> Choice:
    plan = make_plan(words).plan
    summary = check_plan(plan)
    assert isinstance(plan.grid, DividedGrid)
    return Choice(
        divisions=plan.grid.divisions,
        spacing=words.spacing or DEFAULT_SPACING[words.layout],
        rings=summary.rings,
        twists=summary.twists,
        sheet_mm=sheet_size(words) or 0.0,
        pitch_mm=plan.pitch_mm,
        finished_mm=summary.finished_height_mm,
        off_mm=summary.finished_height_mm - finished_mm,
        mean_layers=summary.mean_layers,
        most_layers=summary.most_layers,
    )


def choices_text(choices: list[Choice]) -> str:
    """The choices as a table."""
    head = "divisions  spacing  rings  twists  sheet mm  pitch mm  finished mm    off  layers  largest stack"
    rows = [
        f"{c.divisions:9d}  {c.spacing:7g}  {c.rings:5d}  {c.twists:6d}  {c.sheet_mm:8.1f}  {c.pitch_mm:8.2f}"
        f"  {c.finished_mm:11.1f}  {round(c.off_mm, 1) + 0.0:+5.1f}  {c.mean_layers:6.2f}  {c.most_layers:13d}"
        for c in choices
    ]
    return "\n".join([head, *rows])

"""The same story for a sheet that is not folded yet: its cut edges, and its grid of creases against the plan."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from foldtrue.errors import NotThisPiece, PhotoTooPoor, UsageError
from foldtrue.frames import Array
from foldtrue.handover import Photo, Reference
from foldtrue.handover_grid import (
    CreaseScan,
    GridInspection,
    GridView,
    PlannedGrid,
    SheetInspection,
    SheetPlace,
    SheetShape,
)
from foldtrue.inspection import Clock, describe_photo

if TYPE_CHECKING:
    from foldtrue.plan.file import Plan

SIDES_REACH_PX = 12.0
"""How far from its place a side is looked for once the lines have settled the map."""


@dataclass(frozen=True, kw_only=True)
class GridOptions:
    """view: how the sheet was lit, 'auto' finds out. Raises UsageError for a value outside these."""

    view: GridView | Literal["auto"] = "auto"

    def __post_init__(self) -> None:
        if self.view not in ("auto", "backlit", "front"):
            raise UsageError(f"There is no view {self.view!r} of a grid.", "Choose auto, backlit or front.")


def inspect_grid(
    path: Path | str,
    plan: Plan,
    options: GridOptions | None = None,
    on_step: Callable[[str], None] | None = None,
) -> GridInspection:
    """Measure the grid of a pre-creased, unfolded sheet in one photo.

    on_step is called with each step's name before it runs. Raises UnreadableFile, NotThisPiece (no such sheet, no grid,
    another grid) or PhotoTooPoor; never reports a guess.
    """
    from foldtrue.detect.creases import scan_creases
    from foldtrue.fit.grid import fit_grid
    from foldtrue.fit.grid_cause import judge_grid
    from foldtrue.fit.grid_folding import forecast_folding
    from foldtrue.photo import read_photo
    from foldtrue.plan.fold import fold_plan
    from foldtrue.plan.grid_lines import plan_grid
    from foldtrue.rectify.creased import find_sheet, remeasured_sides

    options = options or GridOptions()
    clock = Clock(on_step)
    nominal = clock.run("plan", fold_plan, plan)
    grid = plan_grid(plan)
    photo = clock.run("photo", read_photo, path)
    place = clock.run("rectify", find_sheet, photo, grid.outline_mm)
    scan = clock.run("detect", scan_creases, photo, grid, place, options.view)
    sides = clock.run("detect", remeasured_sides, photo, scan.map, grid.outline_mm, SIDES_REACH_PX)
    fit = clock.run("fit", fit_grid, grid, scan, sides)
    forecast = clock.run("fit", forecast_folding, nominal, grid, fit)
    cause = judge_grid(grid, fit, forecast, nominal.pitch_mm)
    view = _view(options, scan, sides.darker)
    plan_of = {"name": nominal.name, "sha256": nominal.plan_sha256, "pitch_mm": nominal.pitch_mm}
    origin = {**describe_photo(Path(path), photo), "plan": plan_of, "options": asdict(options)}
    found = (grid, photo, view, place, scan, fit, forecast, cause)
    return GridInspection(nominal.name, *found, origin, clock.timings_s)


def _view(options: GridOptions, scan: CreaseScan, darker: bool) -> GridView:
    if options.view != "auto":
        return options.view
    return "backlit" if darker and scan.odd.sum() < 2 else "front"


def inspect_sheet(
    path: Path | str,
    sheet: Plan | float,
    reference: Callable[[Photo], Reference | None] | None = None,
    on_step: Callable[[str], None] | None = None,
) -> SheetInspection:
    """Measure the cut edges of an unfolded sheet in one photo.

    sheet: the plan, or the flat-to-flat height in mm of a regular hexagon that stands on a corner. reference: finds
    what makes the photo's plane known; where it finds nothing, a pre-creased grid on the sheet does, if there is a plan
    to compare it with. Without either the sheet's shape cannot be told from the camera's view, and the figures are left
    out with the reason. Raises UnreadableFile, NotThisPiece or PhotoTooPoor."""
    from foldtrue.fit.sheet import REACH, least_out_of_true
    from foldtrue.photo import read_photo
    from foldtrue.plan.file import plan_sha256
    from foldtrue.rectify.creased import carrying_design, find_sheet

    clock = Clock(on_step)
    name, outline = _asked_sheet(sheet)
    photo = clock.run("photo", read_photo, path)
    place = clock.run("rectify", find_sheet, photo, outline)
    found = clock.run("rectify", reference, photo) if reference is not None else None
    shape, reason = clock.run("fit", _shape, photo, sheet, outline, place, found)
    least, least_std = least_out_of_true(place.sides, carrying_design(place.sides, REACH))
    origin = {**describe_photo(Path(path), photo), "sheet": {"name": name, "outline_mm": outline.tolist()}}
    if not isinstance(sheet, int | float):
        origin["plan"] = {"name": name, "sha256": plan_sha256(sheet), "pitch_mm": sheet.pitch_mm}
    return SheetInspection(name, outline, photo, place, shape, reason, least, least_std, origin, clock.timings_s)


def _asked_sheet(sheet: Plan | float) -> tuple[str, Array]:
    """Name and planned outline (K, 2) mm."""
    import numpy as np

    from foldtrue.plan.grid_lines import plan_grid

    if not isinstance(sheet, int | float):
        return sheet.name, plan_grid(sheet).outline_mm
    if not 10 <= sheet <= 5000:
        raise UsageError(f"A sheet is not {sheet:g} mm high.", "Give its flat-to-flat height in mm, 10 to 5000.")
    angle = np.deg2rad(30 + 60 * np.arange(6))
    return f"hexagon, {sheet:g} mm flat to flat", sheet / np.sqrt(3) * np.stack([np.cos(angle), np.sin(angle)], 1)


def _shape(
    photo: Photo, sheet: Plan | float, outline: Array, place: SheetPlace, reference: Reference | None
) -> tuple[SheetShape | None, str]:
    """The sheet's figures, or None and why there are none."""
    from foldtrue.detect.creases import scan_creases
    from foldtrue.fit.grid import fit_grid
    from foldtrue.fit.sheet import sheet_shape
    from foldtrue.plan.grid_lines import plan_grid
    from foldtrue.rectify.creased import in_reference, remeasured_sides

    if reference is not None:
        plane, sides = in_reference(photo, place, outline, reference)
        if not sides.seen.all():
            return None, "not every side of the sheet can be made out"
        return sheet_shape(outline, sides, sides.cov, plane, reference), ""
    if not isinstance(sheet, int | float):
        grid = plan_grid(sheet)
        scan = scan_creases(photo, grid, place)
        try:
            fit = fit_grid(grid, scan, remeasured_sides(photo, scan.map, outline, SIDES_REACH_PX))
        except NotThisPiece:
            return None, _NO_PLANE
        if not fit.sides.seen.all():
            return None, "not every side of the sheet can be made out"
        return sheet_shape(outline, fit.sides, fit.side_cov), ""
    return None, _NO_PLANE


_NO_PLANE = (
    "nothing in the picture tells the camera's view from the sheet's own shape: photograph the sheet on the printed "
    "mat, scan it, or crease its grid first"
)


def shows_unfolded_grid(photo: Photo, plan: Plan) -> bool:
    """Whether the photo shows the plan's sheet before any twist, its grid creased: a sheet of the planned outline on
    which most of the planned lines show. For commands that measure folded pieces, to say what they were given."""
    from foldtrue.detect.creases import scan_creases
    from foldtrue.fit.grid import check_grid_shows
    from foldtrue.plan.grid_lines import plan_grid
    from foldtrue.rectify.creased import find_sheet

    grid: PlannedGrid = plan_grid(plan)
    try:
        check_grid_shows(grid, scan_creases(photo, grid, find_sheet(photo, grid.outline_mm), "auto"))
    except (NotThisPiece, PhotoTooPoor):
        return False
    return True

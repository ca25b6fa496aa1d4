"""The same story for a sheet that is not folded yet: its grid of creases against the plan."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from foldtrue.errors import NotThisPiece, PhotoTooPoor, UsageError
from foldtrue.handover import Photo
from foldtrue.handover_grid import CreaseScan, GridInspection, GridView, PlannedGrid
from foldtrue.inspection import Clock, InspectOptions, describe_origin

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
    origin = describe_origin(Path(path), photo, nominal, InspectOptions())
    return GridInspection(
        nominal.name,
        grid,
        photo,
        _view(options, scan, place.darker),
        place,
        scan,
        fit,
        forecast,
        cause,
        {**origin, "options": asdict(options)},
        clock.timings_s,
    )


def _view(options: GridOptions, scan: CreaseScan, darker: bool) -> GridView:
    if options.view != "auto":
        return options.view
    return "backlit" if darker and scan.odd.sum() < 2 else "front"


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

"""From the plan's words to places on the sheet: outline, grid, and the list of twists a recipe stands for."""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt

import numpy as np

from foldtrue.plan.file import Plan
from foldtrue.plan.grid import Lane, Site, grid_to_sheet, slope_direction, turned, unit
from foldtrue.plan.parts import HexagonSheet, ListedTwist, PolygonSheet, RotatedGrid, SquareSheet
from foldtrue.plan.planar import Points
from foldtrue.plan.recipes import follow_recipe
from foldtrue.plan.twist import lay_out_twist

_HANDS = {"ccw": 1, "cw": -1}


def sheet_corners(plan: Plan) -> Points:
    """Corners of the sheet in mm, counter-clockwise; the sheet lies as its grid asks (docs/conventions.md).

    The first corner is the one on the +x side (hexagon), the lower left one (square, rectangle), or the first listed.
    """
    sheet, grid = plan.sheet, plan.grid
    side = slope_direction(*grid.slope) if isinstance(grid, RotatedGrid) else complex(1)
    if isinstance(sheet, HexagonSheet):
        first = 30 if grid.kind == "point-to-point" else 0
        return turned(np.array([sheet.first_side * unit(first + 60 * k) for k in range(6)]), side)
    if isinstance(sheet, PolygonSheet):
        corners = np.array([complex(*c) for c in sheet.corners_mm])
        if isinstance(grid, RotatedGrid):
            corners = corners * side * abs(corners[1] - corners[0]) / (corners[1] - corners[0])
        return corners[::-1] if _is_clockwise(corners) else corners
    width, height = (sheet.side_mm,) * 2 if isinstance(sheet, SquareSheet) else (sheet.width_mm, sheet.height_mm)
    return turned(np.array([complex(a * width, b * height) / 2 for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))]), side)


def grid_start(plan: Plan) -> complex:
    """The grid point from which grid coordinates count, sheet frame, mm: the sheet's centre or its first corner."""
    if plan.grid.start != "corner":
        return 0j
    listed = np.array([complex(*c) for c in plan.sheet.corners_mm]) if isinstance(plan.sheet, PolygonSheet) else None
    reversed_order = listed is not None and _is_clockwise(listed)
    return complex(sheet_corners(plan)[-1 if reversed_order else 0])


def _is_clockwise(corners: Points) -> bool:
    return bool((np.roll(corners, -1) * corners.conj()).imag.sum() <= 0)


def twist_sites(plan: Plan) -> list[Site]:
    """Every twist of the plan in the order of its ids t0, t1, ..."""
    start, corners = grid_start(plan), sheet_corners(plan)

    def fits(twist: ListedTwist) -> bool:
        return on_sheet(lay_out_twist(0, _site(plan, start, twist, 0, 0)).tips, corners)

    listed: Sequence[ListedTwist]
    if isinstance(plan.twists, tuple):
        listed, rings = plan.twists, [0] * len(plan.twists)
    else:
        radius = float(np.abs(corners - start).max()) / plan.pitch_mm
        listed, rings = follow_recipe(plan.twists, radius, fits)
    return [_site(plan, start, twist, k, ring) for k, (twist, ring) in enumerate(zip(listed, rings, strict=True))]


def free_pleats(plan: Plan) -> list[Lane]:
    """The pleats that no twist has, in the order of their ids p0, p1, ..."""
    start = grid_start(plan)
    return [
        Lane(
            id=f"p{k}",
            through=start + grid_to_sheet(*pleat.grid, plan.pitch_mm),
            turn=pleat.turn,
            hand=_HANDS[pleat.hand],
            width_mm=_width_mm(plan, pleat.width_rows),
        )
        for k, pleat in enumerate(plan.pleats or ())
    ]


def _site(plan: Plan, start: complex, twist: ListedTwist, number: int, ring: int) -> Site:
    return Site(
        id=f"t{number}",
        kind=twist.kind,
        grid=twist.grid,
        centre=start + grid_to_sheet(*twist.grid, plan.pitch_mm),
        turn=twist.turn,
        hand=_HANDS[twist.hand],
        width_mm=_width_mm(plan, twist.width_rows),
        ring=ring,
    )


def _width_mm(plan: Plan, rows: float) -> float:
    return rows * plan.pitch_mm * sqrt(3) / 2


def on_sheet(points: Sequence[complex], corners: Points) -> bool:
    """Whether points lie on the convex sheet, its rim included; corners counter-clockwise."""
    side = np.roll(corners, -1) - corners
    inside = (side.conj() * (np.array(points)[:, None] - corners)).imag / np.abs(side)
    return bool((inside > -1e-9 * np.abs(corners).max()).all())

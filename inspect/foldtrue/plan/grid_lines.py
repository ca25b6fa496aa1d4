"""The grid a plan asks for, before any twist: every line that crosses the sheet."""

from __future__ import annotations

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover_grid import PlannedGrid
from foldtrue.plan.file import Plan
from foldtrue.plan.layout import grid_start, sheet_corners
from foldtrue.plan.planar import to_xy

NORMALS_DEG = (30.0, 90.0, 150.0)
"""One grid direction lies along x, the others at 60 and 120 degrees to it."""
LEAST_LENGTH = 0.5
"""A line that crosses less of the sheet than this, in pitches, is not creased: it cuts off a corner at most."""


def plan_grid(plan: Plan) -> PlannedGrid:
    """All lines of the plan's grid. Three of them meet where the grid starts, in the sheet's centre or a corner of it;
    each family is numbered from the line nearest the centre."""
    outline = to_xy(sheet_corners(plan))
    start = to_xy(np.array([grid_start(plan)]))[0]
    row = plan.pitch_mm * np.sqrt(3) / 2
    rows: list[tuple[float, float, float, float, int, int]] = []
    for family, normal_deg in enumerate(NORMALS_DEG):
        angle = np.deg2rad(normal_deg)
        normal = np.array([np.cos(angle), np.sin(angle)])
        nearest = _nearest_line(float(start @ normal), row)
        reach = outline @ normal - nearest
        for number in range(int(np.ceil(reach.min() / row)), int(np.floor(reach.max() / row)) + 1):
            offset = nearest + number * row
            ends = _crossing(outline, normal, offset)
            if ends is not None and ends[1] - ends[0] >= LEAST_LENGTH * plan.pitch_mm:
                rows.append((normal_deg, offset, *ends, family, number))
    columns = np.array(rows).T
    return PlannedGrid(
        outline, row, columns[0], columns[1], columns[2], columns[3], columns[4].astype(int), columns[5].astype(int)
    )


def _nearest_line(offset: float, row: float) -> float:
    """Offset from the centre of the nearest of the lines that lie whole rows from one at `offset`."""
    return offset - row * round(offset / row) if abs(offset) > 1e-9 * row else 0.0


def _crossing(outline: Array, normal: Array, offset: float) -> tuple[float, float] | None:
    """Where a line enters and leaves a convex outline, as places along it; None along the rim or beside the sheet."""
    along = np.array([-normal[1], normal[0]])
    d = outline @ normal - offset
    size = float(np.abs(outline).max())
    d_next, s = np.roll(d, -1), outline @ along
    corner = np.abs(d) <= 1e-9 * size
    if not ((d[~corner] > 0).any() and (d[~corner] < 0).any()):
        return None
    crosses = (d * d_next < 0) & ~corner & ~np.roll(corner, -1)
    share = d[crosses] / (d - d_next)[crosses]
    places = np.concatenate([s[crosses] + share * (np.roll(s, -1) - s)[crosses], s[corner]])
    return float(places.min()), float(places.max())

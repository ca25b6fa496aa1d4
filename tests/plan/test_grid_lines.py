"""The lines of a plan's grid, counted and measured by hand."""

from __future__ import annotations

import numpy as np
import pytest
from panels import panel_plan, plan_of

from foldtrue.plan.grid_lines import plan_grid


def edge_to_edge(divisions, height_mm=160.0):
    return panel_plan(2, divisions, height_mm, 1, "edge-to-edge")


@pytest.mark.parametrize("plan", [panel_plan(2, 16, 240.0, 1), edge_to_edge(16)], ids=["points", "edges"])
def test_each_direction_has_one_line_less_than_divisions(plan):
    grid = plan_grid(plan)
    assert np.bincount(grid.family).tolist() == [15, 15, 15]
    assert np.allclose(grid.offset_mm, grid.number * grid.row_mm)


def test_point_to_point_rows_divide_the_long_diagonal():
    grid = plan_grid(panel_plan(2, 16, 240.0, 1))
    assert grid.row_mm == pytest.approx(2 * 240 / np.sqrt(3) / 16)


def test_edge_to_edge_lines_run_parallel_to_the_sides_at_equal_steps():
    grid = plan_grid(edge_to_edge(16))
    assert grid.row_mm == pytest.approx(10.0)
    middle = (grid.number == 0) & (grid.normal_deg == 90)
    assert (grid.high_mm - grid.low_mm)[middle] == pytest.approx(2 * 160 / np.sqrt(3))


def test_lines_end_on_the_rim():
    grid = plan_grid(panel_plan(2, 16, 240.0, 1))
    along = np.stack([-grid.normals[:, 1], grid.normals[:, 0]], 1)
    ahead = np.roll(grid.outline_mm, -1, 0) - grid.outline_mm
    out = np.stack([ahead[:, 1], -ahead[:, 0]], 1) / np.hypot(*ahead.T)[:, None]
    for s in (grid.low_mm, grid.high_mm):
        ends = grid.offset_mm[:, None] * grid.normals + s[:, None] * along
        assert np.allclose((ends @ out.T - np.sum(out * grid.outline_mm, 1)).max(1), 0, atol=1e-9)


def test_three_lines_meet_in_the_centre_of_a_square_sheet_too():
    plan = plan_of(
        {"shape": "polygon", "corners_mm": [[-80, -60], [80, -60], [80, 60], [-80, 60]]},
        {"kind": "pitch", "pitch_mm": 10},
        [{"grid": [0, 0], "kind": "triangle", "hand": "ccw"}],
    )
    grid = plan_grid(plan)
    centre = grid.number == 0
    assert centre.sum() == 3
    assert np.allclose((grid.high_mm - grid.low_mm)[centre & (grid.normal_deg == 90)], 160)


@pytest.mark.parametrize(
    ("sheet", "grid", "place"),
    [
        ({"shape": "hexagon", "height_mm": 240}, {"kind": "edge-to-edge", "divisions": 15}, [-5, 0]),
        ({"shape": "rectangle", "width_mm": 297, "height_mm": 210}, {"kind": "rotated", "slope": [14, 6]}, [4, 8]),
    ],
    ids=["odd", "turned"],
)
def test_a_grid_that_starts_in_a_corner_runs_through_it(sheet, grid, place):
    plan = plan_of(sheet, grid | {"start": "corner"}, [{"grid": place, "kind": "triangle", "hand": "ccw"}])
    lines = plan_grid(plan)
    rows_from_corner = (lines.normals @ lines.outline_mm[0] - lines.offset_mm) / lines.row_mm
    assert np.allclose(rows_from_corner, np.round(rows_from_corner), atol=1e-9)
    nearest = np.abs(lines.offset_mm[lines.number == 0])
    assert len(nearest) == 3
    assert (nearest <= lines.row_mm / 2 + 1e-9).all()

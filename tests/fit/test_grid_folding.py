"""What a measured grid does to the folded piece."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from panels import folded_panel, panel_plan

from foldtrue.fit.grid_folding import forecast_folding
from foldtrue.plan.grid_lines import plan_grid

PLANS = [(2, 16, 192.0, 2), (3, 16, 192.0, 1)]


def fitted(offset, angle=None):
    angle = np.zeros(len(offset)) if angle is None else angle
    some = np.full(len(offset), 0.02)
    return SimpleNamespace(offset_error_mm=offset, angle_error_deg=angle, offset_u95_mm=some, angle_u95_deg=0.5 * some)


def forecast(plan, offset, angle=None):
    grid = plan_grid(panel_plan(*plan))
    return forecast_folding(folded_panel(*plan), grid, fitted(offset, angle))


@pytest.mark.parametrize("plan", PLANS)
@settings(max_examples=10, deadline=None)
@given(x=st.floats(-1, 1), y=st.floats(-1, 1), scale=st.floats(-0.01, 0.01), turn=st.floats(-1, 1))
def test_a_grid_that_is_only_shifted_turned_or_larger_folds_true(plan, x, y, scale, turn):
    grid = plan_grid(panel_plan(*plan))
    found = forecast(plan, grid.normals @ [x, y] + scale * grid.offset_mm, np.full(len(grid.number), turn))
    assert found.rms_mm < 1e-6
    assert np.abs(found.angle_error_deg).max() < 1e-6
    assert found.gap_mm.max() < 1e-6


@pytest.mark.parametrize("plan", PLANS)
def test_errors_of_the_grid_move_the_twists_in_proportion(plan):
    grid = plan_grid(panel_plan(*plan))
    offset = 0.1 * np.random.default_rng(2).standard_normal(len(grid.number))
    once, twice = forecast(plan, offset), forecast(plan, 2 * offset)
    assert twice.position_error_mm == pytest.approx(2 * once.position_error_mm)
    assert 0.01 < once.rms_mm < 0.3


def test_lines_that_no_vertex_lies_on_do_not_matter():
    plan = (2, 16, 192.0, 1)
    grid, nominal = plan_grid(panel_plan(*plan)), folded_panel(*plan)
    on = (np.abs(nominal.vertices_sheet_mm @ grid.normals.T - grid.offset_mm) < 1e-6).any(0)
    offset = np.where(on, 0.0, 0.5)
    assert on.any()
    assert not on.all()
    assert forecast(plan, offset).rms_mm < 1e-9


def test_a_line_that_was_not_measured_makes_the_forecast_uncertain():
    plan = (2, 16, 192.0, 2)
    count = len(plan_grid(panel_plan(*plan)).number)
    offset = np.zeros(count)
    known = forecast(plan, offset)
    offset[7] = np.nan
    grid = plan_grid(panel_plan(*plan))
    fit = fitted(offset)
    fit.offset_u95_mm[7] = fit.angle_u95_deg[7] = np.nan
    unknown = forecast_folding(folded_panel(*plan), grid, fit)
    assert np.isfinite(unknown.position_error_mm).all()
    assert unknown.position_u95_mm.max() > 2 * known.position_u95_mm.max()


def test_a_wider_pleat_takes_in_twice_as_much():
    """A valley crease moved away from its mountain by e moves what lies beyond by 2 e: by the rule of two mirrors
    (any textbook of geometry), seen here at the twists on either side of the middle."""
    plan = (3, 16, 192.0, 1)
    grid, nominal = plan_grid(panel_plan(*plan)), folded_panel(*plan)
    row = np.flatnonzero((grid.family == 1) & (grid.number == 1))
    offset = np.zeros(len(grid.number))
    offset[row] = 0.1
    moved = forecast(plan, offset).position_error_mm
    assert 0.005 < np.abs(moved).max() <= 0.2
    assert len(moved) == len(nominal.twists)

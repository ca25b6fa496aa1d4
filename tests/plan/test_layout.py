"""Sheets, grids and the honeycomb recipe."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest

from foldtrue.errors import PlanError
from foldtrue.plan.fold import fold_plan
from foldtrue.plan.layout import grid_to_sheet, sheet_corners, twist_sites
from foldtrue.plan.pattern import draw_pattern


@pytest.mark.parametrize("kind", ["point-to-point", "edge-to-edge"])
def test_the_sheet_is_a_regular_hexagon(plans, kind):
    # regular hexagon: side = height / sqrt(3), point to point = two sides
    corners = sheet_corners(plans.honeycomb(240, kind))
    np.testing.assert_allclose(np.abs(np.roll(corners, -1) - corners), 240 / sqrt(3), atol=1e-9)
    np.testing.assert_allclose(np.abs(corners[:3] - corners[3:]), 2 * 240 / sqrt(3), atol=1e-9)


def test_a_point_to_point_hexagon_stands_on_a_corner(plans):
    corners = sheet_corners(plans.honeycomb(240, "point-to-point"))
    assert np.ptp(corners.real) == pytest.approx(240, abs=1e-9)
    assert corners.imag.argmin() != corners.imag.argsort()[1]
    assert np.sort(corners.imag)[1] - np.sort(corners.imag)[0] > 1


def test_an_edge_to_edge_hexagon_lies_on_a_side(plans):
    corners = sheet_corners(plans.honeycomb(240, "edge-to-edge"))
    assert np.ptp(corners.imag) == pytest.approx(240, abs=1e-9)


@pytest.mark.parametrize(("height_mm", "divisions"), [(240, 16), (360, 32), (217.3, 48)])
def test_divisions_give_the_pitch(plans, height_mm, divisions):
    # edge to edge: side = N a / 2; point to point: a = 4 H / (3 N)
    edge = plans.honeycomb(height_mm, "edge-to-edge", divisions)
    point = plans.honeycomb(height_mm, "point-to-point", divisions)
    assert divisions * edge.pitch_mm / 2 == pytest.approx(height_mm / sqrt(3), abs=1e-9)
    assert point.pitch_mm == pytest.approx(4 * height_mm / (3 * divisions), abs=1e-9)


@pytest.mark.parametrize("kind", ["point-to-point", "edge-to-edge"])
def test_the_corners_of_a_hexagon_lie_on_the_grid(plans, kind):
    plan = plans.honeycomb(240, kind, 12)
    corners = sheet_corners(plan) / plan.pitch_mm
    rows = corners.imag / (sqrt(3) / 2)
    np.testing.assert_allclose(rows, np.round(rows), atol=1e-9)


def test_ring_r_holds_6_times_2r_minus_1_twists(plans):
    rings = [site.ring for site in twist_sites(plans.honeycomb(900, "point-to-point", 64, 2, 8))]
    assert np.bincount(rings)[1:].tolist() == [6 * (2 * r - 1) for r in range(1, 9)]
    assert rings == sorted(rings)


def test_a_honeycomb_starts_on_the_x_axis_and_runs_counter_clockwise(plans):
    sites = twist_sites(plans.honeycomb(240, "point-to-point", 16, 2, 2))
    assert sites[0].centre == 40
    for ring in (1, 2):
        angle = [np.angle(site.centre) % (2 * np.pi) for site in sites if site.ring == ring]
        assert angle == sorted(angle)
        assert angle[0] == 0


def test_the_hands_of_a_honeycomb_alternate(plans):
    pattern = draw_pattern(plans.honeycomb(360, "point-to-point", 32, 2, 4))
    joined = [run for run in pattern.runs if run.far is not None]
    assert len(joined) == (3 * 96 - sum(run.far is None for run in pattern.runs)) / 2
    assert all(pattern.twists[run.near.twist].site.hand == -pattern.twists[run.far.twist].site.hand for run in joined)


@pytest.mark.parametrize(("hand", "sign"), [("ccw", 1), ("cw", -1)])
def test_the_first_twist_has_the_hand_asked_for(plans, hand, sign):
    assert twist_sites(plans.honeycomb(first_hand=hand))[0].hand == sign


@pytest.mark.parametrize("spacing", [2, 3, 4])
@pytest.mark.parametrize("divisions", [16, 24, 32, 48])
@pytest.mark.parametrize("kind", ["point-to-point", "edge-to-edge"])
def test_as_many_rings_fit_as_the_rule_says(plans, kind, divisions, spacing):
    # point to point (1.5 R - 0.5) L + 1 <= 3 N / 8, edge to edge (2 R - 1) L + 1 <= N / 2, equality allowed
    def fits(rings):
        if kind == "point-to-point":
            return (1.5 * rings - 0.5) * spacing + 1 <= 3 * divisions / 8
        return (2 * rings - 1) * spacing + 1 <= divisions / 2

    largest = max(rings for rings in range(12) if rings == 0 or fits(rings))
    if largest:
        fold_plan(plans.honeycomb(240, kind, divisions, spacing, largest))
    with pytest.raises(PlanError, match="the sheet") as refusal:
        fold_plan(plans.honeycomb(240, kind, divisions, spacing, largest + 1))
    assert refusal.value.twists


def test_grid_coordinates_run_along_0_and_60_degrees():
    assert grid_to_sheet(2, 0, 10) == 20
    assert grid_to_sheet(0, 2, 10) == pytest.approx(complex(10, 10 * sqrt(3)), abs=1e-12)

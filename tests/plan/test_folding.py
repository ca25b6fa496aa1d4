"""Folding facet by facet: closure, sizes, the lattice theorem."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from foldtrue.plan.fold import fold_plan
from foldtrue.plan.layout import Site, grid_to_sheet
from foldtrue.plan.summary import summarise
from foldtrue.plan.twist import lay_out_twist

# Computed independently of this program: sheet height, grid, divisions, spacing, rings; twists, facets, folded height.
HONEYCOMBS = [
    (240, "point-to-point", 16, 2, 2, 24, 85, 120.0),
    (360, "point-to-point", 32, 2, 4, 96, 313, 180.0),
    (360, "point-to-point", 32, 3, 2, 24, 85, 270.0),
    (540, "point-to-point", 48, 3, 4, 96, 313, 360.0),
    (360, "point-to-point", 32, 4, 2, 24, 85, 270.0),
    (240, "edge-to-edge", 16, 2, 2, 24, 85, 150.0),
    (360, "edge-to-edge", 32, 2, 4, 96, 313, 225.0),
    (360, "edge-to-edge", 32, 3, 3, 54, 178, 258.75),
    (360, "edge-to-edge", 32, 4, 2, 24, 85, 292.5),
]


def carried(nominal, facet, points):
    return points @ facet.motion[:, :2].T + facet.motion[:, 2]


@pytest.mark.parametrize("case", HONEYCOMBS, ids=str)
def test_honeycombs_have_the_facets_and_the_folded_height_computed_independently(plans, case):
    *plan, twists, facets, height_mm = case
    summary = summarise(fold_plan(plans.honeycomb(*plan)))
    assert (summary.twists, summary.facets) == (twists, facets)
    assert summary.finished_height_mm == pytest.approx(height_mm, abs=1e-6)


@pytest.mark.parametrize("case", HONEYCOMBS, ids=str)
def test_each_ring_of_a_honeycomb_takes_three_pitches_or_three_rows_off_the_height(plans, case):
    height_mm, kind, divisions, spacing, rings, *_ = case
    nominal = fold_plan(plans.honeycomb(height_mm, kind, divisions, spacing, rings))
    step = nominal.pitch_mm if kind == "point-to-point" else nominal.row_mm
    assert summarise(nominal).finished_height_mm == pytest.approx(height_mm - 3 * rings * step, abs=1e-6)


@pytest.mark.parametrize(("divisions", "rings"), [(16, 2), (32, 4), (64, 8)])
def test_a_densely_filled_point_to_point_hexagon_comes_out_at_half_its_size(plans, divisions, rings):
    # common practice, no source
    nominal = fold_plan(plans.honeycomb(240, "point-to-point", divisions, 2, rings))
    summary = summarise(nominal)
    assert summary.finished_height_mm == pytest.approx(120, abs=1e-6)
    assert summary.finished_width_mm == pytest.approx(240 / sqrt(3), abs=1e-6)


def test_two_facets_agree_on_every_crease_between_them(nominal):
    for ends, (left, right), kind in zip(
        nominal.creases.ends, nominal.creases.facets, nominal.creases.kind, strict=True
    ):
        if kind != "R":
            points = nominal.vertices_sheet_mm[ends]
            gap = carried(nominal, nominal.facets[left], points) - carried(nominal, nominal.facets[right], points)
            assert np.abs(gap).max() < 1e-9 * np.abs(nominal.sheet_outline_mm).max()


def test_vertices_are_where_their_facets_carry_them(nominal):
    for facet in nominal.facets:
        corners = list(facet.vertices)
        moved = carried(nominal, facet, nominal.vertices_sheet_mm[corners])
        np.testing.assert_allclose(moved, nominal.vertices_mm[corners], atol=1e-9 * np.abs(moved).max())


def test_folding_keeps_lengths(nominal):
    a, b = nominal.creases.ends.T
    flat = np.linalg.norm(nominal.vertices_sheet_mm[a] - nominal.vertices_sheet_mm[b], axis=1)
    folded = np.linalg.norm(nominal.vertices_mm[a] - nominal.vertices_mm[b], axis=1)
    np.testing.assert_allclose(folded, flat, rtol=1e-9)


def test_cells_keep_their_orientation_pleats_turn_over_and_twists_turn(nominal):
    by_id = {twist.id: twist for twist in nominal.twists}
    for facet in nominal.facets:
        linear = facet.motion[:, :2]
        assert facet.turned == (facet.kind == "pleat") == (np.linalg.det(linear) < 0)
        if facet.kind == "cell":
            np.testing.assert_allclose(linear, np.eye(2), atol=1e-9)
        if facet.kind == "twist":
            # the polygon turns by hand * 2 (180 - alpha): alpha = 150 for triangle and rhombus, 120 for the hexagon
            twist = by_id[facet.id]
            turn = np.rad2deg(np.arctan2(linear[1, 0], linear[0, 0]))
            expected = twist.hand * 2 * (180 - (120 if twist.kind == "hexagon" else 150))
            assert (turn - expected + 180) % 360 - 180 == pytest.approx(0, abs=1e-6)


def test_cells_on_both_sides_of_a_pleat_move_together_by_two_widths(nominal):
    facets, creases = nominal.facets, nominal.creases
    beside = {}
    for crease, pair in enumerate(creases.facets.tolist()):
        for pleat, cell in (pair, pair[::-1]):
            if min(pair) >= 0 and facets[pleat].kind == "pleat" and facets[cell].kind == "cell":
                beside.setdefault(pleat, []).append((crease, cell))
    both = [sides for sides in beside.values() if len(sides) == 2]
    for (first, a), (second, b) in both:  # none at spacing 2, where the mountain lines have no length
        start, stop = nominal.vertices_sheet_mm[creases.ends[first]]
        along = (stop - start) / np.linalg.norm(stop - start)
        across = np.array([-along[1], along[0]])
        width = (nominal.vertices_sheet_mm[creases.ends[second, 0]] - start) @ across
        moved = facets[b].motion[:, 2] - facets[a].motion[:, 2]
        np.testing.assert_allclose(moved, -2 * width * across, atol=1e-9 * np.abs(nominal.sheet_outline_mm).max())


def test_the_folded_centre_of_the_sheet_is_the_origin(nominal):
    inside = [facet for facet in nominal.facets if holds_origin(nominal.vertices_sheet_mm[list(facet.vertices)])]
    assert inside
    for facet in inside:
        np.testing.assert_allclose(facet.motion[:, 2], 0, atol=1e-9)


def holds_origin(polygon):
    x, y = polygon.T
    return bool((x * np.roll(y, -1) - y * np.roll(x, -1) >= -1e-9).all())


def test_a_twist_in_the_centre_keeps_its_centre_there_and_the_cells_upright(plans):
    nominal = fold_plan(plans.listed([{"grid": [0, 0], "kind": "hexagon", "hand": "cw"}]))
    np.testing.assert_allclose(nominal.twists[0].planned_mm, (0, 0), atol=1e-9)
    cells = [facet for facet in nominal.facets if facet.kind == "cell"]
    assert len(cells) == 6
    for cell in cells:
        np.testing.assert_allclose(cell.motion[:, :2], np.eye(2), atol=1e-12)


def test_tips_run_counter_clockwise_in_the_folded_piece(nominal):
    for twist in nominal.twists:
        x, y = nominal.vertices_mm[list(twist.tips)].T
        assert (x * np.roll(y, -1) - y * np.roll(x, -1)).sum() > 0
        assert twist.planned_mm == pytest.approx((x.mean(), y.mean()), abs=1e-9)


def test_nodes_are_the_vertices_that_come_together(nominal):
    grouped = [vertex for node in nominal.nodes for vertex in node]
    assert len(grouped) == len(set(grouped))
    for node in nominal.nodes:
        spread = nominal.vertices_mm[list(node)] - nominal.vertices_mm[node[0]]
        assert np.abs(spread).max() < 1e-6 * nominal.pitch_mm
    loose = sorted(set(range(len(nominal.vertices_mm))) - set(grouped))
    places = np.concatenate([nominal.vertices_mm[loose], nominal.vertices_mm[[node[0] for node in nominal.nodes]]])
    gap = np.abs(places[:, None] - places).max(2) + 1e9 * np.eye(len(places))
    assert gap.min() > 1e-4 * nominal.pitch_mm


def test_at_spacing_2_six_triangles_meet_around_the_folded_centre(plans):
    # the twists tile the front as equilateral triangles of side sqrt(3) a, their corners at the folded cell centres
    nominal = plans.folded("honeycomb L2")
    first_ring = [twist for twist in nominal.twists if twist.ring == 1]
    for twist in first_ring:
        tips = nominal.vertices_mm[list(twist.tips)]
        assert np.abs(tips).max(1).min() < 1e-6
        sides = np.linalg.norm(np.roll(tips, -1, 0) - tips, axis=1)
        np.testing.assert_allclose(sides, sqrt(3) * nominal.pitch_mm, rtol=1e-9)


def test_rings_of_a_listed_plan_count_pleats_from_the_centre(plans):
    assert [twist.ring for twist in plans.folded("asymmetric").twists] == [1, 2, 2]
    assert [twist.ring for twist in plans.folded("mixed 8").twists if twist.grid == (0, 0)] == [1]


def test_border_twists_are_those_with_a_pleat_to_the_rim(nominal):
    at_rim = {facet.id.split("-rim")[0] for facet in nominal.facets if "-rim" in facet.id}
    assert {twist.id for twist in nominal.twists if twist.border} == at_rim


@st.composite
def plans_on_the_grid(draw, plans):
    """Honeycombs, mixtures, rhombi, and a single twist of any kind anywhere."""
    which = draw(st.sampled_from(["honeycomb", "mixed", "rhombi", "single", "single"]))
    if which == "honeycomb":
        width = draw(st.integers(1, 2))
        spacing = draw(st.integers(2 * width, 5))
        hand = draw(st.sampled_from(["ccw", "cw"]))
        rings = draw(st.integers(1, 2))
        return plans.honeycomb(100, "point-to-point", 64, spacing, rings, first_hand=hand, width_rows=width)
    if which == "mixed":
        return plans.mixed(*draw(st.sampled_from([(6, 2), (7, 2), (8, 2), (9, 2), (3, 1), (4, 1), (5, 1)])), size=1)
    if which == "rhombi":
        return plans.rhombi(1)
    kind = draw(st.sampled_from(["triangle", "hexagon", "rhombus"]))
    hand = draw(st.sampled_from(["ccw", "cw"]))
    turn, rows = draw(st.integers(0, 5)), draw(st.integers(1, 3))
    tip = lay_out_twist(0, Site("", kind, (0, 0), 0j, turn, 1 if hand == "ccw" else -1, rows * sqrt(3) / 2, 0)).tips[0]
    centre = grid_to_sheet(draw(st.integers(-6, 6)), draw(st.integers(-6, 6)), 1.0) - tip  # its tips on grid points
    j = centre.imag / (sqrt(3) / 2)
    twist = {"grid": (centre.real - j / 2, j), "kind": kind, "hand": hand, "turn": turn, "width_rows": rows}
    return plans.listed([twist])


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_every_grid_point_folds_onto_a_grid_point(plans, data):
    # Lattice theorem: creases along multiples of 30 degrees through grid points are mirror lines of the grid
    nominal = fold_plan(data.draw(plans_on_the_grid(plans)))
    i, j = (v.reshape(-1) for v in np.meshgrid(np.arange(-40, 41), np.arange(-40, 41)))
    grid = np.column_stack([i + j / 2, j * sqrt(3) / 2]) * nominal.pitch_mm
    for facet in nominal.facets:
        corners = nominal.vertices_sheet_mm[list(facet.vertices)]
        side = np.roll(corners, -1, 0) - corners
        to_point = grid[:, None] - corners
        inside = (side[:, 0] * to_point[..., 1] - side[:, 1] * to_point[..., 0] >= -1e-9).all(1)
        place = carried(nominal, facet, grid[inside]) / nominal.pitch_mm
        rows = place[:, 1] / (sqrt(3) / 2)
        np.testing.assert_allclose(rows, np.round(rows), atol=1e-6)
        along = place[:, 0] - rows / 2
        np.testing.assert_allclose(along, np.round(along), atol=1e-6)

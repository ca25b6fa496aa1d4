"""Areas by layers, outline and symmetry of the folded piece, against figures computed independently."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest

from foldtrue.plan.fold import fold_plan
from foldtrue.plan.shape import layer_areas
from foldtrue.plan.summary import check_plan, summarise


def area(polygon):
    x, y = np.asarray(polygon).T
    return float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum() / 2)


def twist_at(nominal, i, j):
    return next(twist for twist in nominal.twists if np.allclose(twist.grid, (i, j)))


def period(nominal, *steps, start):
    """One period of the folded pattern, and folded / sheet area of it.

    start: grid place of a twist; steps: the two lattice steps in grid coordinates, between twists of one kind.
    """
    origin = twist_at(nominal, *start)
    far = [twist_at(nominal, start[0] + i, start[1] + j) for i, j in steps]
    u, v = (np.subtract(twist.planned_mm, origin.planned_mm) for twist in far)
    a, b = (np.subtract(twist.sheet_mm, origin.sheet_mm) for twist in far)
    corner = np.asarray(origin.planned_mm) - (u + v) / 2  # around a twist well inside
    window = np.array([corner, corner + u, corner + u + v, corner + v])
    if area(window) < 0:
        window = window[::-1]
    return window, abs(np.linalg.det([u, v]) / np.linalg.det([a, b]))


def shares(nominal, window):
    areas = layer_areas(nominal, window)
    return {layers: part / area(window) for layers, part in areas.items()}


def close(found, expected):
    assert found.keys() == expected.keys()
    for layers, share in expected.items():
        assert found[layers] == pytest.approx(share, abs=1e-6)


# Computed independently of this program: height, divisions, spacing, rings; area shares by layers in the interior.
INTERIORS = [
    (240, 16, 2, 2, {3: 1 / 2, 5: 1 / 2}),
    (360, 32, 2, 4, {3: 1 / 2, 5: 1 / 2}),
    (360, 32, 3, 2, {1: 1 / 2, 3: 3 / 8, 5: 1 / 8}),
    (540, 48, 3, 4, {1: 1 / 2, 3: 3 / 8, 5: 1 / 8}),
    (360, 32, 4, 2, {1: 2 / 3, 3: 5 / 18, 5: 1 / 18}),
]


@pytest.mark.parametrize(("height_mm", "divisions", "spacing", "rings", "expected"), INTERIORS)
def test_a_honeycombs_interior_has_the_layers_computed_independently(
    plans, height_mm, divisions, spacing, rings, expected
):
    nominal = fold_plan(plans.honeycomb(height_mm, "point-to-point", divisions, spacing, rings))
    # one period: the folded central cell, its corners at the folded centres of the first ring
    window = np.array([twist.planned_mm for twist in nominal.twists if twist.ring == 1])
    np.testing.assert_allclose(np.hypot(*window.T), (spacing - 1) * nominal.pitch_mm, rtol=1e-9)
    found = shares(nominal, window)
    close(found, expected)
    mean = sum(layers * share for layers, share in found.items())
    assert mean == pytest.approx((spacing / (spacing - 1)) ** 2, abs=1e-6)


@pytest.mark.parametrize("spacing", [2, 3, 4])
def test_a_honeycombs_period_shrinks_by_the_ratio_computed_independently(plans, spacing):
    nominal = fold_plan(plans.honeycomb(900, "point-to-point", 64, spacing, 3))
    first = nominal.twists[0]
    step = next(t for t in nominal.twists if t.hand == first.hand and t.sheet_mm[0] > first.sheet_mm[0] + 1)
    folded = np.subtract(step.planned_mm, first.planned_mm)
    flat = np.subtract(step.sheet_mm, first.sheet_mm)
    # the table's "folded/sheet" is that of lengths; areas follow as its square, mean layers as the inverse of that
    assert np.hypot(*folded) / np.hypot(*flat) == pytest.approx((spacing - 1) / spacing, abs=1e-6)


def test_hexagons_with_triangles_at_8_pitches_have_the_layers_computed_independently(plans):
    nominal = fold_plan(plans.mixed(8, 2, 3))
    window, ratio = period(nominal, (8, 8), (-8, 16), start=(0, 0))
    close(shares(nominal, window), {1: 1 / 8, 3: 1 / 2, 5: 1 / 8, 7: 1 / 4})
    assert sqrt(ratio) == pytest.approx(1 - 4 / 8, abs=1e-6)


def test_hexagons_with_triangles_at_6_pitches_have_the_layers_computed_independently(plans):
    nominal = fold_plan(plans.mixed(6, 2, 3))
    window, ratio = period(nominal, (6, 6), (-6, 12), start=(0, 0))
    close(shares(nominal, window), {7: 1 / 3, 9: 1 / 3, 11: 1 / 3})
    assert 1 / ratio == pytest.approx(9, abs=1e-6)


@pytest.mark.parametrize(("distance", "width"), [(6, 2), (8, 2), (9, 2), (3, 1), (4, 1), (4.5, 1)])
def test_hexagons_with_triangles_shrink_by_1_minus_4a_over_d(plans, distance, width):
    nominal = fold_plan(plans.mixed(distance, width))
    _, ratio = period(nominal, (distance, distance), (-distance, 2 * distance), start=(0, 0))
    assert sqrt(ratio) == pytest.approx(1 - 2 * width / distance, abs=1e-6)


def test_rhombi_have_the_layers_computed_independently(plans):
    nominal = fold_plan(plans.rhombi(4))
    window, ratio = period(nominal, (4, 4), (5, -5), start=(0.5, 0))
    assert ratio == pytest.approx(3 / 10, abs=1e-6)
    close(shares(nominal, window), {1: 1 / 12, 3: 2 / 3, 5: 1 / 4})


def test_mean_layers_are_sheet_area_over_folded_area(nominal):
    areas = layer_areas(nominal)
    paper = sum(layers * part for layers, part in areas.items())
    assert paper == pytest.approx(area(nominal.sheet_outline_mm), rel=1e-9)
    assert summarise(nominal).mean_layers == pytest.approx(paper / sum(areas.values()), rel=1e-9)


def test_the_outline_holds_the_whole_folded_area(nominal):
    assert area(nominal.outline_mm) == pytest.approx(sum(layer_areas(nominal).values()), rel=1e-9)


@pytest.mark.parametrize("name", ["honeycomb L2", "honeycomb L2, 96 twists"])
def test_layer_counts_are_odd_everywhere_where_the_rim_cuts_no_pleat_obliquely(plans, name):
    # as writers on tessellations have published
    assert all(layers % 2 for layers in layer_areas(plans.folded(name)))


def test_layer_counts_are_odd_in_the_interior_whatever_the_rim_does(plans):
    nominal = plans.folded("honeycomb L3, edge to edge")
    assert any(layers % 2 == 0 for layers in layer_areas(nominal))
    window = np.array([twist.planned_mm for twist in nominal.twists if twist.ring == 1])
    assert all(layers % 2 for layers in layer_areas(nominal, window))


def test_a_window_outside_the_piece_holds_no_paper(plans):
    assert layer_areas(plans.folded("asymmetric"), np.array([[90, 90], [91, 90], [91, 91], [90, 91.0]])) == {}


def test_a_densely_filled_piece_comes_out_as_a_hexagon_of_half_the_size(plans):
    outline = plans.folded("honeycomb L2").outline_mm
    assert len(outline) == 6
    np.testing.assert_allclose(np.hypot(*outline.T), 120 / sqrt(3), rtol=1e-9)


THREE, SIX = (0.0, 120.0, 240.0), (0.0, 60.0, 120.0, 180.0, 240.0, 300.0)


@pytest.mark.parametrize(
    ("name", "backlit", "front"),
    [
        ("honeycomb L2", THREE, SIX),
        ("honeycomb L2, 96 twists", THREE, SIX),
        ("honeycomb L3", THREE, THREE),
        ("honeycomb L4, cw first", THREE, THREE),
        ("asymmetric", (0.0,), (0.0,)),
    ],
)
def test_the_rotations_that_a_photo_cannot_tell_apart(plans, name, backlit, front):
    symmetry = plans.folded(name).symmetry
    assert symmetry["backlit"] == backlit
    assert symmetry["front"] == front


def test_a_single_hexagon_twist_has_all_six_rotations(plans):
    corners = [(12 * np.cos(t), 12 * np.sin(t)) for t in np.arange(6) * np.pi / 3]
    nominal = fold_plan(plans.listed([{"grid": [0, 0], "kind": "hexagon", "hand": "ccw"}], corners))
    assert all(nominal.symmetry[view] == SIX for view in ("backlit", "front", "back"))


def test_a_rhombus_plan_has_two_rotations(plans):
    corners = [(9, -8), (9, 8), (-9, 8), (-9, -8)]
    nominal = fold_plan(plans.listed([{"grid": [0, 0], "kind": "rhombus", "hand": "ccw"}], corners))
    assert nominal.symmetry["backlit"] == (0.0, 180.0)


def test_check_plan_says_what_comes_out(plans):
    summary = check_plan(plans.honeycomb(240, "point-to-point", 16, 2, 2))
    assert summary.pitch_mm == pytest.approx(20, abs=1e-9)
    assert summary.rings == 2
    assert summary.first_twist_mm == pytest.approx((40, 0), abs=1e-9)
    assert summary.mean_layers == pytest.approx(4, abs=1e-6)
    assert summary.most_layers == 5  # computed independently: half the piece in 3 layers, half in 5
    assert sum(summary.layer_shares.values()) == pytest.approx(1, abs=1e-9)


def test_the_largest_stack_of_hexagons_with_triangles_at_6_pitches_has_11_layers(plans):
    # computed independently: 7, 9 and 11 layers, a third of the interior each
    assert summarise(plans.folded("mixed 6")).most_layers == 11

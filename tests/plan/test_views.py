"""What shows of every crease: against the light, from the front, from the back."""

from __future__ import annotations

from collections import Counter, defaultdict
from itertools import pairwise

import numpy as np
import pytest

from foldtrue.plan.overlay import overlay_creases
from foldtrue.plan.planar import to_points

VIEWS = ("backlit", "front", "back")


def ends_of(nominal, view):
    """(S, 2, 2): both ends of every stretch, folded frame, as the crease runs."""
    s = nominal.views[view]
    a, b = (nominal.vertices_mm[nominal.creases.ends[s.crease, k]] for k in (0, 1))
    return np.stack([a + s.t0[:, None] * (b - a), a + s.t1[:, None] * (b - a)], axis=1)


def layers_at(nominal, points):
    """How many facets lie over each point, by testing every facet."""
    count = np.zeros(len(points), int)
    for facet in nominal.facets:
        corners = nominal.vertices_mm[list(facet.vertices)]
        if facet.turned:
            corners = corners[::-1]
        side = np.roll(corners, -1, 0) - corners
        to_point = points[:, None] - corners
        count += (side[:, 0] * to_point[..., 1] - side[:, 1] * to_point[..., 0] > 0).all(1)
    return count


def interior_creases(nominal, kind):
    """Creases of joined pleats between two twists that are not at the border."""
    inner = {twist.id for twist in nominal.twists if not twist.border}
    for k, name in enumerate(nominal.creases.ids):
        pleat, _, sense = name.partition(":")
        if sense == kind and "rim" not in pleat and set(pleat.split("-")) <= inner:
            yield k


def shown_length(nominal, view, crease):
    s = nominal.views[view]
    a, b = nominal.vertices_mm[nominal.creases.ends[crease]]
    return float((s.t1 - s.t0)[s.crease == crease].sum() * np.linalg.norm(b - a))


@pytest.mark.parametrize("view", VIEWS)
def test_layer_counts_left_and_right_are_those_of_the_paper_there(nominal, view):
    ends = ends_of(nominal, view)
    along = ends[:, 1] - ends[:, 0]
    left = np.column_stack([-along[:, 1], along[:, 0]]) / np.linalg.norm(along, axis=1)[:, None]
    middle = ends[:, 0] + 0.3819 * along
    step = 1e-4 * nominal.pitch_mm * left
    s = nominal.views[view]
    np.testing.assert_array_equal(layers_at(nominal, middle + step), s.layers_left)
    np.testing.assert_array_equal(layers_at(nominal, middle - step), s.layers_right)


def test_against_the_light_every_crease_and_the_rim_are_listed_from_end_to_end(nominal):
    s = nominal.views["backlit"]
    parts = defaultdict(list)
    for crease, t0, t1 in zip(s.crease.tolist(), s.t0, s.t1, strict=True):
        parts[crease].append((t0, t1))
    assert set(parts) == set(range(len(nominal.creases.ids)))
    for spans in parts.values():
        spans.sort()
        assert spans[0][0] == pytest.approx(0, abs=1e-9)
        assert spans[-1][1] == pytest.approx(1, abs=1e-9)
        for (_, stop), (start, _) in pairwise(spans):
            assert start == pytest.approx(stop, abs=1e-9)


def test_a_lone_fold_is_a_step_of_two_layers_and_a_lone_rim_of_one(nominal):
    s = nominal.views["backlit"]
    alone = s.shared == 1
    rim = nominal.creases.kind[s.crease] == "R"
    step = np.abs(s.layers_left - s.layers_right)
    assert set(step[alone & ~rim].tolist()) <= {2}
    assert set(step[alone & rim].tolist()) <= {1}


def test_where_two_folds_coincide_their_steps_cancel_or_add_up_to_four(nominal):
    s = nominal.views["backlit"]
    pairs = (s.shared == 2) & (nominal.creases.kind[s.crease] != "R")
    step = np.abs(s.layers_left - s.layers_right)
    assert set(step[pairs].tolist()) <= {0, 1, 2, 3, 4}
    inner = pairs & (np.minimum(s.layers_left, s.layers_right) % 2 == 1) & (step % 2 == 0)
    assert set(step[inner].tolist()) <= {0, 2, 4}


def test_at_spacing_2_the_twists_own_sides_cancel_and_the_cells_sides_carry_the_picture(plans):
    nominal = plans.folded("honeycomb L2, 96 twists")
    s = nominal.views["backlit"]
    step = np.abs(s.layers_left - s.layers_right)
    inner = {twist.id for twist in nominal.twists if not twist.border}
    side = np.array([nominal.creases.ids[c].split(":")[0] in inner for c in s.crease])
    assert side.any()
    assert not step[side].any()
    for crease in interior_creases(nominal, "V"):
        assert (step[s.crease == crease] == 2).all()


def test_at_spacing_2_against_the_light_triangles_of_5_and_3_layers_alternate(plans):
    nominal = plans.folded("honeycomb L2, 96 twists")
    s = nominal.views["backlit"]
    visible = (s.layers_left != s.layers_right) & (np.minimum(s.layers_left, s.layers_right) > 0)
    assert Counter(np.maximum(s.layers_left, s.layers_right)[visible].tolist()).keys() == {5}
    assert Counter(np.minimum(s.layers_left, s.layers_right)[visible].tolist()).keys() == {3}


def test_a_24_twist_piece_shows_30_valleys_of_3_pitches_and_12_of_one_and_a_half_to_the_rim(plans):
    # from an independent study of such a piece
    nominal = plans.folded("honeycomb L2")
    valleys = [
        round(float(np.linalg.norm(np.subtract(*nominal.vertices_mm[ends])) / nominal.pitch_mm), 6)
        for ends, kind in zip(nominal.creases.ends, nominal.creases.kind, strict=True)
        if kind == "V"
    ]
    assert Counter(valleys) == {3.0: 30, 1.5: 12}


@pytest.mark.parametrize(("name", "spacing"), [("honeycomb L2", 2), ("honeycomb L3", 3), ("honeycomb L4, cw first", 4)])
def test_in_front_the_mountain_edges_show_l_minus_2_and_the_valleys_not_at_all(plans, name, spacing):
    nominal = plans.folded(name)
    for crease in interior_creases(nominal, "M"):
        assert shown_length(nominal, "front", crease) == pytest.approx((spacing - 2) * nominal.pitch_mm, abs=1e-6)
    for crease in interior_creases(nominal, "V"):
        assert shown_length(nominal, "front", crease) == 0


@pytest.mark.parametrize(("name", "spacing"), [("honeycomb L2", 2), ("honeycomb L3", 3), ("honeycomb L4, cw first", 4)])
def test_on_the_back_the_middle_l_minus_1_of_each_valley_shows(plans, name, spacing):
    nominal = plans.folded(name)
    s = nominal.views["back"]
    for crease in interior_creases(nominal, "V"):
        a, b = nominal.vertices_mm[nominal.creases.ends[crease]]
        assert np.linalg.norm(a - b) == pytest.approx((spacing + 1) * nominal.pitch_mm, abs=1e-6)
        mine = s.crease == crease
        assert shown_length(nominal, "back", crease) == pytest.approx((spacing - 1) * nominal.pitch_mm, abs=1e-6)
        assert s.t0[mine].min() + s.t1[mine].max() == pytest.approx(1, abs=1e-9)
    for crease in interior_creases(nominal, "M"):
        assert shown_length(nominal, "back", crease) == 0


@pytest.mark.parametrize("name", ["honeycomb L2", "honeycomb L3", "honeycomb L4, cw first", "mixed 8", "rhombi"])
def test_in_front_every_twist_shows_whole_and_raised(plans, name):
    nominal = plans.folded(name)
    s = nominal.views["front"]
    for k, twist in enumerate(nominal.twists):
        sides = [c for c, pair in enumerate(nominal.creases.facets.tolist()) if k in pair]
        assert len(sides) == len(twist.tips)
        for crease in sides:
            a, b = nominal.vertices_mm[nominal.creases.ends[crease]]
            assert shown_length(nominal, "front", crease) == pytest.approx(np.linalg.norm(a - b), rel=1e-9)
            inside = 1 if nominal.creases.facets[crease, 0] == k else -1
            assert set(s.raised[s.crease == crease].tolist()) <= {0, inside}


def test_at_spacing_2_the_front_shows_grooves_between_twists_and_steps_only_at_the_rim(plans):
    nominal = plans.folded("honeycomb L2, 96 twists")
    s = nominal.views["front"]
    outer = np.minimum(s.layers_left, s.layers_right) == 0
    assert (s.raised[~outer] == 0).all()
    assert (s.shared[~outer] == 2).all()
    assert (np.abs(s.raised[outer]) == 1).all()
    assert set(nominal.creases.kind[s.crease].tolist()) == {"M"}


def test_from_spacing_3_on_the_sides_of_twists_are_steps(plans):
    nominal = plans.folded("honeycomb L3")
    s = nominal.views["front"]
    side = np.array([":side" in nominal.creases.ids[c] for c in s.crease])
    assert (np.abs(s.raised[side]) == 1).all()
    assert (s.shared[side] == 1).all()


def test_back_cells_are_hexagons_of_l_minus_1_pitches_with_corners_at_the_folded_twist_centres(plans):
    nominal = plans.folded("honeycomb L3")
    ends = ends_of(nominal, "back")
    first = [k for k in interior_creases(nominal, "V") if {"t0", "t1"} == set(nominal.creases.ids[k][:-2].split("-"))]
    points = ends[nominal.views["back"].crease == first[0]].reshape(-1, 2)
    centres = [twist.planned_mm for twist in nominal.twists[:2]]
    for centre in centres:
        assert np.linalg.norm(points - centre, axis=1).min() == pytest.approx(0, abs=1e-6)


def test_at_the_outer_boundary_the_paper_lies_on_top_of_nothing(nominal):
    for view in ("front", "back"):
        s = nominal.views[view]
        assert (s.raised[s.layers_right == 0] == 1).all()
        assert (s.raised[s.layers_left == 0] == -1).all()


def test_shared_counts_the_creases_on_a_stretch(nominal):
    s = nominal.views["backlit"]
    ends = ends_of(nominal, "backlit")
    middle = ends[:, 0] + 0.4142 * (ends[:, 1] - ends[:, 0])
    a, b = (nominal.vertices_mm[nominal.creases.ends[:, k]] for k in (0, 1))
    along = (b - a) / np.linalg.norm(b - a, axis=1)[:, None]
    offset = middle[:, None] - a
    across = along[:, 0] * offset[..., 1] - along[:, 1] * offset[..., 0]
    t = (offset * along).sum(2) / np.linalg.norm(b - a, axis=1)
    direction = (ends[:, 1] - ends[:, 0]) / np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)[:, None]
    parallel = np.abs(direction[:, None, 0] * along[:, 1] - direction[:, None, 1] * along[:, 0]) < 1e-6
    on = (np.abs(across) < 1e-6 * nominal.pitch_mm) & (t > 0) & (t < 1) & parallel
    np.testing.assert_array_equal(on.sum(1), s.shared)


def test_clear_distance_is_that_to_the_nearest_parallel_edge_that_shows(plans):
    # at spacing 2 the visible edges against the light are the triangular grid: rows one row apart
    nominal = plans.folded("honeycomb L2, 96 twists")
    s = nominal.views["backlit"]
    for crease in interior_creases(nominal, "V"):
        np.testing.assert_allclose(s.clear_mm[s.crease == crease], nominal.row_mm, rtol=1e-9)


def test_clear_distance_by_brute_force(plans):
    nominal = plans.folded("asymmetric")
    for view in VIEWS:
        s, ends = nominal.views[view], ends_of(nominal, view)
        shows = np.ones(len(ends), bool) if view != "backlit" else s.layers_left != s.layers_right
        for k, (p, q) in enumerate(ends):
            along = (q - p) / np.linalg.norm(q - p)
            best = np.inf
            for a, b in ends[shows]:
                t = sorted(((a - p) @ along, (b - p) @ along))
                gaps = [abs(along[0] * (x - p)[1] - along[1] * (x - p)[0]) for x in (a, b)]
                overlap = min(t[1], np.linalg.norm(q - p)) - max(t[0], 0)
                if abs(gaps[0] - gaps[1]) < 1e-6 and overlap > 1e-6 and gaps[0] > 1e-6:
                    sides = [along[0] * (x - p)[1] - along[1] * (x - p)[0] for x in (a, b)]
                    if sides[0] * sides[1] > 0:
                        best = min(best, gaps[0])
            assert s.clear_mm[k] == pytest.approx(best, abs=1e-6)


def test_neighbouring_stretches_of_a_crease_differ(nominal):
    for view in VIEWS:
        s = nominal.views[view]
        look = np.column_stack([s.layers_left, s.layers_right, s.raised, s.shared])
        touching = (np.diff(s.crease) == 0) & (np.abs(s.t0[1:] - s.t1[:-1]) < 1e-9)
        assert (np.diff(look, axis=0)[touching] != 0).any(1).all()


def test_regions_of_the_overlay_hold_the_facets_that_lie_there(nominal):
    overlay = overlay_creases(to_points(nominal.vertices_mm), nominal.creases.ends, nominal.creases.facets)
    assert (overlay.area_mm2 < 0).sum() == 1
    assert len(overlay.nodes) - len(overlay.ends) + len(overlay.layers) == 2  # Euler, the outside counted
    paper = sum(len(layers) * area for layers, area in zip(overlay.layers, overlay.area_mm2, strict=True) if layers)
    x, y = nominal.sheet_outline_mm.T
    assert paper == pytest.approx((x * np.roll(y, -1) - y * np.roll(x, -1)).sum() / 2, rel=1e-9)

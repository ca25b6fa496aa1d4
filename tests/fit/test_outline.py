"""The outline: sides, distances across and corners from a silhouette that is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from foldtrue.fit.lattice import fit_lattice
from foldtrue.fit.outline import opposite_sides, planned_sides
from foldtrue.frames import rotation
from foldtrue.stretches import left_normals, place_numbers


@pytest.fixture(scope="module")
def sides(nominal):
    return planned_sides(nominal.outline_mm)


@pytest.fixture(scope="module")
def silhouette(nominal, sides, sampled):
    """silhouette(offset (6,), angle_deg (6,), noise_mm, hidden sides) -> Features: the piece's folds as planned, and
    every mm of its silhouette once, its sides moved outwards and turned."""

    def make(offset, angle_deg, noise_mm=0.0, hidden=(), per_edge=40):
        s = nominal.views["backlit"]
        inner = sampled(np.zeros_like(nominal.vertices_mm), noise_mm, 2)
        bare = np.flatnonzero(np.minimum(s.layers_left, s.layers_right) == 0)
        use = bare[np.unique(place_numbers(nominal, "backlit")[bare], return_index=True)[1]]
        stretch = np.repeat(use, per_edge)
        t = s.t0[stretch] + (s.t1 - s.t0)[stretch] * np.tile((np.arange(per_edge) + 0.5) / per_edge, len(use))
        ends = nominal.vertices_mm[nominal.creases.ends[s.crease[stretch]]]
        point = ends[:, 0] + (ends[:, 1] - ends[:, 0]) * t[:, None]
        k = np.abs(np.einsum("nkj,kj->nk", point[:, None] - sides.middle, sides.normal)).argmin(1)
        along = np.sum((point - sides.middle[k]) * sides.along[k], 1)
        out = np.asarray(offset)[k] - np.tan(np.radians(np.asarray(angle_deg)[k])) * along
        normal = left_normals(nominal, s.crease[stretch])
        off = out * np.sum(normal * sides.normal[k], 1) + np.random.default_rng(4).normal(0, noise_mm, len(t))
        return replace(
            inner,
            stretch=np.concatenate([inner.stretch, stretch]),
            t=np.concatenate([inner.t, t]),
            offset_mm=np.concatenate([inner.offset_mm, off]),
            std_mm=np.full(len(inner.t) + len(t), max(noise_mm, 1e-4)),
            px_per_mm=np.full(len(inner.t) + len(t), 8.0),
            trust=np.concatenate([inner.trust, np.where(np.isin(k, hidden), 0.0, 1.0)]),
            piece=np.concatenate([inner.piece, stretch]),
        )

    return make


def test_sides_run_counter_clockwise_and_face_outwards(nominal, sides):
    np.testing.assert_allclose(np.sum(sides.middle * sides.normal, 1), 80.0)  # H - 3 R a = 240 - 6 * 13.33, halved
    np.testing.assert_allclose(sides.length_mm, 160 / np.sqrt(3))


def test_a_hexagon_has_three_pairs_of_opposite_sides_and_a_triangle_none(sides):
    assert opposite_sides(sides).tolist() == [[0, 3], [1, 4], [2, 5]]
    corners = np.array([[0.0, 0], [60, 0], [30, 52]])
    assert opposite_sides(planned_sides(corners)).shape == (0, 2)


@given(turn=st.floats(-180, 180))
def test_which_sides_are_opposite_does_not_change_with_the_turn(turn):
    square = np.array([[-50.0, -50], [50, -50], [50, 50], [-50, 50]]) @ rotation(turn).T
    assert opposite_sides(planned_sides(square)).tolist() == [[0, 2], [1, 3]]


def test_sides_come_out_where_they_are_but_for_the_shift_that_all_share(nominal, silhouette, plane):
    offset = np.array([0.2, -0.1, 0.05, 0.1, -0.2, -0.05])
    angle = np.array([0.1, 0.0, -0.2, 0.05, 0.15, -0.1])
    found = fit_lattice(silhouette(offset, angle), plane, nominal).outline
    np.testing.assert_allclose(found.seen, 1.0)
    shared = found.offset_mm - offset
    np.testing.assert_allclose(shared, shared.mean(), atol=1e-3)
    np.testing.assert_allclose(found.angle_deg, angle, atol=2e-3)
    relative = found.across_error_mm - found.across_error_mm.mean()
    across = offset[:3] + offset[3:]
    np.testing.assert_allclose(relative, across - across.mean(), atol=1e-3)


def test_the_shift_that_all_sides_share_is_in_every_offset_and_not_in_their_differences(nominal, silhouette, plane):
    """Glare moves the whole silhouette: a prior of 0.3 mm, of which the folds inside tell little."""
    found = fit_lattice(silhouette(np.zeros(6), np.zeros(6), 0.005), plane, nominal).outline
    assert np.sqrt(np.diag(found.cov))[:6].min() > 0.05
    level = np.eye(3) - 1 / 3
    assert np.sqrt(np.diag(level @ found.across_cov_mm2 @ level.T)).max() < 0.02


def test_a_corner_is_where_its_two_sides_meet(nominal, sides, silhouette, plane):
    offset = np.array([0.3, 0.0, 0.0, 0.0, 0.0, 0.0])
    found = fit_lattice(silhouette(offset, np.zeros(6)), plane, nominal).outline
    for k in range(6):
        for side in (k - 1, k):
            assert found.corner_error_mm[k] @ sides.normal[side] == pytest.approx(found.offset_mm[side], abs=2e-3)


def test_turned_sides_meet_where_their_lines_do(nominal, sides, silhouette, plane):
    angle = np.array([0.2, 0.0, 0.0, 0.0, 0.0, 0.0])
    found = fit_lattice(silhouette(np.zeros(6), angle), plane, nominal).outline
    rise = np.tan(np.radians(0.2)) * sides.length_mm[0] / 2
    at = [found.corner_error_mm[0] @ sides.normal[0], found.corner_error_mm[1] @ sides.normal[0]]
    assert at[0] - at[1] == pytest.approx(2 * rise, abs=3e-3)  # ccw: the start goes out, the end comes in


def test_a_side_that_is_not_seen_takes_its_corners_and_its_distance_with_it(nominal, silhouette, plane):
    found = fit_lattice(silhouette(np.zeros(6), np.zeros(6), 0.005, hidden=(2,)), plane, nominal).outline
    assert found.flags == ((), (), ("edge_not_seen",), (), (), ())
    assert np.isnan(found.offset_mm).tolist() == [False, False, True, False, False, False]
    assert np.isnan(found.across_error_mm).tolist() == [False, False, True]
    assert np.isnan(found.corner_error_mm[:, 0]).tolist() == [False, False, True, True, False, False]
    assert found.seen[2] == 0

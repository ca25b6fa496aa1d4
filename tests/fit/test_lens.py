"""The lens term from the straightness of edges, and only from that."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from foldtrue.fit.lens import (
    contradicted_by_places,
    doubted_by_places,
    lens_by_places,
    lens_from_bends,
    planned_points,
)
from foldtrue.frames import apply_homography


def test_straight_edges_say_there_is_no_lens_term(nominal, sampled, plane):
    flat = replace(plane, map=replace(plane.map, k1=0.0))
    change, std, _ = lens_from_bends(sampled(np.zeros_like(nominal.vertices_mm), 0.002), nominal, "backlit", flat.map)
    assert abs(change) < 3 * std
    assert std < 0.01


@pytest.mark.parametrize("true", [-0.1, 0.06])
def test_bent_edges_give_the_lens_term(nominal, sampled, plane, true):
    flat = replace(plane.map, k1=0.0)
    features = sampled(np.zeros_like(nominal.vertices_mm), 0.002)
    points, normal = planned_points(features, nominal, "backlit")
    features.offset_mm[:] += true * np.sum(flat.radial_field(points) * normal, 1)
    change, std, _ = lens_from_bends(features, nominal, "backlit", flat)
    assert change == pytest.approx(true, abs=max(4 * std, 0.004))


def test_edges_bowed_alike_towards_the_dark_are_not_taken_for_a_lens(nominal, sampled, plane):
    flat = replace(plane.map, k1=0.0)
    features = sampled(np.zeros_like(nominal.vertices_mm), 0.002)
    s = nominal.views["backlit"]
    dark = np.where(s.layers_left > s.layers_right, 1.0, -1.0)[features.stretch]
    features.offset_mm[:] += 0.1 * dark * (features.t - 0.5) ** 2
    change, std, _ = lens_from_bends(features, nominal, "backlit", flat)
    assert abs(change) < max(3 * std, 0.004)


def bent_at_random(nominal, sampled, size_mm, seed):
    """Every edge bowed by a draw of its own, as old creases and clouds in the paper do."""
    features = sampled(np.zeros_like(nominal.vertices_mm), 0.003, seed)
    bow = np.random.default_rng([seed, 1]).normal(0, size_mm, len(nominal.creases.ids))
    crease = nominal.views["backlit"].crease[features.stretch]
    features.offset_mm[:] += bow[crease] * (features.t - 0.5) ** 2
    return features


def test_the_stated_uncertainty_of_the_lens_is_its_scatter_over_pieces(nominal, sampled, plane, monkeypatch):
    """50 draws of paper that bends every edge by 0.05 mm; the prior is set aside, which would hold the answer at
    zero. Few long edges carry the most, so the residuals alone would state too little."""
    from foldtrue.fit import lens

    monkeypatch.setattr(lens, "weighed", lambda found, std, kept: (found, std))
    flat = replace(plane.map, k1=0.0)
    runs = [lens_from_bends(bent_at_random(nominal, sampled, 0.05, k), nominal, "backlit", flat) for k in range(50)]
    found, std = np.array([r[0] for r in runs]), np.array([r[1] for r in runs])
    assert found.std() == pytest.approx(np.sqrt(np.mean(std**2)), rel=0.25)
    assert abs(found.mean()) < 3 * found.std() / np.sqrt(50)


def test_one_edge_bent_by_hand_makes_the_lens_less_sure_and_no_liar(nominal, sampled, plane):
    flat = replace(plane.map, k1=0.0)
    plain = sampled(np.zeros_like(nominal.vertices_mm), 0.002)
    bent = sampled(np.zeros_like(nominal.vertices_mm), 0.002)
    crease = nominal.views["backlit"].crease[bent.stretch]
    longest = np.hypot(*np.diff(nominal.vertices_mm[nominal.creases.ends], axis=1)[:, 0].T)[crease].argmax()
    bent.offset_mm[:] += np.where(crease == crease[longest], 1.0 * (bent.t - 0.5) ** 2, 0.0)
    change, std, _ = lens_from_bends(bent, nominal, "backlit", flat)
    assert std > lens_from_bends(plain, nominal, "backlit", flat)[1]
    assert abs(change) < 3 * std


def test_radial_field_is_the_shift_per_unit_of_k1(plane):
    """Against finite differences: the pixel held fixed, k1 changed."""
    flat = replace(plane.map, k1=0.0)
    points = np.array([[30.0, 20.0], [-40.0, 10.0]])
    px = apply_homography(flat.homography, points)
    step = 1e-5
    moved = (points - replace(flat, k1=step).to_mm(px)) / step
    np.testing.assert_allclose(flat.radial_field(points), moved, rtol=1e-3)


def centres_of(nominal):
    return np.array([t.planned_mm for t in nominal.twists])


def test_a_lens_term_that_the_places_do_not_bear_out_is_contradicted(nominal, plane):
    """Bows of 0.14 that the lens has not: what was taken off the edges shifts all twists by the radial field."""
    taken = replace(plane.map, k1=0.14)
    rng, planned = np.random.default_rng(1), centres_of(nominal)
    found = planned - 0.14 * taken.radial_field(planned) + rng.normal(0, 0.02, planned.shape)
    assert contradicted_by_places(taken, planned, found)


def test_a_lens_term_that_is_true_is_never_contradicted_by_errors_of_folding(nominal, plane):
    """200 pieces with errors of 0.1 mm: five standard deviations of a normal law are passed once in a million."""
    taken = replace(plane.map, k1=0.05)
    rng, planned = np.random.default_rng(2), centres_of(nominal)
    for _ in range(200):
        assert not contradicted_by_places(taken, planned, planned + rng.normal(0, 0.1, planned.shape))


def test_places_tell_the_lens_they_were_moved_by(nominal, plane):
    """200 pieces with errors of 0.1 mm: as far off as is stated."""
    wrong = replace(plane.map, k1=0.02)
    rng, planned = np.random.default_rng(3), centres_of(nominal)
    found = planned + 0.05 * wrong.radial_field(planned)
    told = np.array([lens_by_places(wrong, planned, found + rng.normal(0, 0.1, found.shape)) for _ in range(200)])
    assert np.mean(told[:, 0]) == pytest.approx(0.07, abs=3 * np.std(told[:, 0]) / np.sqrt(200))
    assert np.std(told[:, 0]) == pytest.approx(np.mean(told[:, 1]), rel=0.25)


def test_too_few_places_tell_nothing_of_the_lens(plane):
    few = np.array([[0.0, 0.0], [30.0, 0.0], [0.0, 30.0], [-30.0, 0.0], [0.0, -30.0]])
    assert lens_by_places(plane.map, few, few) == (0.0, float("inf"))


UNTOLD = (0.0, float("inf"))


def test_places_that_speak_for_another_lens_widen_its_doubt_to_hold_that():
    """Folds too short to tell: most cameras correct their lens, this one's places lie as if it did not."""
    assert 2 * doubted_by_places(0.0, 0.03, UNTOLD, (-0.1, 0.02)) > 0.1


def test_places_that_agree_with_the_folds_leave_the_doubt_as_it_is():
    assert doubted_by_places(0.05, 0.01, (0.05, 0.01), (0.04, 0.03)) == 0.01


def test_a_doubt_is_left_as_it_is_where_places_tell_nothing():
    assert doubted_by_places(0.0, 0.03, (0.02, 0.05), UNTOLD) == 0.03

"""The lens term from the straightness of edges, and only from that."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from foldtrue.fit.lens import lens_from_bends, planned_points, radial_field
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
    features.offset_mm[:] += true * np.sum(radial_field(flat, points) * normal, 1)
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


def test_radial_field_is_the_shift_per_unit_of_k1(plane):
    """Against finite differences: the pixel held fixed, k1 changed."""
    flat = replace(plane.map, k1=0.0)
    points = np.array([[30.0, 20.0], [-40.0, 10.0]])
    px = apply_homography(flat.homography, points)
    step = 1e-5
    moved = (points - replace(flat, k1=step).to_mm(px)) / step
    np.testing.assert_allclose(radial_field(flat, points), moved, rtol=1e-3)

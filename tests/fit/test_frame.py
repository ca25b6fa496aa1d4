"""The frame in which a photo's plan was found, by the outline and its shadow, is no knowledge of the piece."""

from __future__ import annotations

import numpy as np
import pytest
from lit_folds import lines_of
from panels import folded_panel

from foldtrue.fit.form import spread_std
from foldtrue.fit.network import solve_network
from foldtrue.fit.weak import Weak

NOISE_MM = 0.8  # per sample: edges that tell little, as in a small or blurred photo


@pytest.fixture(scope="module")
def tiled():
    """24 triangles that tile the front: at its outline nothing but edges beside the table."""
    return folded_panel(2, 16)


def centres(nominal, vertices):
    return np.array([vertices[list(t.tips)].mean(0) for t in nominal.twists])


def growth(nominal, displacement):
    """By how much the twists lie farther apart, relative."""
    planned = centres(nominal, nominal.vertices_mm)
    arm = planned - planned.mean(0)
    return float(np.sum(centres(nominal, displacement) * arm) / np.sum(arm**2))


def solved(nominal, lines):
    """As from the camera's side."""
    weak = Weak(place_mm=0.06 * nominal.pitch_mm, shift_mm=0.1, kind_shift_mm=0.1, frame=0.03)
    return solve_network(lines, nominal, weak, judge_by_shape=True)


def test_edges_that_tell_little_are_not_drawn_to_a_frame_that_is_too_large(tiled):
    """A frame 1 % too large shows the piece 1 % too small; of 12 photos the mean must say so, not a part of it."""
    smaller = -0.01 * tiled.vertices_mm
    found = [
        growth(tiled, solved(tiled, lines_of(tiled, "front", smaller, noise_mm=NOISE_MM, seed=s)).displacement_mm)
        for s in range(12)
    ]
    assert np.mean(found) == pytest.approx(-0.01, abs=3 * np.std(found, ddof=1) / np.sqrt(12))
    assert np.mean(found) < -0.009


def test_a_vertex_that_nothing_shows_moves_with_the_rest_of_the_piece(tiled):
    """Shifted, turned and grown as a whole, all but the sides of one twist seen: that one is where the others say."""
    whole = 0.004 * tiled.vertices_mm + [0.3, -0.2]
    lines = lines_of(tiled, "front", whole, noise_mm=0.002)
    tips = tiled.twists[0].tips
    seen = ~np.isin(tiled.creases.ends[lines.crease], tips).any(1)
    seen &= ~np.isin(tiled.creases.ends[np.maximum(lines.pair, 0)], tips).any(1) | (lines.pair < 0)
    found = solved(tiled, lines.pick(np.flatnonzero(seen))).displacement_mm[list(tips)].mean(0)
    np.testing.assert_allclose(found, whole[list(tips)].mean(0), atol=0.02)


def test_a_shadow_beside_the_outline_does_not_spread_the_twists(tiled):
    """All edges beside the table seen 0.4 mm too far out: the twists lie where the grooves between them say."""
    lines = lines_of(tiled, "front", noise_mm=0.01)
    assert lines.on_table.sum() == 24  # two stretches on each of twelve sides
    outward = -lines.dark * lines.on_table  # along the left normals
    shifted = np.where(lines.on_table, 0.4 * outward, 0.0)
    moved = type(lines)(**{**vars(lines), "offset_mm": lines.offset_mm + shifted})
    reach = np.hypot(*centres(tiled, tiled.vertices_mm).T).max()
    assert abs(growth(tiled, solved(tiled, moved).displacement_mm)) * reach < 0.04


def test_against_the_light_no_edge_lies_beside_a_table(tiled):
    assert not lines_of(tiled, "backlit").on_table.any()


def test_independent_errors_of_places_average_out_of_their_spread():
    """Least squares: s over the root of the sum of the squared distances from the middle."""
    planned = np.array([[13.0, 5.0], [10.0, 9.0], [7.0, 5.0], [10.0, 1.0]])
    cov = np.diag(np.tile([0.01, 0.01, 1.0, 1.0], 4))
    assert spread_std(planned, cov) == pytest.approx(0.1 / np.sqrt(50.0))


def test_errors_that_spread_all_places_alike_do_not_average_out():
    planned = np.array([[3.0, 0], [0, 4.0], [-3.0, 0], [0, -4.0]])
    by_one = np.concatenate([0.002 * planned, np.zeros((4, 2))], 1).ravel()
    assert spread_std(planned, np.outer(by_one, by_one)) == pytest.approx(0.002)

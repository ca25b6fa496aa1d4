"""Unused creases in the network: made samples of known pieces, without any picture."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lit_folds import lines_of
from panels import folded_panel
from unused_creases import motions, samples, strayed, with_stray

from foldtrue.fit.network import solve_network
from foldtrue.fit.poses import pose_rows
from foldtrue.fit.precreases import astray_mm, precrease_equations, precrease_lines, precrease_values
from foldtrue.fit.turned import line_surplus
from foldtrue.fit.weak import Weak, set_up
from foldtrue.frames import PlaneMap

FLAT_MAP = PlaneMap(np.diag([8.0, 8.0, 1.0]), 0.0, np.zeros(2), 3000.0)
SPACED = {2: folded_panel(2, 16), 3: folded_panel(3, 24)}


def errors(nominal, seed, size_mm=0.15):
    return np.random.default_rng([seed, 1]).normal(0, size_mm, nominal.vertices_mm.shape)


def weak_of(nominal):
    return Weak(place_mm=0.06 * nominal.pitch_mm, shift_mm=0.1, kind_shift_mm=0.1, frame=0.03, overturn_deg=0.7)


def unused_of(nominal, displacement, astray, seed=0, **more):
    return precrease_lines(
        samples(nominal, displacement, motions(nominal, astray, seed), **more), nominal, FLAT_MAP, 0.0
    )


def solved(nominal, displacement, unused, seed=0, on_top=None):
    lines = lines_of(nominal, "front", displacement, on_top=on_top, noise_mm=0.02, seed=seed)
    return solve_network(lines, nominal, weak_of(nominal), judge_by_shape=True, unused=unused)


def place_rms(nominal, network, displacement):
    """Root mean square error of the twists' places, mm, after the whole piece's shift."""
    off = network.displacement_mm - displacement
    centre = np.array([off[list(t.tips)].mean(0) for t in nominal.twists])
    return float(np.sqrt(np.mean(np.sum((centre - centre.mean(0)) ** 2, 1))))


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_equations_predict_where_creases_lie(seed):
    """Small displacements and motions of the paper, without noise: what is predicted is what was made."""
    nominal = SPACED[2]
    moved, motion = errors(nominal, seed, 1e-3), motions(nominal, 1e-3, seed)
    unused = precrease_lines(samples(nominal, moved, motion, noise_mm=0.0), nominal, FLAT_MAP, 0.0)
    lines = lines_of(nominal, "front", moved)
    setup = set_up(lines, nominal, weak_of(nominal), unused=unused)
    x = np.zeros(setup.size)
    known = setup.unknown_of >= 0
    x[: setup.shift_column] = moved[known][np.argsort(setup.unknown_of[known])].ravel()
    x[setup.paper_column : setup.paper_column + setup.motions] = motion[np.unique(unused.creases.facet)].ravel()
    predicted = precrease_equations(unused, setup) @ x
    np.testing.assert_allclose(predicted, precrease_values(unused, 0 * moved), atol=2e-6)


@given(st.integers(0, 2**32 - 1))
def test_what_is_not_linear_is_what_an_exact_construction_leaves(seed):
    """The line through two moved points, cut with the planned normal at two places: offset and slope to rounding."""
    rng = np.random.default_rng(seed)
    planned = np.array([[[0.0, 0.0], [30.0, 0.0]]])
    moved, t = rng.normal(0, 1.5, (1, 2, 2)), rng.uniform(0, 1, 1)
    (p, q) = planned[0] + moved[0]

    def height(x):
        return p[1] + (x - p[0]) * (q[1] - p[1]) / (q[0] - p[0])

    exact = np.array([height(30.0 * t[0]), height(30.0) - height(0.0)])
    near, far = moved[0, :, 1]
    linear = np.array([(1 - t[0]) * near + t[0] * far, far - near])
    left = line_surplus(planned, moved, np.array([[0.0, 1.0]]), t)[0]
    np.testing.assert_allclose(left, exact - linear, atol=1e-9)


def test_creases_place_twists_that_grooves_do_not():
    """At spacing 2 which edge of a groove shows is unknown; three creases cross every twist."""
    nominal = SPACED[2]
    on_top = np.random.default_rng(3).random(len(nominal.creases.ids)) < 0.5
    moved = errors(nominal, 1)
    alone = solved(nominal, moved, None, on_top=on_top)
    both = solved(nominal, moved, unused_of(nominal, moved, 0.0), on_top=on_top)
    assert place_rms(nominal, both, moved) < 0.4 * place_rms(nominal, alone, moved)


@pytest.mark.parametrize("spacing", [2, 3])
def test_folds_far_from_the_grid_leave_the_edges_alone_to_tell(spacing):
    """Paper astray by twice what the folds themselves are off by: the same solution as without creases."""
    nominal = SPACED[spacing]
    moved = errors(nominal, 2)
    alone = solved(nominal, moved, None)
    both = solved(nominal, moved, unused_of(nominal, moved, 0.3))
    np.testing.assert_array_equal(both.displacement_mm, alone.displacement_mm)


def test_faint_creases_that_miss_their_places_do_not_cost_sure_ones_their_say():
    """One in five is read ten times less surely and lies twenty of the others' uncertainties off. How far creases miss
    each other is asked of the sure ones too: they agree."""
    nominal = SPACED[2]
    moved = errors(nominal, 4)
    seen = samples(nominal, moved, motions(nominal, 0.0))
    rows = np.arange(0, len(seen.found), 5)
    faint = np.isin(seen.crease, rows)
    off = np.random.default_rng(4).normal(0, 0.1, len(rows))
    strayed_too = replace(with_stray(seen, rows, off), std_mm=np.where(faint, 10 * seen.std_mm, seen.std_mm))
    alone = place_rms(nominal, solved(nominal, moved, None, on_top=None), moved)
    some = solved(nominal, moved, precrease_lines(strayed_too, nominal, FLAT_MAP, 0.0))
    assert place_rms(nominal, some, moved) < 0.4 * alone


def test_one_twist_folded_beside_the_grid_does_not_follow_its_creases():
    nominal = SPACED[3]
    moved = errors(nominal, 4)
    seen = samples(nominal, moved, motions(nominal, 0.01))
    own = np.flatnonzero(seen.creases.facet == np.unique(seen.creases.facet)[5])
    stray = precrease_lines(with_stray(seen, own, 0.6 * np.array([1.0, -0.5, 0.8])), nominal, FLAT_MAP, 0.0)
    twist = next(t for t in nominal.twists if set(t.tips) == set(nominal.facets[seen.creases.facet[own[0]]].vertices))
    found = solved(nominal, moved, stray).displacement_mm[list(twist.tips)].mean(0)
    assert np.hypot(*(found - moved[list(twist.tips)].mean(0))) < 0.15


@pytest.mark.parametrize("seed", range(3))
def test_places_are_as_unsure_as_stated(seed):
    """With creases somewhat astray: mean square of 48 places' errors over their stated variances, both less what all
    places share; neighbours are not independent, hence a third to twice."""
    nominal = SPACED[3]
    moved = errors(nominal, 10 + seed)
    network = solved(nominal, moved, unused_of(nominal, moved, 0.03, seed), seed)
    off, columns = [], np.zeros((network.size, 2 * len(nominal.twists)))
    for k, (rows, twist) in enumerate(zip(pose_rows(nominal), nominal.twists, strict=True)):
        unknown = network.unknown_of[list(twist.tips)]
        columns[np.stack([2 * unknown, 2 * unknown + 1], 1).ravel(), 2 * k : 2 * k + 2] = rows[:2].T
        off.append(rows[:2] @ (network.displacement_mm - moved)[list(twist.tips)].ravel())
    off = np.array(off) - np.mean(off, 0)
    columns -= np.tile(columns.reshape(network.size, -1, 2).mean(1), len(off))
    variance = np.sum(columns * network.factor.solve(columns), 0)
    assert 1 / 3 < float(np.mean(off.ravel() ** 2 / variance)) < 2.0


@pytest.mark.parametrize("true_mm", [0.0, 0.05, 0.2])
def test_how_far_folds_miss_the_grid_is_found(true_mm):
    """Motions of 24 facets, each known to 0.05 mm, drawn with a known spread; the mean over 200 draws."""
    rng = np.random.default_rng(7)
    own, before = 0.05, 1.0
    cov = np.eye(72) / (own**-2 + before**-2)
    told = [
        astray_mm(cov[0, 0] / own**2 * (true_mm * rng.normal(size=72) + own * rng.normal(size=72)), cov, before)
        for _ in range(200)
    ]
    assert np.sqrt(np.mean(np.square(told))) == pytest.approx(true_mm, abs=0.02)


def test_a_few_facets_far_out_do_not_tell_of_the_others():
    rng = np.random.default_rng(8)
    own, before = 0.05, 1.0
    cov = np.eye(72) / (own**-2 + before**-2)
    found = own * rng.normal(size=72)
    found[:6] += 0.8
    assert astray_mm(found, cov, before) < 0.04


def test_what_cannot_be_told_from_nothing_is_not_nothing():
    cov = np.eye(9) / (0.1**-2 + 1.0)
    assert astray_mm(np.zeros(9), cov, 1.0) > 0.02


def test_paper_that_moves_against_its_corners_moves_its_creases():
    nominal = SPACED[3]
    seen = samples(nominal, 0 * nominal.vertices_mm, motions(nominal, 0.0))
    motion = np.zeros((len(nominal.facets), 3))
    motion[:, 0] = 0.2
    ends = strayed(nominal, seen.creases, nominal.vertices_mm, motion)
    np.testing.assert_allclose(ends - seen.creases.ends(nominal.vertices_mm), [[[0.2, 0.0]] * 2] * len(ends))

"""Where is looked: every edge that shows, nowhere that another edge disturbs."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from foldtrue.detect.scan import block_mean, cross_lines_at, find_targets, split_at_crossings
from foldtrue.frames import PlaneMap
from foldtrue.stretches import stretch_ends

PLANE = PlaneMap(
    np.array([[6.0, 0.8, 700.0], [0.7, -6.2, 560.0], [2e-4, 1e-4, 1.0]]), -0.04, np.array([700.0, 560.0]), 1400.0
)


@pytest.fixture(scope="module")
def whole(nominal):
    return find_targets(nominal, "backlit")


@pytest.fixture(scope="module")
def parts(nominal, whole):
    return split_at_crossings(whole, nominal, "backlit")


def ends_mm(targets):
    start = targets.start_mm[targets.edge]
    d = targets.end_mm[targets.edge] - start
    return start + d * targets.t0[:, None], start + d * targets.t1[:, None]


def test_every_lone_edge_with_a_step_is_looked_at_once(nominal, whole):
    s = nominal.views["backlit"]
    lone = np.flatnonzero((s.layers_left != s.layers_right) & (s.shared == 1) & (s.t1 > s.t0))
    assert set(lone) <= set(whole.stretch)
    assert len(set(whole.stretch)) == len(whole.stretch)


def test_edges_that_cancel_are_not_looked_at(nominal, whole):
    s = nominal.views["backlit"]
    assert (s.layers_left[whole.stretch] != s.layers_right[whole.stretch]).all()


def test_lines_shared_by_several_creases_are_looked_at_only_as_silhouette(nominal, whole):
    s = nominal.views["backlit"]
    many = s.shared[whole.stretch] > 1
    assert many.any()
    assert whole.silhouette[many].all()
    p, q = ends_mm(whole)
    middles = np.round((p + q)[many] / 2, 6)
    assert len(np.unique(middles, axis=0)) == many.sum()


def test_splitting_loses_no_length(whole, parts):
    for e in range(len(whole.crease)):
        before = np.sum((whole.t1 - whole.t0)[whole.edge == e])
        assert np.sum((parts.t1 - parts.t0)[parts.edge == e]) == pytest.approx(before, abs=1e-6)


def test_no_edge_crosses_the_inside_of_a_part(nominal, parts):
    """Every part against every visible stretch, by orientation signs."""
    s = nominal.views["backlit"]
    seen = np.flatnonzero((s.layers_left != s.layers_right) & (s.t1 > s.t0))
    ends = nominal.vertices_mm[nominal.creases.ends[s.crease[seen]]]
    d = ends[:, 1] - ends[:, 0]
    a, b = ends[:, 0] + d * s.t0[seen][:, None], ends[:, 0] + d * s.t1[seen][:, None]
    p, q = ends_mm(parts)
    p, q = p + 1e-3 * (q - p), q + 1e-3 * (p - q)

    def side(u, v, w):
        return (v[..., 0] - u[..., 0]) * (w[..., 1] - u[..., 1]) - (v[..., 1] - u[..., 1]) * (w[..., 0] - u[..., 0])

    p, q, a, b = p[:, None], q[:, None], a[None], b[None]
    cross = (side(p, q, a) * side(p, q, b) < -1e-9) & (side(a, b, p) * side(a, b, q) < -1e-9)
    assert not cross.any()


def test_the_nearest_edge_that_does_not_meet_a_part_is_told(nominal, whole, parts):
    """By points laid close along every edge that shows; an edge that meets the part is 0 away."""
    s, (a, b) = nominal.views["backlit"], stretch_ends(nominal, "backlit")
    seen = np.flatnonzero((s.layers_left != s.layers_right) & (s.t1 > s.t0))
    along = np.linspace(0, 1, 101)[:, None, None]
    theirs = a[seen] + (b - a)[seen] * along
    start, stop = ends_mm(whole)
    nearest = np.full(len(whole.edge), np.inf)
    for k in range(len(nearest)):
        mine = start[k] + (stop - start)[k] * np.linspace(0, 1, 401)[:, None]
        apart = cKDTree(mine).query(theirs)[0].min(0)
        nearest[k] = apart[apart > 0.02 * nominal.pitch_mm].min()
    of = [np.flatnonzero(whole.stretch == stretch)[0] for stretch in parts.stretch]
    told = np.isfinite(parts.beside_mm)
    assert told.mean() > 0.9
    np.testing.assert_allclose(parts.beside_mm[told], nearest[of][told], atol=0.02 * nominal.pitch_mm)


def test_picked_edges_keep_their_intervals(parts):
    picked, intervals = parts.pick_edges(np.array([7, 2]))
    np.testing.assert_array_equal(picked.crease, parts.crease[[7, 2]])
    np.testing.assert_array_equal(np.array([7, 2])[picked.edge], parts.edge[intervals])
    assert set(intervals) == set(np.flatnonzero(np.isin(parts.edge, [2, 7])))


def test_block_means_equal_numpys():
    rng = np.random.default_rng(1)
    block = np.repeat(np.arange(6), [3, 1, 4, 2, 5, 1])
    values = rng.normal(size=(len(block), 7))
    wanted = [values[block == k].mean(0) for k in range(6)]
    np.testing.assert_allclose(block_mean(values, block, 6), wanted)


@pytest.fixture(scope="module")
def lines(parts):
    edges = len(parts.crease)
    offset, slope = np.linspace(-0.2, 0.3, edges), np.linspace(0.1, -0.1, edges)
    found = cross_lines_at(
        parts, PLANE, offset, slope, margin_mm=0.5, clear_mm=0.6, spacing_px=1.0, half_width_px=5.0, block_px=6.0
    )
    return found, offset, slope


def test_cross_lines_stand_on_the_current_line_of_their_edge(parts, lines):
    found, offset, slope = lines
    e, t = found.edge, found.t[:, None]
    place = parts.start_mm[e] * (1 - t) + parts.end_mm[e] * t
    place = place + parts.normal[e] * (offset[e] + slope[e] * (found.t - 0.5))[:, None]
    np.testing.assert_allclose((found.low_px + found.high_px) / 2, PLANE.to_px(place), atol=0.02)


def test_cross_lines_have_the_length_asked_for_and_point_left(parts, lines):
    found = lines[0]
    np.testing.assert_allclose(np.hypot(*(found.high_px - found.low_px).T), 10.0, rtol=2e-3)
    # The photo's y is down: the high end, mapped back, lies on the side of the left normal.
    away = PLANE.to_mm(found.high_px) - PLANE.to_mm(found.low_px)
    np.testing.assert_allclose(np.sum(away * parts.normal[found.edge], 1), np.hypot(*away.T), rtol=1e-3)


def test_scale_across_is_photo_length_per_plan_length(parts, lines):
    found = lines[0]
    away = np.hypot(*(PLANE.to_mm(found.high_px) - PLANE.to_mm(found.low_px)).T)
    np.testing.assert_allclose(found.px_per_mm, 10.0 / away, rtol=2e-3)


def test_cross_lines_keep_clear_of_the_ends_of_their_part(parts, lines):
    found = lines[0]
    length = parts.length_mm[found.edge]
    near = np.minimum(found.t - parts.t0[found.interval], parts.t1[found.interval] - found.t) * length
    assert near.min() >= 0.5


def test_every_pixel_along_an_edge_is_scanned_once(lines):
    found = lines[0]
    middle = (found.low_px + found.high_px) / 2
    same = (np.diff(found.interval) == 0) & (np.diff(found.block) == 0)
    step = np.hypot(*np.diff(middle, axis=0).T)[same]
    assert np.median(step) == pytest.approx(1.0, abs=0.1)
    assert step.max() < 1.6


def test_blocks_belong_to_one_part_each(lines):
    found = lines[0]
    np.testing.assert_array_equal(found.block_interval[found.block], found.interval)
    np.testing.assert_array_equal(found.block_edge[found.block], found.edge)
    count = np.bincount(found.block)
    np.testing.assert_allclose(found.block_t, np.bincount(found.block, found.t) / count)

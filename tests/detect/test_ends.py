"""Where the clear parts of edges end once the folded vertices are known."""

from __future__ import annotations

import numpy as np
import pytest

from foldtrue.detect.ends import moved_ends
from foldtrue.detect.scan import crossings, find_targets, seen_stretches, split_at_crossings
from foldtrue.stretches import stretch_ends


@pytest.fixture(scope="module")
def parts(nominal):
    return split_at_crossings(find_targets(nominal, "backlit"), nominal, "backlit")


def test_a_piece_as_planned_keeps_its_ends(nominal, parts):
    moved = moved_ends(parts, nominal, "backlit", nominal.vertices_mm)
    np.testing.assert_allclose(moved.t0, parts.t0, atol=1e-6)
    np.testing.assert_allclose(moved.t1, parts.t1, atol=1e-6)


def test_a_piece_shifted_as_a_whole_takes_its_ends_with_it(nominal, parts):
    """Along each edge by the shift's part in its direction; the samples stay numbered by the plan's t."""
    shift = np.array([0.31, -0.17])
    moved = moved_ends(parts, nominal, "backlit", nominal.vertices_mm + shift)
    way = ((parts.end_mm - parts.start_mm) / parts.length_mm[:, None] ** 2)[parts.edge]
    np.testing.assert_allclose(moved.t0 - parts.t0, way @ shift, atol=1e-6)
    np.testing.assert_allclose(moved.t1 - parts.t1, way @ shift, atol=1e-6)


def test_no_moved_edge_crosses_the_inside_of_a_moved_part(nominal, parts):
    """Every vertex off by a twentieth of a pitch. Where three edges no longer meet in one point, a part ends at the
    first of them."""
    rng = np.random.default_rng(4)
    vertices = nominal.vertices_mm + rng.normal(0, 0.05 * nominal.pitch_mm, nominal.vertices_mm.shape)
    moved = moved_ends(parts, nominal, "backlit", vertices)
    s, (a, b) = nominal.views["backlit"], stretch_ends(nominal, "backlit")
    seen = seen_stretches(nominal, "backlit")
    index, _, _, other = crossings(parts, a[seen], b[seen], nominal.pitch_mm)
    ends = nominal.creases.ends
    p, q = (vertices[ends[parts.crease[parts.edge[index]], k]] for k in (0, 1))
    start, way = parts.start_mm[parts.edge[index]], (parts.end_mm - parts.start_mm)[parts.edge[index]]
    theirs = ends[s.crease[seen[other]]]
    side = []
    for t in (moved.t0[index] + 1e-6, moved.t1[index] - 1e-6):
        along = np.sum((start + way * t[:, None] - p) * way, 1) / np.sum((q - p) * way, 1)
        point, line = p + (q - p) * along[:, None] - vertices[theirs[:, 0]], np.diff(vertices[theirs], axis=1)[:, 0]
        side.append(line[:, 0] * point[:, 1] - line[:, 1] * point[:, 0])
    open_part = (moved.t1 > moved.t0 + 1e-3)[index]
    assert open_part.mean() > 0.9
    assert (side[0] * side[1] > 0)[open_part].mean() > 0.99


def test_no_end_goes_far_after_an_edge_that_is_off_by_a_pitch(nominal, parts):
    rng = np.random.default_rng(5)
    vertices = nominal.vertices_mm + rng.normal(0, nominal.pitch_mm, nominal.vertices_mm.shape)
    moved = moved_ends(parts, nominal, "backlit", vertices)
    length = parts.length_mm[parts.edge]
    assert np.abs((moved.t0 - parts.t0) * length).max() < 0.41 * nominal.pitch_mm

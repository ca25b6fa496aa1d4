"""What an edge must stand out of: what the same search finds by chance, where nothing is planned."""

from __future__ import annotations

import numpy as np
import pytest
from painted_edges import folded, plane_of

from foldtrue.detect.acquire import Lines
from foldtrue.detect.decoys import above_chance, clear_of_plan, decoy_blocks, planned_points
from foldtrue.detect.scan import cross_lines_at, find_targets, split_at_crossings
from foldtrue.stretches import stretch_ends


def of_score(score):
    """Edges with these scores."""
    nothing = np.zeros(len(score))
    return Lines(nothing, nothing, np.asarray(score, float), np.full(len(score), 5.0))


def decoys(mean, spread, edges, seed=0):
    """To both sides of so many edges, scattered like noise."""
    rng = np.random.default_rng(seed)
    return [of_score(rng.normal(mean, spread, edges)) for _ in range(2)]


def of_one_kind(score, beside):
    """Which edges stand out, and whether the kind shows, of edges that are all of one kind."""
    kind = np.zeros(len(score), np.int64)
    found, shows = above_chance(of_score(score), beside, kind, np.ones(1, bool))
    return found, bool(shows[0])


def test_edges_far_above_chance_show_and_one_that_is_not_there_is_not_found():
    score = np.array([1.0] * 11 + [0.1])
    found, shows = of_one_kind(score, decoys(0.1, 0.1, 12))
    assert shows
    assert found.tolist() == [True] * 11 + [False]


def test_what_scores_as_chance_does_not_show():
    found, shows = of_one_kind(np.random.default_rng(5).normal(0.5, 0.2, 40), decoys(0.5, 0.2, 40))
    assert not shows
    assert not found.any()


def test_edges_too_faint_each_show_together_when_they_are_many():
    """Two spreads above chance: one such edge may be chance (1 in 40), forty are not; yet where each of them lies,
    chance would say as well."""
    beside = decoys(0.5, 0.17, 40)  # with the least spread 0.20
    found, shows = of_one_kind(np.full(40, 0.9), beside)
    assert shows
    assert not found.any()


def test_of_a_faint_kind_the_edges_that_stand_out_are_found():
    score = np.full(40, 0.9)
    score[:5] = 1.2
    found, shows = of_one_kind(score, decoys(0.5, 0.17, 40))
    assert shows
    assert found.tolist() == [True] * 5 + [False] * 35


def test_as_faint_edges_that_are_few_do_not_show():
    found, shows = of_one_kind(np.full(3, 0.9), decoys(0.5, 0.17, 3, seed=2))
    assert not shows
    assert not found.any()


def test_a_kind_of_which_no_look_is_known_never_shows():
    found, shows = above_chance(of_score([1.0] * 12), decoys(0.1, 0.1, 12), np.zeros(12, np.int64), np.zeros(1, bool))
    assert not shows.any()
    assert not found.any()


def planned(nominal):
    return stretch_ends(nominal, "front")


def test_points_along_the_plan_leave_no_gap():
    """Every planned edge is met wherever one crosses it, to a twentieth of a pitch."""
    nominal = folded(3)
    a, b = stretch_ends(nominal, "front")
    tree = planned_points(a, b, nominal.pitch_mm)
    for f in np.linspace(0, 1, 23):
        assert tree.query(a + f * (b - a))[0].max() < 0.05 * nominal.pitch_mm


@pytest.fixture(scope="module")
def beside():
    """Decoys 0.3 pitches to the left of every edge of a front of spacing 3: targets, blocks, their lines' offsets."""
    nominal, plane = folded(3), plane_of("front")
    targets = split_at_crossings(find_targets(nominal, "front"), nominal, "front")
    start = (np.full(len(targets.crease), 0.3 * nominal.pitch_mm), np.zeros(len(targets.crease)))
    lines = cross_lines_at(targets, plane.map, *start, 0.5, 0.5, 2.0, 10.0, 10.0)
    return nominal, targets, lines, start


def least_distance(points, a, b):
    """Of points (N, 2) from the segments a-b (S, 2): (N,)."""
    d = b - a
    t = np.clip(np.einsum("nsk,sk->ns", points[:, None] - a, d) / np.sum(d * d, 1), 0, 1)
    return np.hypot(*(points[:, None] - a - t[..., None] * d).transpose(2, 0, 1)).min(1)


def test_a_part_of_a_decoy_is_clear_where_no_planned_edge_crosses_its_width(beside):
    """Against the distances to all planned edges, one by one; those near the limit, 0.06 pitches, are left out."""
    nominal, targets, lines, start = beside
    pitch, reach, edge = nominal.pitch_mm, 0.15 * nominal.pitch_mm, lines.block_edge
    clear = clear_of_plan(lines, targets, start, reach, planned_points(*planned(nominal), pitch), pitch)
    along = targets.end_mm[edge] - targets.start_mm[edge]
    middle = targets.start_mm[edge] + along * lines.block_t[:, None] + targets.normal[edge] * start[0][edge][:, None]
    across = np.linspace(-reach, reach, 61)
    away = np.array(
        [
            least_distance(m + across[:, None] * n, *planned(nominal)).min()
            for m, n in zip(middle, targets.normal[edge], strict=True)
        ]
    )
    certain = np.abs(away / pitch - 0.06) > 0.03
    assert 0.1 < clear[certain].mean() < 0.9
    np.testing.assert_array_equal(clear[certain], away[certain] > 0.06 * pitch)


def test_only_clear_parts_count_of_decoys_that_are_mostly_clear(beside):
    _, targets, lines, _ = beside
    kind = np.zeros(len(targets.crease), np.int64)
    clear = lines.block_t > 0.3
    share = np.bincount(lines.block_edge, clear) / np.bincount(lines.block_edge)
    assert (share > 0.5).sum() >= 3
    used = decoy_blocks(clear, lines, kind, 1)
    np.testing.assert_array_equal(used, clear & (share >= 0.5)[lines.block_edge])


def test_where_hardly_any_decoy_of_a_kind_is_clear_all_of_them_count(beside):
    """Too few to tell chance by: better what lies across other edges than nothing."""
    _, targets, lines, _ = beside
    clear = lines.block_edge < 2
    assert decoy_blocks(clear, lines, np.zeros(len(targets.crease), np.int64), 1).all()

"""What an edge must stand out of: what the same search finds by chance, where nothing is planned."""

from __future__ import annotations

import numpy as np
import pytest
from painted_edges import folded, found_in, painted, piece

from foldtrue.detect.acquire import Lines
from foldtrue.detect.decoys import above_chance, planned_points
from foldtrue.stretches import OUTER, RIM, SIDE, lit_kinds, stretch_ends


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
    """Two spreads above chance: one such edge may be chance (1 in 40), forty are not."""
    beside = decoys(0.5, 0.17, 40)  # with the least spread 0.20
    found, shows = of_one_kind(np.full(40, 0.9), beside)
    assert shows
    assert found.all()


def test_as_faint_edges_that_are_few_do_not_show():
    found, shows = of_one_kind(np.full(3, 0.9), decoys(0.5, 0.17, 3, seed=2))
    assert not shows
    assert not found.any()


def test_a_kind_of_which_no_look_is_known_never_shows():
    found, shows = above_chance(of_score([1.0] * 12), decoys(0.1, 0.1, 12), np.zeros(12, np.int64), np.zeros(1, bool))
    assert not shows.any()
    assert not found.any()


def test_points_along_the_plan_leave_no_gap():
    """Every planned edge is met wherever one crosses it, to a twentieth of a pitch."""
    nominal = folded(3)
    a, b = stretch_ends(nominal, "front")
    tree = planned_points(a, b, nominal.pitch_mm)
    for f in np.linspace(0, 1, 23):
        assert tree.query(a + f * (b - a))[0].max() < 0.05 * nominal.pitch_mm


def faint_inside(rim):
    """A front of spacing 3 whose twists' sides are faint, in an outline as strong as `rim`; the share of sides found
    of each of their six facings."""
    kinds = lit_kinds(folded(3), "front")
    strength = np.where(np.isin(kinds.kind_type, (RIM, OUTER)), rim, 0.12)
    features = found_in(painted(3, "front", piece(3), strength, noise=0.02), 3, "front")
    side = kinds.kind_type == SIDE
    return np.array([features.found[side & (kinds.kind == k)].mean() for k in np.unique(kinds.kind[side])])


@pytest.mark.parametrize("rim", [1.0, 3.0])
def test_a_strong_outline_does_not_hide_faint_edges_inside(rim):
    """Beside some sides the outline runs where a decoy would lie: it is planned, and no chance."""
    assert faint_inside(rim).min() > 0.6

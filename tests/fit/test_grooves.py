"""Grooves: which of two edges is seen, against Bayes' rule; and the lines of views that have them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lit_folds import lines_of
from panels import folded_panel
from scipy import sparse
from scipy.stats import norm

from foldtrue.fit.grooves import (
    ASTRAY,
    LEAST_OPEN,
    Claims,
    Foretold,
    first_claims,
    foretell,
    gap_chance,
    telling_rows,
    usual_gap,
    weigh_claims,
)
from foldtrue.fit.lines import EdgeLines
from foldtrue.fit.network import weighted_solution
from foldtrue.stretches import GROOVE, lit_kinds


@pytest.fixture(scope="module")
def tiled():
    """24 triangles that tile the front: 30 grooves."""
    return folded_panel(2, 16)


@pytest.fixture(scope="module")
def stepped():
    """24 triangles with pleats between them: no groove."""
    return folded_panel(3, 24)


# --- shares by Bayes' rule ---


def two_lines(t_mid):
    """A line in a groove and one that has no partner."""
    one, zero = np.ones(2), np.zeros(2, np.int64)
    return EdgeLines(
        crease=np.array([0, 1]),
        t_mid=np.array(t_mid, float),
        offset_mm=0 * one,
        offset_std_mm=one,
        slope_mm=0 * one,
        slope_std_mm=one,
        normal=np.tile([0.0, 1.0], (2, 1)),
        dark=one,
        kind=zero,
        glare=np.zeros(2, bool),
        on_table=np.zeros(2, bool),
        shared=np.zeros(2, bool),
        members=(np.array([0]), np.array([1])),
        pair=np.array([5, -1]),
        pair_kind=zero,
        stretch=zero,
        samples=20 * one,
        rms_mm=0.01,
        pixel_share=np.ones((2, 2)),
    )


def test_before_anything_is_known_both_edges_of_a_groove_have_half():
    assert first_claims(two_lines([0.5, 0.5]), 0.2).share.tolist() == [0.5, 1.0]


def test_the_first_doubt_is_that_of_a_gap_that_may_go_either_way():
    """A coin between two places a gap g apart has the standard deviation g / 2; edges that part from a shared end to g
    at mid-length have slopes 2 g apart."""
    between, at_end = first_claims(two_lines([0.5, 0.5]), 0.2), first_claims(two_lines([1.0, 0.5]), 0.2)
    np.testing.assert_allclose(between.doubt, [0.1, 0.2, 0, 0])
    np.testing.assert_allclose(at_end.doubt, [0.0, 0.2, 0, 0])


finite = st.floats(-1, 1)
spread = st.floats(0.05, 2)


def foretold(first, second, std=(1.0, 1.0), apart_std=np.inf):
    """What is left of the slope of the groove's line for either edge; how far these are apart is not known."""
    rest = np.array([[first], [second]])
    return Foretold(rest, np.square(np.array(std))[:, None], np.array([apart_std**2]))


SLOPE = np.array([1])
BEFORE = Claims(np.array([0.5, 1.0]), np.zeros(4), np.array([1 / 3, 0.0]))


def claims_of(told, usual=0.0):
    return weigh_claims(two_lines([1.0, 0.5]), SLOPE, told, BEFORE, usual)


def chances(first, second, std):
    """Of the first edge, the second and the middle of both, by normal densities of scipy.stats, each beside a like
    share of lines that are none of these; a gap beforehand as likely as none, and in that either edge."""
    rest = (first, second, 0.5 * (first + second))
    wide = (*std, np.sqrt(0.5 * (std[0] ** 2 + std[1] ** 2)))
    density = [norm.pdf(r, scale=s) + ASTRAY * norm.pdf(0, scale=s) for r, s in zip(rest, wide, strict=True)]
    chance = np.array(density) * [0.25, 0.25, 0.5]
    return chance / chance.sum()


@settings(max_examples=60, deadline=None)
@given(finite, finite, st.tuples(spread, spread))
def test_shares_follow_bayes_rule(first, second, std):
    claims = claims_of(foretold(first, second, std))
    chance = chances(first, second, std)
    assert claims.share[0] == pytest.approx(chance[0] + 0.5 * chance[2], abs=1e-9)
    assert claims.middle[0] == pytest.approx(chance[2], abs=1e-9)
    assert claims.share[1] == 1.0
    assert claims.middle[1] == 0.0


@settings(max_examples=60, deadline=None)
@given(finite, finite)
def test_the_doubt_left_is_the_scatter_of_a_choice_between_all_three(first, second):
    """By hand: the variance of three values with these chances."""
    claims = claims_of(foretold(first, second))
    value, chance = np.array([first, second, 0.5 * (first + second)]), chances(first, second, (1.0, 1.0))
    mean = chance @ value
    assert claims.doubt[1] == pytest.approx(np.sqrt(chance @ (value - mean) ** 2), abs=1e-7)
    assert (claims.doubt[[0, 2, 3]] == 0).all()


def test_what_fits_none_of_the_three_decides_nothing():
    """Eight and ten standard deviations off: the densities' ratio is e^18, yet all are out of the question."""
    assert claims_of(foretold(8.0, 10.0)).share[0] == pytest.approx(0.5, abs=1e-6)


@pytest.mark.parametrize(
    ("own_paper_ahead", "outward", "shared_end", "gapes"),
    [(True, 0.3, 0.0, True), (True, -0.3, 0.0, False), (False, 0.3, 0.0, False), (True, 0.3, 1.0, False)],
)
def test_edges_that_part_leave_a_gap_and_edges_that_cross_do_not(own_paper_ahead, outward, shared_end, gapes):
    """The first edge lies outward of the second at t = 1, seen along the facing: a gap where its paper lies outward
    too. Where they share that end, it is at t = 0 that they lie apart, the other way."""
    lines = replace(two_lines([shared_end, 0.5]), kind=np.array([own_paper_ahead, 0], dtype=np.int64))
    apart = -lines.dark[:1] * outward
    chance = gap_chance(lines, SLOPE, foretold(0.0, apart[0], apart_std=0.1))
    assert chance[0] == pytest.approx(1 - LEAST_OPEN if gapes else LEAST_OPEN)


def test_how_far_edges_part_counts_by_how_well_it_is_foretold():
    """Half a standard deviation: a normal distribution has 69 % of itself on that side."""
    lines = replace(two_lines([0.0, 0.5]), kind=np.array([1, 0]))
    told = foretold(0.0, -lines.dark[0] * 0.1, apart_std=0.2)
    assert gap_chance(lines, SLOPE, told)[0] == pytest.approx(norm.cdf(0.5))


def test_a_habit_seen_in_clear_grooves_speaks_for_those_that_are_not():
    """Of ten grooves nine show the second edge beyond doubt; in the tenth both lie on one line, and nothing tells of a
    gap: half of it is the middle's. By hand, of what is left: the habit is (sum of the shares on top + 1) / (number on
    top + 2)."""
    one = two_lines([1.0, 1.0])
    lines = one.pick(np.zeros(10, np.int64))
    rest = np.array([[0.0, *[5.0] * 9], [0.0] * 10])
    claims = Claims(np.full(10, 0.5), np.zeros(20), np.full(10, 1 / 3))
    for _ in range(30):
        told = Foretold(rest, np.full((2, 10), 0.01), np.full(10, np.inf))
        claims = weigh_claims(lines, 2 * np.arange(10) + 1, told, claims)
    on_top, others = claims.share - 0.5 * claims.middle, 1 - claims.middle
    assert on_top[1:].max() < 0.02
    assert on_top[0] / others[0] == pytest.approx((on_top.sum() + 1) / (others.sum() + 2), abs=1e-3)
    assert on_top[0] / others[0] < 0.2


def test_only_what_differs_between_the_edges_tells_them_apart():
    """At the end that both share their places are one; elsewhere place and slope tell."""
    assert telling_rows(two_lines([1.0, 0.5])).tolist() == [1]
    assert telling_rows(two_lines([0.5, 0.5])).tolist() == [0, 1]


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6))
def test_what_is_foretold_is_a_solution_without_that_equation(seed):
    """Source: the least-squares solution of the other equations by numpy.linalg, its covariance by the inverse."""
    rng = np.random.default_rng(seed)
    rows, value, std = rng.normal(size=(14, 4)), rng.normal(size=14), rng.uniform(0.2, 2, 14)
    either, share = rng.normal(size=(2, 4)), 0.3
    rows[5] = share * either[0] + (1 - share) * either[1]
    known = sparse.identity(4) * 0.1
    solution = weighted_solution(sparse.csr_matrix(rows), std**-2, value, known)
    two = tuple(sparse.csr_matrix(each[None]) for each in either)
    told = foretell(two, np.array([share]), solution, value[[5]], np.array([0.4]), std[[5]] ** -2)
    others = np.arange(14) != 5
    normal = rows[others].T @ (rows[others] / std[others, None] ** 2) + 0.1 * np.eye(4)
    x = np.linalg.solve(normal, rows[others].T @ (value[others] / std[others] ** 2))
    for k in (0, 1):
        assert told.rest[k, 0] == pytest.approx(value[5] - either[k] @ x, rel=1e-6, abs=1e-8)
        assert told.variance[k, 0] == pytest.approx(0.4**2 + either[k] @ np.linalg.solve(normal, either[k]), rel=1e-6)


def test_the_usual_gap_is_that_of_two_edges_that_scatter_as_the_lines_seen_do(tiled):
    """Whichever edge shows, lines scatter as single edges do; edges that share an end part by their free ends alone."""
    moved = np.random.default_rng(4).normal(0, 0.2, tiled.vertices_mm.shape)
    lines = lines_of(tiled, "front", moved)
    paired = lines.pair >= 0
    apart = []
    for k in np.flatnonzero(paired):
        ends = tiled.creases.ends[[lines.crease[k], lines.pair[k]]]
        free = [e for e in ends.ravel() if (ends == e).sum() == 1]
        apart.append((moved[free[0]] - moved[free[1]]) @ lines.normal[k])
    gap = usual_gap(lines)
    assert gap[paired, 1] == pytest.approx(1.4826 * np.median(np.abs(apart)), rel=0.25)
    assert (gap[paired, 0] == 0).all()  # told at the end that both edges share
    assert (gap[~paired] == 0).all()


def test_folds_as_planned_have_no_usual_gap(tiled):
    lines = lines_of(tiled, "front", np.zeros_like(tiled.vertices_mm))
    assert usual_gap(lines) == pytest.approx(0, abs=1e-3)


def test_a_line_that_may_be_either_edges_is_as_unsure_as_the_usual_gap_makes_it():
    """The network draws both edges to a line they share, and so cannot tell how far they lie apart. By hand: a quarter
    of the chance each at 0.15 to either side, half in the middle."""
    claims = claims_of(foretold(0.0, 0.0), usual=np.array([[0.0, 0.3], [0.0, 0.0]]))
    assert claims.share[0] == 0.5
    np.testing.assert_allclose(claims.doubt, [0, 0.15 * np.sqrt(0.5), 0, 0])


def test_naming_the_edges_the_other_way_round_turns_the_shares_round():
    one, two = claims_of(foretold(0.1, 0.3, (0.2, 0.2))), claims_of(foretold(0.3, 0.1, (0.2, 0.2)))
    assert one.share[0] == pytest.approx(1 - two.share[0])
    assert one.share[0] > 0.5
    np.testing.assert_allclose(one.doubt, two.doubt)


def test_every_groove_gives_one_line_with_its_other_edge_named(tiled):
    lines, kinds = lines_of(tiled, "front"), lit_kinds(tiled, "front")
    grooves = lines.pair >= 0
    assert grooves.sum() == 30
    known = set(zip(tiled.views["front"].crease.tolist(), kinds.partner.tolist(), strict=True))
    assert set(zip(lines.crease[grooves].tolist(), lines.pair[grooves].tolist(), strict=True)) <= known


def test_in_a_groove_the_line_is_told_at_the_end_that_both_edges_share(tiled):
    """Six triangles stand around a node and meet there in tips that are one vertex of the sheet, two by two."""
    displacement = np.random.default_rng(1).normal(0, 0.1, tiled.vertices_mm.shape)
    lines = lines_of(tiled, "front", displacement)
    ends = tiled.creases.ends
    for e in np.flatnonzero(lines.pair >= 0):
        (common,) = set(ends[lines.crease[e]]) & set(ends[lines.pair[e]])
        assert ends[lines.crease[e], int(lines.t_mid[e])] == common
        assert lines.offset_mm[e] == pytest.approx(displacement[common] @ lines.normal[e], abs=1e-9)


def test_lines_without_a_partner_are_told_at_their_middle(stepped):
    lines = lines_of(stepped, "front")
    assert (lines.pair == -1).all()
    middle = np.array(
        [
            np.mean([0.5 * (a + b) for c, a, b in zip(s.crease, s.t0, s.t1, strict=True) if c == crease])
            for s in [stepped.views["front"]]
            for crease in lines.crease
        ]
    )
    alone = np.bincount(stepped.views["front"].crease, minlength=lines.crease.max() + 1)[lines.crease] == 1
    np.testing.assert_allclose(lines.t_mid[alone], middle[alone], atol=1e-6)


@pytest.mark.parametrize("view", ["front", "back"])
def test_the_upper_side_is_the_one_the_edge_falls_from(stepped, view):
    lines, s = lines_of(stepped, view), stepped.views[view]
    raised = dict(zip(s.crease.tolist(), s.raised.tolist(), strict=True))
    assert lines.dark.tolist() == [raised[c] for c in lines.crease.tolist()]


@pytest.mark.parametrize("view", ["front", "back"])
def test_one_shift_applies_to_edges_of_one_kind_and_to_no_other(stepped, view):
    lines, kinds = lines_of(stepped, view), lit_kinds(stepped, view)
    of = dict(zip(stepped.views[view].crease.tolist(), kinds.kind.tolist(), strict=True))
    kind = np.array([of[c] for c in lines.crease.tolist()])
    np.testing.assert_array_equal(lines.kind[:, None] == lines.kind[None], kind[:, None] == kind[None])
    np.testing.assert_array_equal(lines.pair_kind, lines.kind)


def test_in_a_groove_the_shift_depends_on_whose_edge_it_is(tiled):
    """The edge of the twist on one side falls one way, that of its neighbour the other: two shifts per direction, and
    which of them belongs to an edge follows from the side on which its twist lies."""
    lines = lines_of(tiled, "front")
    owner = {c: t for t in tiled.twists for c, e in enumerate(tiled.creases.ends) if set(e) <= set(t.tips)}
    grooves = np.flatnonzero(lines.pair >= 0)
    shift_of = {}
    for e in grooves:
        sense = -lines.dark[e] * lines.normal[e]
        middle = tiled.vertices_mm[tiled.creases.ends[lines.crease[e]]].mean(0)
        for crease, kind in ((lines.crease[e], lines.kind[e]), (lines.pair[e], lines.pair_kind[e])):
            ahead = (np.array(owner[crease].planned_mm) - middle) @ sense > 0
            shift_of.setdefault((*np.rint(sense * 1e6).astype(int), bool(ahead)), set()).add(int(kind))
    assert len(shift_of) == 6
    assert all(len(kinds) == 1 for kinds in shift_of.values())
    assert len(set.union(*shift_of.values())) == 6


def test_at_a_bare_edge_all_creases_below_are_candidates_elsewhere_the_one_that_shows(tiled):
    """Where no paper is beyond, what sticks out from below shows too; over paper only the topmost edge can."""
    lines = lines_of(tiled, "front")
    s, back = tiled.views["front"], tiled.views["backlit"]
    bare = {int(c) for c, a, b in zip(s.crease, s.layers_left, s.layers_right, strict=True) if min(a, b) == 0}
    assert bare
    for crease, members, shared in zip(lines.crease.tolist(), lines.members, lines.shared, strict=True):
        assert crease in members
        assert shared == (len(members) > 1)
        if crease not in bare:
            assert members.tolist() == [crease]
            continue
        p, q = tiled.vertices_mm[tiled.creases.ends[crease]]
        normal = np.array([p[1] - q[1], q[0] - p[0]]) / np.hypot(*(q - p))
        for other in members:
            assert np.abs((tiled.vertices_mm[tiled.creases.ends[other]] - p) @ normal).max() < 1e-6
            assert other in back.crease


@pytest.mark.parametrize("view", ["front", "back"])
def test_every_stretch_of_the_outline_is_a_line_of_its_own(tiled, view):
    """Where the layers below change, what sticks out farthest may change with them: of a side that bares first three
    and then five layers each part is told apart."""
    lines, s = lines_of(tiled, view), tiled.views[view]
    bare = np.flatnonzero(np.minimum(s.layers_left, s.layers_right) == 0)
    assert sorted(lines.stretch[lines.shared].tolist()) == sorted(i for i in bare.tolist() if i in lines.stretch)
    sides = lines.crease[lines.shared]
    assert len(np.unique(sides)) < len(sides)


def test_a_groove_is_no_silhouette(tiled):
    kinds = lit_kinds(tiled, "front")
    grooves = set(tiled.views["front"].crease[kinds.kind_type == GROOVE].tolist())
    lines = lines_of(tiled, "front")
    assert not lines.shared[[c in grooves for c in lines.crease.tolist()]].any()

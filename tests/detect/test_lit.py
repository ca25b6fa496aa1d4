"""Edges from the camera's side on pictures painted here: every edge drawn with a chosen look at a known place."""

from __future__ import annotations

import numpy as np
import pytest
from painted_edges import (
    LINEAR,
    PX_PER_MM,
    folded,
    found_in,
    misses,
    painted,
    piece,
    plane_of,
    true_offsets,
)

from foldtrue.detect.edges import place_edges, read_light, remeasure_features
from foldtrue.detect.scan import planned_lines
from foldtrue.handover import Photo
from foldtrue.stretches import GROOVE, lit_kinds, place_numbers, stretch_ends


def share_found(spacing, view, features, of=None):
    """Share of the edges (among the stretches `of`) that are found, of those at least three quarters of a pitch long:
    of shorter ones at 5 px per mm the ends, left out, leave too little."""
    nominal = folded(spacing)
    s = nominal.views[view]
    a, b = stretch_ends(nominal, view)
    length = np.bincount(s.crease, np.hypot(*(b - a).T))[s.crease]
    use = np.unique(features.stretch)
    use = use[(length[use] > 0.75 * nominal.pitch_mm) & (True if of is None else of[use])]
    return features.found[use].mean()


CASES = [(3, "front"), (3, "back"), (2, "back")]


@pytest.fixture(scope="module", params=CASES, ids=str)
def drawn(request):
    spacing, view = request.param
    displacement = piece(spacing)
    photo = painted(spacing, view, displacement, 1.0, noise=0.01)
    return spacing, view, displacement, found_in(photo, spacing, view)


def test_every_edge_drawn_is_found(drawn):
    spacing, view, _, features = drawn
    assert share_found(spacing, view, features) > 0.98
    assert len(np.unique(features.stretch)) > 0.95 * len(np.unique(place_numbers(folded(spacing), view)))


def test_samples_lie_where_the_edges_were_drawn_to_a_fifth_of_a_pixel(drawn):
    """A border 0.15 mm = 0.8 px wide and noise of 4 % of the step: the pixels would allow better, the shadows of other
    edges near the ends do not."""
    spacing, view, displacement, features = drawn
    miss, _ = misses(spacing, view, features, displacement)
    assert PX_PER_MM * 1.4826 * np.median(np.abs(miss)) < 0.2
    assert np.mean(np.abs(miss) * PX_PER_MM < 1.0) > 0.95


def test_offsets_are_along_the_left_normal_in_plan_coordinates_from_either_side(drawn):
    """Edge by edge against what was drawn; the mean of every kind, which is the look's zero, is lost (0.1 of 1)."""
    spacing, view, displacement, features = drawn
    use = features.trust > 0
    true = true_offsets(spacing, view, features, displacement)
    assert np.polyfit(true[use], features.offset_mm[use], 1)[0] == pytest.approx(1.0, abs=0.25)
    assert np.corrcoef(features.offset_mm[use], true[use])[0, 1] > 0.7


def test_places_and_scale_of_the_samples_are_the_planes(drawn):
    spacing, view, _, features = drawn
    s = folded(spacing).views[view]
    np.testing.assert_allclose(features.px_per_mm, PX_PER_MM, rtol=1e-6)
    assert (features.t >= s.t0[features.stretch] - 1e-9).all()
    assert (features.t <= s.t1[features.stretch] + 1e-9).all()


def test_measuring_again_from_the_true_vertices_finds_the_same(drawn):
    spacing, view, displacement, first = drawn
    nominal, plane = folded(spacing), plane_of(view)
    photo = painted(spacing, view, displacement, 1.0, noise=0.01)
    again = remeasure_features(
        read_light(photo, plane, nominal), plane, nominal, first, nominal.vertices_mm + displacement
    )
    miss, _ = misses(spacing, view, again, displacement)
    assert PX_PER_MM * 1.4826 * np.median(np.abs(miss)) < 0.2
    assert again.found.sum() >= 0.97 * first.found.sum()


def test_the_rough_search_is_within_two_pixels(drawn):
    spacing, view, displacement, _ = drawn
    photo = painted(spacing, view, displacement, 1.0, noise=0.01)
    rough = place_edges(read_light(photo, plane_of(view), folded(spacing)), plane_of(view), folded(spacing))
    miss, _ = misses(spacing, view, rough, displacement)
    assert np.mean(np.abs(miss) * PX_PER_MM < 2.0) > 0.95


# --- what light does to all edges of a kind alike ---


def test_a_shift_that_all_edges_of_a_kind_share_drops_out():
    """Each kind's shadows drawn up to 0.3 mm (1.5 px) further out, as a lower lamp would."""
    nominal, displacement = folded(3), piece(3)
    kind = lit_kinds(nominal, "front").kind
    shift = np.linspace(-0.3, 0.3, kind.max() + 1)[kind]
    features = found_in(painted(3, "front", displacement, 1.0, shift_mm=shift, noise=0.01), 3, "front")
    own = lit_kinds(nominal, "front")
    off = features.offset_mm - true_offsets(3, "front", features, displacement)
    miss = (own.facing[features.stretch] * off)[features.trust > 0]
    of = kind[features.stretch][features.trust > 0]
    centre = np.array([np.median(miss[of == k]) if (of == k).any() else np.nan for k in range(kind.max() + 1)])
    # The zero is the mean place of each kind's edges, known to the scatter of 14 to 24 edges of 0.1 mm.
    assert np.nanmax(np.abs(centre)) < 0.12
    assert abs(np.corrcoef(centre[np.isfinite(centre)], np.unique(shift)[np.isfinite(centre)])[0, 1]) < 0.6


@pytest.mark.parametrize("gain", [0.1, 0.9])
def test_the_same_picture_in_other_light_gives_the_same_samples(gain):
    displacement = piece(3)
    one, two = (found_in(painted(3, "front", displacement, 1.0, gain=g), 3, "front") for g in (0.5, gain))
    np.testing.assert_array_equal(one.stretch, two.stretch)
    use = (one.trust > 0) & (two.trust > 0)
    assert use.mean() > 0.9
    assert np.mean(np.abs(one.offset_mm - two.offset_mm)[use] * PX_PER_MM < 0.05) > 0.99


# --- what is not drawn ---


def one_kind(nominal, view, at=0):
    kinds = lit_kinds(nominal, view)
    return kinds.kind == np.argsort(-np.bincount(kinds.kind))[at]


@pytest.mark.parametrize(("spacing", "view"), [(3, "front"), (3, "back")])
def test_a_kind_that_is_not_drawn_gives_no_samples_and_no_edge_is_found(spacing, view):
    hidden = one_kind(folded(spacing), view)
    strength = np.where(hidden, 0.0, 1.0)
    features = found_in(painted(spacing, view, piece(spacing), strength, noise=0.01), spacing, view)
    assert not np.isin(features.stretch, np.flatnonzero(hidden)).any()
    assert not features.found[hidden].any()
    assert share_found(spacing, view, features) > 0.98


def test_a_kind_that_is_not_drawn_leaves_the_others_where_they_were():
    """But for the ends, where the shadows of neighbours are missing."""
    hidden, displacement = one_kind(folded(3), "front"), piece(3)
    features = found_in(painted(3, "front", displacement, np.where(hidden, 0.0, 1.0), noise=0.01), 3, "front")
    miss, _ = misses(3, "front", features, displacement)
    assert PX_PER_MM * 1.4826 * np.median(np.abs(miss)) < 0.2


def test_one_edge_that_is_not_drawn_is_not_found_and_its_samples_are_not_trusted():
    """Others of its kind show, so that its absence speaks against the plan there: samples, but no trust."""
    nominal = folded(3)
    s = nominal.views["front"]
    crease = s.crease[np.flatnonzero(one_kind(nominal, "front"))[7]]
    lost = s.crease == crease
    features = found_in(painted(3, "front", piece(3), np.where(lost, 0.0, 1.0), noise=0.01), 3, "front")
    own = np.isin(features.stretch, np.flatnonzero(lost))
    assert own.any()
    assert (features.trust[own] == 0).all()
    assert not features.found[lost].any()
    assert share_found(3, "front", features, ~lost) > 0.98


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_on_even_paper_nothing_shows(seed):
    features = found_in(painted(3, "front", piece(3), 0.0, noise=0.03, seed=seed), 3, "front")
    assert not features.found.any()
    assert (features.trust == 0).all()


def test_an_edge_half_as_strong_as_its_kind_is_found_where_it_is():
    """A shadow's depth varies from edge to edge: a fifth of the usual is asked for."""
    nominal, displacement = folded(3), piece(3)
    s = nominal.views["front"]
    strength = np.where(np.isin(s.crease, np.unique(s.crease)[::4]), 0.5, 1.0)
    features = found_in(painted(3, "front", displacement, strength, noise=0.01), 3, "front")
    faint = strength < 1
    assert share_found(3, "front", features, faint) > 0.95
    miss, use = misses(3, "front", features, displacement)
    assert PX_PER_MM * 1.4826 * np.median(np.abs(miss[faint[features.stretch[use]]])) < 0.3


def test_edges_outside_the_picture_are_not_trusted():
    photo = painted(3, "front", piece(3), 1.0, noise=0.01)
    half = Photo(photo.pixels[:, :430], LINEAR, "0" * 64, "PNG", 1, None, None)
    features = found_in(half, 3, "front")
    nominal = folded(3)
    ends = nominal.vertices_mm[nominal.creases.ends[nominal.views["front"].crease[features.stretch]]]
    place = ends[:, 0] + (ends[:, 1] - ends[:, 0]) * features.t[:, None]
    outside = plane_of("front").map.to_px(place)[:, 0] > 431
    assert (features.trust[outside] == 0).all()
    assert (features.trust[~outside] > 0).mean() > 0.7


# --- grooves ---


def test_a_groove_is_searched_once_and_filed_under_one_of_its_edges():
    nominal = folded(2)
    features = found_in(painted(2, "front", np.zeros_like(nominal.vertices_mm), 1.0, noise=0.01), 2, "front")
    kinds, place = lit_kinds(nominal, "front"), place_numbers(nominal, "front")
    grooves = kinds.kind_type == GROOVE
    seen = np.unique(features.stretch[grooves[features.stretch]])
    assert len(seen) == len(np.unique(place[grooves]))
    assert len(np.unique(place[seen])) == len(seen)


@pytest.mark.parametrize(("spacing", "view"), [(2, "front"), (3, "front"), (3, "back")])
def test_where_a_network_puts_the_lines(spacing, view):
    """By hand: offsets of both ends along the plan's left normal; in a groove the mean of its two edges, end by end as
    the first one runs."""
    nominal, plane = folded(spacing), plane_of(view)
    displacement = piece(spacing, seed=4)
    photo = painted(spacing, view, displacement, 0.0)
    lit, partner = read_light(photo, plane, nominal).lit, lit_kinds(nominal, view).partner
    offset, slope = planned_lines(lit.targets, nominal, nominal.vertices_mm + displacement, lit.other)
    first = dict(zip(lit.targets.edge[::-1].tolist(), lit.targets.stretch[::-1].tolist(), strict=True))
    planned = nominal.vertices_mm
    for e, crease in enumerate(lit.targets.crease):
        a, b = nominal.creases.ends[crease]
        off = [[displacement[v] @ lit.targets.normal[e]] for v in (a, b)]
        if (other := partner[first[e]]) >= 0:
            ends = nominal.creases.ends[other]
            for k, v in enumerate((a, b)):
                there = ends[np.hypot(*(planned[ends] - planned[v]).T).argmin()]
                off[k].append(displacement[there] @ lit.targets.normal[e])
        start, end = (np.mean(o) for o in off)
        assert offset[e] == pytest.approx(0.5 * (start + end), abs=1e-12)
        assert slope[e] == pytest.approx(end - start, abs=1e-12)


# --- uncertainty ---


@pytest.mark.xfail(
    reason="of three ways to weigh a look the steadiest is taken by the same blocks that are then stated: the scatter "
    "is 1.3 times what is stated, which the fit of the lines finds out from their own scatter"
)
def test_the_stated_noise_of_a_sample_is_its_scatter():
    """8 draws of pixel noise on one picture; the fit's residual holds what varies between edges as well, so the stated
    figure may be up to twice the scatter, and must not be below it."""
    displacement, runs = piece(3), []
    for seed in range(8):
        features = found_in(painted(3, "front", displacement, 1.0, noise=0.03, seed=seed), 3, "front")
        keys = zip(features.stretch.tolist(), np.round(features.t, 2).tolist(), strict=True)
        facts = zip(features.offset_mm, features.std_mm, features.trust, strict=True)
        runs.append({k: (o, d) for k, (o, d, w) in zip(keys, facts, strict=True) if w > 0.3})
    common = set.intersection(*(set(r) for r in runs))
    assert len(common) > 100
    offset = np.array([[r[k][0] for k in common] for r in runs])
    stated = np.array([[r[k][1] for k in common] for r in runs])
    ratio = offset.std(0, ddof=1) / np.sqrt(np.mean(stated**2, 0))
    assert 0.5 < np.median(ratio) < 1.2

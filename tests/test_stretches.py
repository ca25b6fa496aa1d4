"""Edges seen from the camera's side: which way they fall, which look alike, and who shares a groove."""

from __future__ import annotations

from collections import deque
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from panels import folded_panel

from foldtrue.frames import rotation
from foldtrue.handover import Creases, Facet, Nominal, Stretches
from foldtrue.stretches import (
    GROOVE,
    OUTER,
    PLEAT,
    RIM,
    SIDE,
    left_normals,
    lit_kinds,
    place_numbers,
    stretch_ends,
)

LAYOUTS = {"spacing 2": (2, 16), "spacing 2, wide rim": (2, 24), "spacing 3": (3, 24), "spacing 4": (4, 32)}
VIEWS = ("front", "back")


def folded(name: str) -> Nominal:
    return folded_panel(*LAYOUTS[name])


@pytest.fixture(params=LAYOUTS)
def nominal(request):
    return folded(request.param)


def falls(nominal, view):
    """Unit vectors (S, 2) the way the paper falls at every stretch."""
    return left_normals(nominal, nominal.views[view].crease) * lit_kinds(nominal, view).facing[:, None]


def middles(nominal, view):
    a, b = stretch_ends(nominal, view)
    return 0.5 * (a + b)


def degrees_of(vectors):
    return np.degrees(np.arctan2(vectors[:, 1], vectors[:, 0]))


# --- one pleat, by hand ---


@pytest.fixture(scope="module")
def strip():
    """A strip 60 mm long with one pleat of 10 mm, x = -30..0 | 0..10 | 10..30 in the sheet, folded over to the left:
    the left cell lies on top and ends at x = 0, the right cell runs on beneath it to x = -10."""
    sheet = np.array([[x, y] for y in (0.0, 20.0) for x in (-30.0, 0.0, 10.0, 30.0)])
    folded_mm = np.array([[x, y] for y in (0.0, 20.0) for x in (-30.0, 0.0, -10.0, 10.0)])
    stay, turn = np.array([[1.0, 0, 0], [0, 1, 0]]), np.array([[-1.0, 0, 0], [0, 1, 0]])
    facets = (
        Facet("left", "cell", (0, 1, 5, 4), False, stay),
        Facet("pleat", "pleat", (1, 2, 6, 5), True, turn),
        Facet("right", "cell", (2, 3, 7, 6), False, stay - np.array([[0, 0, 20.0], [0, 0, 0]])),
    )
    creases = Creases(
        ("mountain", "valley", "rim"),
        np.array([[1, 5], [2, 6], [3, 7]]),
        np.array(["M", "V", "R"]),
        np.array([[0, 1], [1, 2], [2, -1]]),
    )

    def seen(crease, t0, t1, left, right, raised):
        one = np.ones(len(crease), np.int64)
        columns = [np.array(c) for c in (crease, t0, t1, left, right, raised)]
        return Stretches(*columns, one, np.full(len(crease), np.inf))

    views = {
        # From the front: the fold at x = 0 falls to the right, from three layers to one; the rim at x = 10 likewise.
        "front": seen([0, 2], [0.0, 0.0], [1.0, 0.5], [3, 1], [1, 0], [1, 1]),
        # From behind: the fold at x = -10 lies nearest; its paper is on its right.
        "back": seen([1], [0.25], [0.75], [1], [3], [-1]),
    }
    outline = folded_mm[[0, 3, 7, 4]]
    return Nominal(
        "0" * 64, "strip", 10.0, 8.66, sheet[[0, 3, 7, 4]], sheet, folded_mm, facets, creases, (), outline,
        np.array([[0, 1], [1, 2], [0, 2]]), (), views, {},
    )  # fmt: skip


def test_the_strips_top_fold_falls_to_the_right(strip):
    """All creases of the strip run upwards, so their left is -x; in folded coordinates from either side."""
    np.testing.assert_allclose(falls(strip, "front"), [[1, 0], [1, 0]], atol=1e-12)
    np.testing.assert_allclose(falls(strip, "back"), [[-1, 0]], atol=1e-12)


def test_a_fold_between_cells_is_a_pleats_and_a_cut_edge_the_rim(strip):
    assert lit_kinds(strip, "front").kind_type.tolist() == [PLEAT, RIM]
    assert lit_kinds(strip, "back").kind_type.tolist() == [PLEAT]


def test_a_stretch_ends_where_its_share_of_the_folded_crease_ends(strip):
    a, b = stretch_ends(strip, "back")
    np.testing.assert_allclose([a[0], b[0]], [[-10, 5], [-10, 15]])


def test_a_fold_with_no_paper_beyond_is_an_outer_one(strip):
    """The same fold, had the right cell been cut off at it."""
    bare = replace(strip.views["front"], layers_right=np.array([0, 0]))
    alone = replace(strip, views={"front": bare})
    assert lit_kinds(alone, "front").kind_type.tolist() == [OUTER, RIM]


# --- which way an edge falls ---


@pytest.mark.parametrize("view", VIEWS)
def test_every_fold_falls_away_from_its_own_paper(nominal, view):
    """A flat fold brings both its facets to one side of itself (a reflection), and a cut edge has one: paper ends
    there, so the fall is to the other side."""
    kinds, fall, middle = lit_kinds(nominal, view), falls(nominal, view), middles(nominal, view)
    steps = np.flatnonzero(kinds.kind_type != GROOVE)
    assert len(steps)
    for k in steps:
        for f in nominal.creases.facets[nominal.views[view].crease[k]]:
            if f >= 0:
                paper = nominal.vertices_mm[list(nominal.facets[f].vertices)].mean(0)
                assert (paper - middle[k]) @ fall[k] < 0


@pytest.mark.parametrize("name", ["spacing 3", "spacing 4"])
def test_from_the_front_every_twist_lies_on_top_and_its_sides_fall_outwards(name):
    """The mountain sides of a twist leave its polygon the top face (design: three sides each, all of them seen)."""
    nominal = folded(name)
    kinds, fall, middle = lit_kinds(nominal, "front"), falls(nominal, "front"), middles(nominal, "front")
    crease = nominal.views["front"].crease
    for twist in nominal.twists:
        tips = set(twist.tips)
        sides = [k for k in np.flatnonzero(kinds.kind_type == SIDE) if set(nominal.creases.ends[crease[k]]) <= tips]
        assert len(set(crease[sides])) == 3
        for k in sides:
            assert (middle[k] - np.array(twist.planned_mm)) @ fall[k] > 0


def fold_by_hand(nominal):
    """Folded places (F, 2) of the facets' middles: reflected over one crease after the other, from the sheet's middle
    facet outwards. Nothing but the crease pattern is used."""
    sheet = nominal.vertices_sheet_mm
    polygon = [sheet[list(f.vertices)] for f in nominal.facets]
    start = min(range(len(polygon)), key=lambda f: np.hypot(*polygon[f].mean(0)))
    motion = {start: np.eye(3)}
    queue = deque([start])
    while queue:
        f = queue.popleft()
        for c, sides in enumerate(nominal.creases.facets):
            if f in sides and sides.min() >= 0:
                other = int(sides.sum() - f)
                if other not in motion:
                    p, q = sheet[nominal.creases.ends[c]]
                    x, y = (q - p) / np.hypot(*(q - p))
                    mirror = np.array([[x * x - y * y, 2 * x * y], [2 * x * y, y * y - x * x]])
                    about = np.eye(3)
                    about[:2, :2], about[:2, 2] = mirror, p - mirror @ p
                    motion[other] = motion[f] @ about
                    queue.append(other)
    return np.array([(motion[f] @ np.append(polygon[f].mean(0), 1.0))[:2] for f in range(len(polygon))])


@pytest.mark.parametrize("name", ["spacing 3", "spacing 4"])
@pytest.mark.parametrize(("view", "fold"), [("front", "M"), ("back", "V")])
def test_along_a_pleat_the_cell_of_the_fold_that_shows_is_on_top(name, view, fold):
    """From the front the cell on the mountain's side lies over the pleat, from behind the one on the valley's: that
    fold shows and falls away from that cell, folded here by hand."""
    nominal = folded(name)
    kinds, fall, middle = lit_kinds(nominal, view), falls(nominal, view), middles(nominal, view)
    place = fold_by_hand(nominal)
    pleats = np.flatnonzero(kinds.kind_type == PLEAT)
    assert len(pleats) >= 40
    for k in pleats:
        crease = nominal.views[view].crease[k]
        assert nominal.creases.kind[crease] == fold
        cell = next(f for f in nominal.creases.facets[crease] if nominal.facets[f].kind == "cell")
        assert (place[cell] - middle[k]) @ fall[k] < 0


# --- which edges look alike ---


@pytest.mark.parametrize("view", VIEWS)
def test_edges_of_one_kind_fall_the_same_way_and_are_of_one_type(nominal, view):
    kinds, fall = lit_kinds(nominal, view), falls(nominal, view)
    for kind in np.unique(kinds.kind):
        own = kinds.kind == kind
        assert len(set(kinds.kind_type[own])) == 1
        np.testing.assert_allclose(fall[own], np.broadcast_to(fall[own][0], fall[own].shape), atol=1e-9)


@pytest.mark.parametrize("view", VIEWS)
def test_edges_that_fall_differently_or_are_of_another_type_are_another_kind(nominal, view):
    kinds, fall = lit_kinds(nominal, view), falls(nominal, view)
    looks = {(int(t), *np.rint(1e6 * f).astype(int)) for t, f in zip(kinds.kind_type, fall, strict=True)}
    assert len(np.unique(kinds.kind)) == len(looks)


@pytest.mark.parametrize("view", VIEWS)
def test_every_edge_falls_along_a_multiple_of_30_degrees(nominal, view):
    """Published lattice theorem: all folds of such a plan lie along those directions."""
    angle = degrees_of(falls(nominal, view)) / 30
    np.testing.assert_allclose(angle, np.rint(angle), atol=1e-9)


# --- grooves ---


def test_triangles_that_tile_the_front_meet_in_grooves_two_and_two():
    """24 triangles tile a hexagon: 72 sides less the 12 on its border, two to a groove."""
    nominal = folded("spacing 2")
    kinds, crease = lit_kinds(nominal, "front"), nominal.views["front"].crease
    own = kinds.partner >= 0
    pairs = {frozenset(p) for p in zip(crease[own].tolist(), kinds.partner[own].tolist(), strict=True)}
    assert len(pairs) == 30
    assert all(len(p) == 2 for p in pairs)
    assert len(frozenset.union(*pairs)) == 60


@pytest.mark.parametrize("name", ["spacing 2", "spacing 2, wide rim"])
def test_partners_are_each_others_and_lie_on_one_line(name):
    nominal = folded(name)
    kinds, crease = lit_kinds(nominal, "front"), nominal.views["front"].crease
    middle = middles(nominal, "front")
    for k in np.flatnonzero(kinds.kind_type == GROOVE):
        there = np.flatnonzero((crease == kinds.partner[k]) & (np.hypot(*(middle - middle[k]).T) < 1e-6))
        assert len(there) == 1
        assert kinds.partner[there[0]] == crease[k]


def test_partners_are_sides_of_twists_of_opposite_hands_on_either_side():
    nominal = folded("spacing 2")
    kinds, crease, fall = lit_kinds(nominal, "front"), nominal.views["front"].crease, falls(nominal, "front")
    middle = middles(nominal, "front")
    owner = {c: t for t in nominal.twists for c, e in enumerate(nominal.creases.ends) if set(e) <= set(t.tips)}
    for k in np.flatnonzero(kinds.kind_type == GROOVE):
        a, b = owner[crease[k]], owner[kinds.partner[k]]
        assert a.hand == -b.hand
        sides = [np.sign((np.array(t.planned_mm) - middle[k]) @ fall[k]) for t in (a, b)]
        assert sorted(sides) == [-1, 1]


def test_in_a_groove_both_edges_have_one_sense():
    """Neither falls to the other: the sense is the same for the two, and for all grooves of one direction."""
    nominal = folded("spacing 2")
    kinds, fall = lit_kinds(nominal, "front"), falls(nominal, "front")
    grooves = kinds.kind_type == GROOVE
    assert len(np.unique(kinds.kind[grooves])) == 3
    assert len(np.unique(np.rint(degrees_of(fall[grooves])).astype(int) % 180)) == 3
    for place in np.unique(place_numbers(nominal, "front")[grooves]):
        both = np.flatnonzero(place_numbers(nominal, "front") == place)
        np.testing.assert_allclose(fall[both[0]], fall[both[1]], atol=1e-9)


@pytest.mark.parametrize("name", ["spacing 3", "spacing 4"])
@pytest.mark.parametrize("view", VIEWS)
def test_wider_plans_have_no_grooves(name, view):
    kinds = lit_kinds(folded(name), view)
    assert (kinds.partner == -1).all()
    assert (kinds.kind_type != GROOVE).all()


# --- places ---


@pytest.mark.parametrize("view", ["front", "back", "backlit"])
def test_stretches_have_one_place_number_exactly_when_they_lie_on_one_another(nominal, view):
    """By brute force, end to end in either sense."""
    a, b = stretch_ends(nominal, view)
    number = place_numbers(nominal, view)

    def near(p, q):
        return np.hypot(*(p[:, None] - q[None]).transpose(2, 0, 1)) < 1e-6

    alike = (near(a, a) & near(b, b)) | (near(a, b) & near(b, a))
    np.testing.assert_array_equal(number[:, None] == number[None], alike)


# --- the frame does not matter ---


def moved(nominal, matrix):
    return replace(nominal, vertices_mm=nominal.vertices_mm @ matrix.T)


def mirrored(nominal, view):
    """The piece as in a mirror along x: left and right change places, up and down do not."""
    s = nominal.views[view]
    swapped = replace(s, raised=-s.raised, layers_left=s.layers_right, layers_right=s.layers_left)
    return replace(moved(nominal, np.diag([-1.0, 1.0])), views={**nominal.views, view: swapped})


@settings(max_examples=25, deadline=None)
@given(st.sampled_from(sorted(LAYOUTS)), st.sampled_from(VIEWS), st.floats(-180, 180))
def test_turning_the_piece_turns_the_falls_with_it(name, view, angle_deg):
    nominal, turn = folded(name), rotation(angle_deg)
    steps = lit_kinds(nominal, view).kind_type != GROOVE
    turned = moved(nominal, turn)
    np.testing.assert_allclose(falls(turned, view)[steps], (falls(nominal, view) @ turn.T)[steps], atol=1e-9)


@settings(max_examples=25, deadline=None)
@given(st.sampled_from(sorted(LAYOUTS)), st.sampled_from(VIEWS), st.integers(0, 11), st.booleans())
def test_the_same_edges_look_alike_in_every_lattice_turn_and_in_a_mirror(name, view, steps, mirror):
    nominal = folded(name)
    other = moved(mirrored(nominal, view) if mirror else nominal, rotation(30.0 * steps))
    one, two = lit_kinds(nominal, view), lit_kinds(other, view)
    np.testing.assert_array_equal(one.kind[:, None] == one.kind[None], two.kind[:, None] == two.kind[None])
    np.testing.assert_array_equal(one.partner, two.partner)


def written_backwards(nominal, view, which):
    """The same piece with the creases `which` (C,) running from their ends[1] to their ends[0]."""
    c, s = nominal.creases, nominal.views[view]
    creases = replace(
        c,
        ends=np.where(which[:, None], c.ends[:, ::-1], c.ends),
        facets=np.where(which[:, None], c.facets[:, ::-1], c.facets),
    )
    back = which[s.crease]
    stretches = replace(
        s,
        t0=np.where(back, 1 - s.t1, s.t0),
        t1=np.where(back, 1 - s.t0, s.t1),
        layers_left=np.where(back, s.layers_right, s.layers_left),
        layers_right=np.where(back, s.layers_left, s.layers_right),
        raised=np.where(back, -s.raised, s.raised),
    )
    return replace(nominal, creases=creases, views={**nominal.views, view: stretches})


@settings(max_examples=25, deadline=None)
@given(st.sampled_from(sorted(LAYOUTS)), st.sampled_from(VIEWS), st.integers(0, 2**32 - 1))
def test_which_end_of_a_crease_comes_first_does_not_matter(name, view, seed):
    nominal = folded(name)
    which = np.random.default_rng(seed).random(len(nominal.creases.ids)) < 0.5
    other = written_backwards(nominal, view, which)
    np.testing.assert_allclose(falls(other, view), falls(nominal, view), atol=1e-9)
    np.testing.assert_array_equal(lit_kinds(other, view).kind, lit_kinds(nominal, view).kind)
    np.testing.assert_array_equal(lit_kinds(other, view).partner, lit_kinds(nominal, view).partner)


@pytest.mark.parametrize("view", VIEWS)
def test_in_a_mirror_the_falls_are_mirrored(nominal, view):
    steps = lit_kinds(nominal, view).kind_type != GROOVE
    there = falls(mirrored(nominal, view), view)
    np.testing.assert_allclose(there[steps], (falls(nominal, view) * [-1.0, 1.0])[steps], atol=1e-9)


def test_left_normals_are_a_quarter_turn_to_the_left_of_their_creases(nominal):
    """Source: numpy's complex numbers; i times the direction."""
    crease = np.arange(len(nominal.creases.ids))
    ends = nominal.vertices_mm[nominal.creases.ends]
    along = (ends[:, 1] - ends[:, 0]) @ np.array([1, 1j])
    wanted = 1j * along / np.abs(along)
    np.testing.assert_allclose(left_normals(nominal, crease) @ np.array([1, 1j]), wanted, atol=1e-12)

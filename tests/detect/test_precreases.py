"""Unused creases on pictures painted here: found where they were drawn, in either sense; none where there is none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from painted_edges import PX_PER_MM, folded, piece, plane_of
from unused_creases import painted, two_sides

from foldtrue.detect.edges import read_light, with_precreases
from foldtrue.detect.grain import grain_of
from foldtrue.detect.precreases import find_precreases, learn_signed_looks, mean_profiles
from foldtrue.handover import Features
from foldtrue.subpixel import straight_lines

NONE = Features(*[np.zeros(0)] * 12)


def seen_in(photo, spacing, vertices_mm=None):
    nominal, plane = folded(spacing), plane_of("front")
    light = read_light(photo, plane, nominal)
    start = nominal.vertices_mm if vertices_mm is None else vertices_mm
    return with_precreases(light, plane, nominal, NONE, start).precreases


def misses(spacing, seen, displacement):
    """Offset (G,) mm and direction (G,) deg of the lines through the samples less those drawn, and which were found."""
    nominal = folded(spacing)
    planned = seen.creases.ends(nominal.vertices_mm)
    drawn = np.einsum("gkj,gj->gk", seen.creases.ends(displacement), seen.creases.normals(nominal.vertices_mm))
    groups = len(seen.found)
    line = straight_lines(seen.t - 0.5, seen.offset_mm, 1 / seen.std_mm**2, seen.crease, groups)
    length = np.hypot(*(planned[:, 1] - planned[:, 0]).T)
    turn = np.degrees((line.slope - (drawn[:, 1] - drawn[:, 0])) / length)
    return (line.at(0.0) - drawn.mean(1))[seen.found], turn[seen.found]


@pytest.mark.parametrize("spacing", [2, 3])
def test_creases_of_either_sense_are_found_where_they_were_drawn(spacing):
    """Height 5 times the noise, 0.25 mm = 1.25 px wide: the Cramer-Rao limit of one line of 60 px is about 0.03 px."""
    displacement = piece(spacing)
    seen = seen_in(painted(spacing, displacement), spacing)
    offset, turn = misses(spacing, seen, displacement)
    assert seen.found.mean() > 0.95
    assert PX_PER_MM * 1.4826 * np.median(np.abs(offset)) < 0.1
    assert 1.4826 * np.median(np.abs(turn)) < 0.3


def test_creases_lit_from_one_side_have_a_zero_by_which_side_that_is():
    """Read by their lit side, folds of opposite sense lie 0.15 mm apart; in each kind they lie together."""
    displacement = piece(3)
    seen = seen_in(painted(3, displacement, look=two_sides), 3)
    offset, turn = misses(3, seen, displacement)
    kind = seen.kind[seen.found]
    zero = {k: np.median(offset[kind == k]) for k in np.unique(kind)}
    assert np.ptp(list(zero.values())) > 0.1
    assert 1.4826 * np.median(np.abs(offset - [zero[k] for k in kind])) < 0.03
    assert 1.4826 * np.median(np.abs(turn)) < 0.3


def test_creases_with_no_lit_side_are_of_one_kind_but_for_their_direction_and_sense():
    """A ridge is as light on its left as on its right: which one grain makes the lighter does not set it apart."""
    seen = seen_in(painted(3, piece(3)), 3)
    assert len(np.unique(seen.kind[seen.found])) <= 3 * 2 + 1


def test_what_runs_askew_is_no_crease():
    """Lines through one twist, 5 deg off where its creases are expected: farther than any network errs."""
    nominal = folded(3)
    tips = list(nominal.twists[4].tips)
    own = nominal.vertices_mm[tips] - nominal.vertices_mm[tips].mean(0)
    askew = np.zeros_like(nominal.vertices_mm)
    askew[tips] = np.radians(5.0) * np.stack([-own[:, 1], own[:, 0]], 1)
    seen = seen_in(painted(3, askew), 3)
    of_twist = np.isin(seen.creases.corners, tips).all((1, 2))
    assert not seen.found[of_twist].any()
    assert seen.found[~of_twist].mean() > 0.95


def test_creases_are_found_from_half_a_millimetre_away():
    displacement = np.zeros_like(folded(3).vertices_mm)
    displacement[list(folded(3).twists[4].tips)] += 0.5
    seen = seen_in(painted(3, displacement), 3)
    offset, _ = misses(3, seen, displacement)
    assert seen.found.mean() > 0.95
    assert np.abs(offset).max() < 0.1


def test_creases_are_found_where_every_twist_is_off_by_a_third_of_a_millimetre():
    """Laid over one another where they are expected, they make a look twice as wide as each."""
    nominal = folded(3)
    displacement = np.zeros_like(nominal.vertices_mm)
    for twist, off in zip(nominal.twists, np.random.default_rng(4).normal(0, 0.3, (24, 2)), strict=True):
        displacement[list(twist.tips)] += off
    seen = seen_in(painted(3, displacement), 3)
    offset, _ = misses(3, seen, displacement)
    assert seen.found.mean() > 0.97
    assert np.mean(np.abs(offset) < 0.1) > 0.97


def test_paper_without_creases_shows_none():
    seen = seen_in(painted(3, piece(3), height=0.0), 3)
    assert seen.found.mean() < 0.05


def test_no_twist_lies_on_top_behind():
    assert find_precreases(folded(3), "back") is None


def test_a_look_is_learned_whatever_its_sense():
    """From profiles that are the same bar with heights of either sign the bar itself comes out, up to its sign."""
    rng = np.random.default_rng(1)
    bar = np.exp(-0.5 * (np.arange(-10, 11) / 3.0) ** 2)
    height = rng.choice([-1, 1], 30) * rng.uniform(0.5, 2, 30)
    crease = np.repeat(np.arange(30), 8)
    profile = height[crease, None] * bar + rng.normal(0, 0.02, (240, 21))
    mean = mean_profiles(profile, crease, np.ones(240, bool), 30)
    grain = grain_of(profile, crease, np.ones(240, bool), 30)
    looks = learn_signed_looks(mean, np.ones(30, bool), np.zeros(30, np.int64), 0.1, grain)
    x = np.stack([np.ones(21), np.linspace(-1, 1, 21)], 1)
    wanted = bar - x @ np.linalg.lstsq(x, bar, rcond=None)[0]
    assert abs(looks.value[0] @ wanted) / np.linalg.norm(wanted) > 0.999


def test_a_photo_against_the_light_has_no_creases_to_look_for():
    nominal, plane = folded(3), replace(plane_of("front"), view="backlit")
    assert read_light(painted(3, piece(3)), plane, nominal).unused is None

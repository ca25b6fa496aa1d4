"""Edges too faint to be found, painted here: read where a network expects them, and only as surely as they show."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from painted_edges import folded, painted, piece, plane_of
from scipy.stats import chi2

from foldtrue.detect.edges import find_features, missed_creases, read_light, with_faint
from foldtrue.detect.likely import Told, by_photo
from foldtrue.handover_faint import ExpectedLines, FaintLines
from foldtrue.stretches import SIDE, left_normals, lit_kinds

SPACING, NOISE = 3, 0.05
FAINT = 0.1
"""Of a shadow a quarter as deep as its paper is light: half a pixel's noise."""
OFFSET_MM, SLOPE_MM = 0.2, 0.2
"""How surely the lines are expected."""
KIND = 1


def of_kind(nominal):
    """Whether each stretch (S,) is a twist's side of the kind that is drawn faintly."""
    kinds = lit_kinds(nominal, "front")
    return (kinds.kind == KIND) & (kinds.kind_type == SIDE)


def ends_of(displacement, crease):
    """Where vertices moved by displacement (V, 2) put both ends (F, 2) of creases, along their left normals."""
    nominal = folded(SPACING)
    moved = displacement[nominal.creases.ends[crease]]
    return np.sum(moved * left_normals(nominal, crease)[:, None], 2)


def expected_about(displacement, crease, seed=0):
    """Lines of creases (F,) as surely expected as above, each off by chance."""
    ends = ends_of(displacement, crease)
    rng = np.random.default_rng(seed)
    offset = ends.mean(1) + rng.normal(0, OFFSET_MM, len(crease))
    slope = np.diff(ends, axis=1)[:, 0] + rng.normal(0, SLOPE_MM, len(crease))
    return ExpectedLines(crease, offset, slope, np.diag(np.tile([OFFSET_MM**2, SLOPE_MM**2], len(crease))))


def read(strength, shift_mm=0.0, seed=0, astray=None, claimed=1.0):
    """(features with faint lines, what was expected, displacement) of a front with one kind of side drawn this
    strongly; astray: a crease that is expected a millimetre beside; claimed: how sure what is expected is said to be,
    its standard uncertainty as a share of the true one."""
    nominal, plane = folded(SPACING), plane_of("front")
    displacement = piece(SPACING, 0.05, seed)
    faintly = of_kind(nominal)
    strengths, shifts = np.where(faintly, strength, 1.0), np.where(faintly, shift_mm, 0.0)
    photo = painted(SPACING, "front", displacement, strengths, shifts, noise=NOISE, seed=seed)
    light = read_light(photo, plane, nominal)
    features = find_features(light, plane, nominal)
    expected = expected_about(displacement, missed_creases(light, plane, features), seed)
    expected = replace(expected, offset_mm=expected.offset_mm + 1.0 * (expected.crease == astray))
    expected = replace(expected, cov_mm2=claimed**2 * expected.cov_mm2)
    return with_faint(light, plane, nominal, features, expected), expected, displacement


def told_of(features):
    """The lines of the kind that is drawn faintly."""
    seen = features.faint
    rows = np.flatnonzero(of_kind(folded(SPACING))[seen.stretch]) if seen is not None else []
    return FaintLines(*(getattr(seen, f.name)[rows] for f in fields(seen))) if len(rows) else None


def judged(features, expected, displacement):
    """Of these lines: error (F,) mm of the offset at t_mid as it was expected, as it was read, and by both together,
    each freed of its mean, which a look does not tell; and the stated stds of what was read."""
    seen = told_of(features)
    crease = folded(SPACING).views["front"].crease[seen.stretch]
    ends = ends_of(displacement, crease)
    here = ends[:, 0] + np.diff(ends, axis=1)[:, 0] * seen.t_mid
    rows = [int(np.flatnonzero(expected.crease == c)[0]) for c in crease]
    arm = seen.t_mid - 0.5
    before, own = expected.offset_mm[rows] + expected.slope_mm[rows] * arm - here, seen.offset_mm - here
    worth = np.hypot(OFFSET_MM, SLOPE_MM * arm) ** -2.0, seen.offset_std_mm**-2.0
    own -= own @ worth[1] / worth[1].sum()
    before -= before.mean()
    both = (worth[0] * before + worth[1] * own) / (worth[0] + worth[1])
    return before, own, both, seen.offset_std_mm


@pytest.fixture(scope="module")
def faint():
    return read(FAINT)


def test_the_faint_kind_is_not_found_by_itself(faint):
    features = faint[0]
    assert features.found[of_kind(folded(SPACING))].mean() < 0.5
    others = lit_kinds(folded(SPACING), "front").kind_type == SIDE
    assert features.found[others & ~of_kind(folded(SPACING))].all()


def over_several(shift_mm=0.0):
    """What is off over six pictures: as expected, as read, by both; and the stated stds."""
    each = [judged(*read(FAINT, shift_mm, seed)) for seed in range(6)]
    return [np.concatenate(values) for values in zip(*each, strict=True)]


@pytest.fixture(scope="module")
def several():
    return over_several()


def test_with_what_the_photo_says_they_lie_nearer_than_they_were_expected(several):
    before, _, both, _ = several
    assert len(both) > 30
    assert np.sqrt(np.mean(both**2)) < 0.65 * np.sqrt(np.mean(before**2))


def test_they_are_off_by_no_more_than_they_say(several):
    """Sum of squares over stated variances within the 99 % of chi square (scipy.stats), less the means taken out."""
    _, own, _, std = several
    assert np.sum((own / std) ** 2) < chi2.ppf(0.99, len(own) - 6)


def test_lines_expected_too_surely_are_read_all_the_same():
    """Three times as surely as they are off: read no farther in than that, next to none would say anything. What was
    read is off by no more than it says, as above."""
    _, own, _, std = zip(*(judged(*read(FAINT, seed=seed, claimed=0.35)) for seed in range(4)), strict=True)
    own, std = np.concatenate(own), np.concatenate(std)
    assert len(own) > 20
    assert np.sum((own / std) ** 2) < chi2.ppf(0.99, len(own) - 4)


def test_where_no_edge_is_drawn_nothing_is_said():
    for seed in range(3):
        features, _, _ = read(0.0, seed=seed)
        assert told_of(features) is None


def test_what_light_shifts_in_all_of_a_kind_does_not_matter(several):
    """Half a pixel."""
    shifted = over_several(0.1)[2]
    assert len(shifted) > 30
    assert np.sqrt(np.mean(shifted**2)) < 1.25 * np.sqrt(np.mean(several[2] ** 2))


def test_an_edge_that_is_elsewhere_is_not_said_to_be_where_it_is_expected():
    """A millimetre off where two tenths are expected: the photo shows nothing there, and no surer place comes out."""
    crease_of = folded(SPACING).views["front"].crease
    shown = told_of(read(FAINT)[0])
    crease = crease_of[shown.stretch[shown.offset_std_mm.argmin()]]
    features, _, displacement = read(FAINT, astray=crease)
    seen = features.faint
    mine = np.flatnonzero(crease_of[seen.stretch] == crease)
    if len(mine):
        here = ends_of(displacement, np.array([crease]))[0]
        truth = here[0] + (here[1] - here[0]) * seen.t_mid[mine[0]]
        assert abs(seen.offset_mm[mine[0]] - truth) < 3 * max(seen.offset_std_mm[mine[0]], OFFSET_MM)


def test_a_picture_without_noise_is_read_without_fault():
    nominal, plane = folded(SPACING), plane_of("front")
    photo = painted(SPACING, "front", np.zeros_like(nominal.vertices_mm), np.where(of_kind(nominal), 0.0, 1.0))
    light = read_light(photo, plane, nominal)
    features = find_features(light, plane, nominal)
    expected = expected_about(piece(SPACING, 0.0), missed_creases(light, plane, features))
    seen = with_faint(light, plane, nominal, features, expected).faint
    assert all(np.isfinite(getattr(seen, f.name)).all() for f in fields(seen))


def test_of_a_back_nothing_is_read_so():
    """Its edges lie on lines of the grid, and so do unused creases."""
    nominal, plane = folded(SPACING), plane_of("back")
    photo = painted(SPACING, "back", np.zeros_like(nominal.vertices_mm), 0.0)
    light = read_light(photo, plane, nominal)
    assert not len(missed_creases(light, plane, find_features(light, plane, nominal)))


@st.composite
def covariances(draw):
    """(2, 2), of offset mm and slope mm."""
    spread = [draw(st.floats(0.01, 0.3)) for _ in range(2)]
    same = draw(st.floats(-0.9, 0.9))
    return np.array([[spread[0] ** 2, same * spread[0] * spread[1]], [same * spread[0] * spread[1], spread[1] ** 2]])


@given(covariances(), covariances(), st.floats(-0.3, 0.3), st.floats(-0.3, 0.3))
def test_what_the_photo_says_times_what_was_expected_is_what_both_say(prior, own, offset, slope):
    """Product of two normal densities: precisions add, and precision times mean (theorem)."""
    both = np.linalg.inv(np.linalg.inv(prior) + np.linalg.inv(own))
    mean = both @ np.linalg.solve(own, [offset, slope])
    told = Told(mean[None], both[None], np.zeros(1), np.ones(1), np.ones(1, bool))
    # A direction that tells next to nothing is left out.
    assume(np.linalg.eigvals(np.linalg.solve(prior, both)).max() <= 0.79)
    t_mid, place, std = by_photo(told, prior[None])
    arm = t_mid[0] - 0.5
    line = np.array([[1.0, arm], [0.0, 1.0]])  # offset at t_mid, and slope
    cov = line @ own @ line.T
    if 0 < t_mid[0] < 1:
        assert cov[0, 1] == pytest.approx(0.0, abs=1e-3 * np.sqrt(cov[0, 0] * cov[1, 1]))
    assert std[0] == pytest.approx(np.sqrt(np.diag(cov)), rel=1e-3, abs=2e-3)
    assert place[0] == pytest.approx(line @ [offset, slope], abs=2e-3)


def test_a_photo_that_says_nothing_leaves_no_line():
    prior = np.diag([0.01, 0.02])[None]
    told = Told(np.zeros((1, 2)), prior, np.zeros(1), np.zeros(1), np.ones(1, bool))
    assert np.isinf(by_photo(told, prior)[2]).all()

"""The combined estimate: best, unbiased, and with the covariance it states."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_photos import without_freedoms
from panels import folded_panel

from foldtrue.pool.combine import (
    ALIKE_BETWEEN_VIEWS,
    combine,
    covariance,
    fit_differences,
    make_reading,
    of_each_twist,
    pose_freedoms,
)

NOMINAL = folded_panel(3, 24)
DESIGN = pose_freedoms(NOMINAL)
SEEN = np.ones(len(NOMINAL.twists), bool)


def drawn_covariance(seed):
    rng = np.random.default_rng(seed)
    mix = rng.normal(size=(len(DESIGN), len(DESIGN)))
    return 1e-3 * (mix @ mix.T / len(DESIGN) + 0.1 * np.eye(len(DESIGN)))


def stated(readings):
    return without_freedoms(covariance(readings, combine(readings, DESIGN)), DESIGN)


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 10**6), photos=st.integers(2, 5))
def test_photos_with_covariance_of_their_own_share_it_out(seed, photos):
    """n photos of covariance C: C / n, whatever C, where the fits' freedoms do not reach."""
    cov = drawn_covariance(seed)
    reading = make_reading(np.zeros((len(SEEN), 3)), (cov, cov), SEEN, "front", DESIGN)
    wanted = without_freedoms(cov, DESIGN) / photos
    assert stated([reading] * photos) == pytest.approx(wanted, rel=1e-6, abs=1e-9)


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 10**6), photos=st.integers(2, 5))
def test_what_photos_of_one_view_share_does_not_get_smaller(seed, photos):
    cov = drawn_covariance(seed)
    reading = make_reading(np.zeros((len(SEEN), 3)), (cov, 0 * cov), SEEN, "front", DESIGN)
    assert stated([reading] * photos) == pytest.approx(stated([reading]), rel=1e-6, abs=1e-9)


def test_of_what_two_views_may_share_half_stays():
    cov = drawn_covariance(3)
    one, other = (make_reading(np.zeros((len(SEEN), 3)), (cov, 0 * cov), SEEN, v, DESIGN) for v in ("front", "backlit"))
    assert stated([one, other]) == pytest.approx(stated([one]) * (1 + ALIKE_BETWEEN_VIEWS) / 2, rel=1e-6, abs=1e-9)


def least_squares(photos, covariance_of):
    """Independent calculation: all photos' values, whitened, for the errors and each fit's freedoms at once; errors
    (3 T,), the sum of squares left, and its freedoms."""
    rows, values = [], []
    for k, r in enumerate(photos):
        at = np.flatnonzero(np.repeat(r.seen, 3))
        white = np.linalg.inv(np.linalg.cholesky(covariance_of(r.cov)[np.ix_(at, at)]))
        fits = np.zeros((len(at), 8 * len(photos)))
        fits[:, 8 * k : 8 * k + 8] = DESIGN[at]
        rows.append(white @ np.hstack([np.eye(len(DESIGN))[at], fits]))
        values.append(white @ r.error.ravel()[at])
    best, _, rank, _ = np.linalg.lstsq(np.vstack(rows), np.concatenate(values), rcond=1e-10)
    left = np.concatenate(values) - np.vstack(rows) @ best
    return best[: len(DESIGN)], left @ left, len(left) - rank


def test_the_estimate_is_that_of_least_squares_over_everything(maker):
    """The errors weighed twist by twist, the photos' difference by all of their covariances."""
    made = maker(4)
    part = np.arange(made.twists) % 5 != 0
    photos = [made.photo(made.piece(), seen=seen) for seen in (SEEN, part, ~part | (np.arange(made.twists) < 9))]
    whole = combine(photos, DESIGN)
    wanted, _, _ = least_squares(photos, of_each_twist)
    found, wanted = (without_freedoms(e, DESIGN) for e in (whole.error.ravel(), wanted))
    assert found == pytest.approx(wanted, abs=1e-7)
    _, square, freedoms = least_squares(photos, lambda cov: cov)
    assert whole.chi_square == pytest.approx(square, rel=1e-6)
    assert whole.freedoms == freedoms


def test_the_stated_covariance_is_that_of_drawn_estimates(maker):
    """200 draws: the estimates' mean square is the stated variance, within four of its own deviations, though the
    weights know nothing of what neighbours have in common."""
    made = maker(9)
    cov, none = made.covariance(), made.piece(0.0, 0.0)
    drawn = [[made.photo(none, cov) for _ in range(3)] for _ in range(200)]
    found = np.array([without_freedoms(combine(p, DESIGN).error.ravel(), DESIGN) for p in drawn])
    assert np.mean(found**2) == pytest.approx(np.trace(stated(drawn[0])) / found.shape[1], rel=0.06)


def test_a_fit_that_took_out_more_or_less_changes_nothing(maker):
    made = maker(5)
    one, other = (made.photo(made.piece()) for _ in range(2))
    coef = np.array([0.3, -0.2, 0.1, 0.2, -0.1, 0.05, 0.1, -0.3])
    moved = make_reading(other.error + (DESIGN @ coef).reshape(-1, 3), (other.cov, other.own), SEEN, "front", DESIGN)
    before, after = combine([one, other], DESIGN), combine([one, moved], DESIGN)
    assert after.chi_square == pytest.approx(before.chi_square, rel=1e-6)
    kept = [without_freedoms(w.error.ravel(), DESIGN) for w in (before, after)]
    assert kept[1] == pytest.approx(kept[0], abs=1e-8)
    change = [np.diff(fit_differences([one, r], w, DESIGN), axis=0)[0] for r, w in ((other, before), (moved, after))]
    assert change[1] - change[0] == pytest.approx(coef, abs=1e-7)


def test_a_twist_that_one_photo_shows_is_taken_from_that_one(maker):
    made = maker(6)
    piece, first = made.piece(), np.arange(made.twists) != 7
    photos = [made.photo(piece, seen=first), made.photo(piece, fit=0.0)]
    whole = combine(photos, DESIGN)
    assert whole.seen.all()
    assert combine(photos[:1], DESIGN).seen.tolist() == first.tolist()
    apart = whole.error - photos[1].error - (DESIGN @ -fit_differences(photos, whole, DESIGN)[1]).reshape(-1, 3)
    assert np.abs(apart[7]).max() < 0.1


def test_the_square_of_the_photos_differences_is_as_large_as_its_freedoms(maker):
    """60 draws; the mean of a chi-square of n freedoms is n, its variance 2 n."""
    made = maker(7)
    found = []
    for _ in range(60):
        piece = made.piece()
        found.append(combine([made.photo(piece), made.photo(piece), made.photo(piece)], DESIGN))
    assert {w.freedoms for w in found} == {2 * (72 - 8)}
    mean = np.mean([w.chi_square for w in found])
    assert mean == pytest.approx(128, abs=3 * np.sqrt(2 * 128 / 60))


def test_a_photo_whose_plane_is_known_keeps_what_another_takes_out(maker):
    """Shear is the piece's where something of known size fixed the plane; a photo without has lost it."""
    made = maker(8)
    shear = (DESIGN @ np.array([0, 0, 0, 0, 0.3, -0.2, 0.0, 0.0])).reshape(-1, 3)
    cov = made.covariance(0.001, 0.01)
    known = make_reading(made.piece(0, 0) + shear, (cov, cov), SEEN, "front", DESIGN, taken=4)
    without = make_reading(made.piece(0, 0), (cov, cov), SEEN, "front", DESIGN)
    whole = combine([known, without], DESIGN)
    assert whole.taken == 4
    found, wanted = (without_freedoms(e.ravel(), DESIGN[:, :4]) for e in (whole.error, shear))
    assert found == pytest.approx(wanted, abs=1e-6)
    assert whole.freedoms == 72 - 8

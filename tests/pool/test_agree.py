"""Photos against each other: the odd one out, and a claim that is too small."""

from __future__ import annotations

import numpy as np
import pytest

from foldtrue.pool.agree import against_others, birge, odd_one, plainly_apart
from foldtrue.pool.combine import combine


def photos_of(made, count, spoiled=None, **more):
    """Photos of one piece; in the spoiled one every twist is off by 0.15 mm more."""
    piece = made.piece()
    out = [made.photo(piece, **more) for _ in range(count)]
    if spoiled is not None:
        out[spoiled] = made.photo(piece + made.rng.normal(0, [0.15, 0.15, 0.0], piece.shape), **more)
    return out


@pytest.mark.parametrize("spoiled", [0, 1, 3])
def test_the_photo_that_disagrees_is_the_one_left_out(maker, spoiled):
    made = maker(spoiled)
    assert odd_one(against_others(photos_of(made, 4, spoiled), made.design)) == spoiled


def test_no_photo_is_left_out_of_those_that_scatter_as_they_claim(maker):
    made = maker(11)
    for _ in range(20):
        assert odd_one(against_others(photos_of(made, 3), made.design)) is None


def test_no_photo_is_left_out_because_all_claim_too_little(maker):
    """All scatter 1.7 times as much as they say: none of them is the odd one."""
    made = maker(12)
    for _ in range(10):
        assert odd_one(against_others(photos_of(made, 4, drawn=1.7), made.design)) is None


def test_of_two_photos_neither_is_the_odd_one(maker):
    made = maker(13)
    judged = against_others(photos_of(made, 2, 1), made.design)
    assert judged[0].p_value == pytest.approx(judged[1].p_value, rel=1e-6)
    assert judged[0].p_value < 1e-4
    assert odd_one(judged) is None


def test_each_photo_is_compared_with_the_estimate_of_the_others(maker):
    """Independent calculation: the weighted square of its difference from the others' estimate."""
    made = maker(14)
    photos = photos_of(made, 3)
    free = np.linalg.svd(made.design, full_matrices=True)[0][:, 8:]
    weights = [np.linalg.inv(free.T @ p.cov @ free) for p in photos[1:]]
    others = np.linalg.inv(sum(weights))
    rest = others @ sum(w @ free.T @ p.error.ravel() for w, p in zip(weights, photos[1:], strict=True))
    apart = free.T @ photos[0].error.ravel() - rest
    square = apart @ np.linalg.solve(free.T @ photos[0].cov @ free + others, apart)
    judged = against_others(photos, made.design)[0]
    assert judged.chi_square == pytest.approx(square, rel=1e-6)
    assert judged.freedoms == free.shape[1]


@pytest.mark.parametrize("drawn", [1.5, 2.0])
def test_a_claim_that_is_too_small_is_widened_by_the_ratio_of_birge(maker, drawn):
    made = maker(15)
    factor, p = birge(combine(photos_of(made, 4, drawn=drawn), made.design))
    assert p < 0.01
    assert factor == pytest.approx(drawn, rel=0.15)


@pytest.mark.parametrize("drawn", [0.3, 1.0])
def test_a_claim_is_never_shrunk(maker, drawn):
    made = maker(16)
    assert birge(combine(photos_of(made, 4, drawn=drawn), made.design))[0] == 1.0


def test_twice_the_spread_is_granted_five_times_is_not():
    assert not plainly_apart(4 * 64, 64)
    assert plainly_apart(25 * 64, 64)

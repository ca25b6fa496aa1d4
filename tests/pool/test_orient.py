"""One orientation for all photos, and one piece for all photos, told by the errors alone."""

from __future__ import annotations

import numpy as np
import pytest

from foldtrue.frames import rotation
from foldtrue.pool.orient import match, one_piece_or_two, relabelled
from foldtrue.pool.relabel import mirrored_turn, relabelling

TURNS = [rotation(60.0 * k) for k in range(6)]
ALL = [*TURNS, *(mirrored_turn(60.0 * k) for k in range(6))]


def labels(made, motions):
    return [relabelling(made.nominal, m) for m in motions]


def found(made, one, other, motions):
    idle = labels(made, [np.eye(2)])
    return match(one, other, (idle, labels(made, motions)), made.nominal, made.design)


@pytest.mark.parametrize("k", range(len(ALL)))
def test_a_turned_or_mirrored_photo_is_brought_back(maker, k):
    made = maker(20 + k)
    piece = made.piece()
    one, other = made.photo(piece), made.photo(piece)
    turned = relabelled(other, relabelling(made.nominal, ALL[k]))
    answer = found(made, one, turned, ALL)
    assert answer.motion == pytest.approx(np.linalg.inv(ALL[k]), abs=1e-9)
    assert answer.answer == "one piece"


def test_the_orientation_of_a_faultless_piece_is_not_guessed(maker):
    made = maker(40)
    for _ in range(20):
        piece = made.piece(0.0, 0.0)
        assert found(made, made.photo(piece), made.photo(piece), TURNS).answer == "orientation"


def test_light_that_stays_with_the_camera_does_not_orient_a_faultless_piece(maker):
    """What light does to both photos alike, in the photo's own frame, is as large as the uncertainties say; the noise
    besides is a third of it. The plan was turned under it, so the labels that agree best would be wrong."""
    made = maker(41)
    cov = made.covariance()
    for _ in range(20):
        light = (np.linalg.cholesky(cov) @ made.rng.normal(size=len(cov))).reshape(-1, 3)
        photos = [made.photo(light, cov, own=0.1, drawn=0.33) for _ in range(2)]
        assert found(made, *photos, TURNS).answer == "orientation"


def test_a_wrong_answer_is_rarer_than_one_in_a_hundred_where_errors_hardly_stand_out(maker):
    """Errors as large as the noise: most photos are not decided, and hardly any wrongly."""
    made = maker(42)
    answers = []
    for _ in range(60):
        piece = made.piece(0.04, 0.12)
        answer = found(made, made.photo(piece), made.photo(piece), TURNS)
        if answer.answer == "one piece":
            answers.append(np.allclose(answer.motion, np.eye(2)))
    assert all(answers)


@pytest.mark.parametrize("seed", range(5))
def test_two_pieces_are_told_apart(maker, seed):
    made = maker(50 + seed)
    one, other = made.photo(made.piece()), made.photo(made.piece())
    assert found(made, one, other, TURNS).answer == "other piece"


@pytest.mark.parametrize("seed", range(5))
def test_one_piece_is_known_though_the_photos_claim_half_their_noise(maker, seed):
    made = maker(60 + seed)
    piece = made.piece()
    assert found(made, made.photo(piece, drawn=2.0), made.photo(piece, drawn=2.0), TURNS).answer == "one piece"


def test_photos_that_show_different_parts_cannot_be_compared(maker):
    made = maker(70)
    piece, half = made.piece(), np.arange(made.twists) < 12
    assert found(made, made.photo(piece, seen=half), made.photo(piece, seen=~half), [np.eye(2)]) is None


def test_the_likelihood_ratio_says_nothing_where_neither_piece_has_errors(maker):
    made = maker(71)
    none = made.piece(0.0, 0.0)
    assert abs(one_piece_or_two(made.photo(none), made.photo(none), made.design)) < 5

"""The whole piece's fit against OpenCV's findHomography, which is written and solved in another way."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.optimize import least_squares

from foldtrue.alignment import fit_globally
from foldtrue.frames import apply_homography

MATRIX = np.array([[1.02, 0.03, 1.5], [-0.02, 0.97, -2.0], [2e-4, -1e-4, 1.0]])


def places(count, seed):
    return np.random.default_rng(seed).uniform(-60, 60, (count, 2)) * [1.0, 0.8]


def opencv(planned, measured):
    """Least squares of the distances on the plan, as ours: so from the measured to the planned points."""
    matrix = np.linalg.inv(cv2.findHomography(measured, planned, 0)[0])
    return matrix / matrix[2, 2]


@pytest.mark.parametrize("count", [4, 7, 40])
def test_exact_points_give_the_same_matrix(count):
    planned = places(count, 1)
    measured = apply_homography(MATRIX, planned)
    ours = fit_globally(planned, measured, "homography", np.ones(count)).matrix
    np.testing.assert_allclose(ours, MATRIX, atol=1e-9)
    np.testing.assert_allclose(ours, opencv(planned, measured), atol=1e-6)


@pytest.mark.parametrize("count", [24, 96])
def test_noisy_points_give_the_same_plane_within_a_fraction_of_the_noise(count):
    """Ours gives far points less weight, which costs 5 % of the precision; both must carry the plan to the same places
    within a third of what noise does to either."""
    gaps, errors = [], []
    for seed in range(30):
        planned = places(count, seed)
        measured = apply_homography(MATRIX, planned) + np.random.default_rng(100 + seed).normal(0, 0.1, planned.shape)
        ours = apply_homography(fit_globally(planned, measured, "homography", np.ones(count)).matrix, planned)
        gaps.append(ours - apply_homography(opencv(planned, measured), planned))
        errors.append(ours - apply_homography(MATRIX, planned))
    assert np.std(gaps) < np.std(errors) / 3
    assert np.std(errors) == pytest.approx(0.1 * np.sqrt(8 / (2 * count)), rel=0.15)


def test_with_its_final_weights_the_fit_is_the_least_squares_solution():
    """Against SciPy's trust-region solver on the eight terms themselves. Ours takes the shifts that the freedoms bring
    at the planned places instead of the measured ones, which differ by the noise: so to one per cent of the noise."""
    planned = places(30, 3)
    measured = apply_homography(MATRIX, planned) + np.random.default_rng(4).normal(0, 0.1, planned.shape)
    fit = fit_globally(planned, measured, "homography", np.ones(30), rounds=60)

    def rest(terms):
        back = np.append(terms, 1.0).reshape(3, 3)
        return ((apply_homography(back, measured) - planned) * np.sqrt(fit.weights)[:, None]).ravel()

    start = (np.linalg.inv(MATRIX) / np.linalg.inv(MATRIX)[2, 2]).ravel()[:8]
    found = least_squares(rest, start, x_scale=np.maximum(np.abs(start), 1e-4), xtol=1e-14, ftol=1e-14, gtol=1e-14).x
    theirs = apply_homography(np.linalg.inv(np.append(found, 1.0).reshape(3, 3)), planned)
    assert np.abs(apply_homography(fit.matrix, planned) - theirs).max() < 0.001


def test_one_gross_error_moves_ours_less_than_least_squares():
    planned = places(24, 5)
    measured = apply_homography(MATRIX, planned) + np.random.default_rng(6).normal(0, 0.05, planned.shape)
    measured[3] += 5.0
    others = np.arange(24) != 3
    true = apply_homography(MATRIX, planned[others])
    ours = apply_homography(fit_globally(planned, measured, "homography", np.ones(24)).matrix, planned[others])
    plain = apply_homography(opencv(planned, measured), planned[others])
    assert np.std(ours - true) < 0.1 * np.std(plain - true)

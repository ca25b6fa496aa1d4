"""What is known of a lens beforehand, against SciPy's distributions."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from foldtrue.handover import KeptLens
from foldtrue.lens_prior import (
    CORRECTED,
    EITHER,
    KEPT_SHARE,
    KEPT_STD,
    UNCORRECTED,
    contradicts,
    kept_std,
    usual,
    weighed,
)

KEPT = KeptLens("Pane 2", 26.0, 4 / 3, -0.05, 0.0006)


MEASURED = pytest.mark.parametrize(
    ("found", "std"), [(0.0, np.inf), (0.0, 0.01), (0.03, 0.02), (-0.08, 0.03), (0.002, 0.001)]
)


def cameras(share, found, std):
    """k1 of cameras drawn from the prior with this share of corrected ones, and the weights of those whose measurement
    came out as this one (importance weights)."""
    rng = np.random.default_rng(5)
    corrected = rng.random(400_000) < share
    k1 = np.where(corrected, rng.normal(0, CORRECTED[1], corrected.size), rng.normal(0, UNCORRECTED[1], corrected.size))
    weight = np.ones_like(k1) if np.isinf(std) else norm.pdf(found, k1, std)
    return k1, weight / weight.sum()


@MEASURED
def test_the_lens_is_the_mean_of_all_cameras_that_measure_so(found, std):
    k1, weight = cameras(CORRECTED[0], found, std)
    centre, stated = usual(found, std)
    assert centre == pytest.approx(weight @ k1, abs=0.03 * stated)


@MEASURED
def test_the_interval_holds_95_per_cent_of_both_kinds_of_camera_in_equal_shares(found, std):
    """And no wider interval than that mixture's spread asks for is stated."""
    k1, weight = cameras(EITHER[0], found, std)
    centre, stated = usual(found, std)
    spread = np.sqrt(weight @ (k1 - centre) ** 2)
    inside = weight[np.abs(k1 - centre) < 1.96 * stated].sum()
    assert inside > 0.945
    assert stated == pytest.approx(spread, rel=0.03) or inside == pytest.approx(0.95, abs=0.005)


def test_nine_in_ten_cameras_that_correct_no_lens_are_held_where_nothing_is_measured():
    """SciPy's normal distribution; of those that do, all."""
    _, stated = usual()
    assert 2 * norm.sf(1.96 * stated / UNCORRECTED[1]) == pytest.approx(0.1, abs=0.002)
    assert 2 * norm.sf(1.96 * stated / CORRECTED[1]) < 1e-9


def test_a_kept_lens_and_the_photo_weigh_by_their_variances():
    """Product of two normal distributions."""
    prior = np.sqrt(0.0006**2 + KEPT_STD**2 + (KEPT_SHARE * 0.05) ** 2)
    assert kept_std(KEPT) == pytest.approx(prior)
    k1, std = weighed(-0.045, 0.004, KEPT)
    precision = 1 / prior**2 + 1 / 0.004**2
    assert k1 == pytest.approx((-0.05 / prior**2 - 0.045 / 0.004**2) / precision)
    assert std == pytest.approx(precision**-0.5)


def test_a_photo_whose_folds_say_nothing_has_the_kept_lens():
    assert weighed(0.0, np.inf, KEPT) == (KEPT.k1, kept_std(KEPT))


def test_a_photo_that_contradicts_the_kept_lens_is_believed():
    far = KEPT.k1 + 4.1 * np.hypot(0.004, kept_std(KEPT))
    near = KEPT.k1 + 3.9 * np.hypot(0.004, kept_std(KEPT))
    assert contradicts(far, 0.004, KEPT)
    assert not contradicts(near, 0.004, KEPT)
    assert weighed(far, 0.004, KEPT) == usual(far, 0.004)


def test_an_exact_measurement_is_believed():
    k1, std = usual(-0.07, 0.0)
    assert k1 == pytest.approx(-0.07, abs=1e-8)
    assert std < 1e-8

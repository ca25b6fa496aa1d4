"""Grain that goes along a profile: estimated, and what is read once it is known, against theorems on least squares.

Grain is drawn as a first-order autoregression, whose covariance at distance k is rho^k (Box, Jenkins and Reinsel, Time
Series Analysis, 3.2 [from memory])."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import toeplitz
from scipy.ndimage import gaussian_filter1d

from foldtrue.detect.grain import grain_of
from foldtrue.detect.looks import Looks, fit_looks, fit_looks_in_grain

COUNT, STEP_MM = 41, 0.05
PLACE = np.arange(COUNT) - COUNT // 2
RIDGE = np.exp(-0.5 * (PLACE / 3.0) ** 2)
LINES, BLOCKS = 60, 30
LINE = np.repeat(np.arange(LINES), BLOCKS)
EVERY = np.ones(LINES * BLOCKS, bool)


def covariance(rho, size=0.02):
    return size**2 * toeplitz(rho ** np.arange(COUNT))


def grainy(rho, rows=LINES * BLOCKS, size=0.02, seed=0):
    return np.random.default_rng(seed).multivariate_normal(np.zeros(COUNT), covariance(rho, size), rows)


def ridges(rho, shift_steps=0.0):
    """Profiles with a ridge of unit height in grain, and the look of it."""
    moved = np.exp(-0.5 * ((PLACE - shift_steps) / 3.0) ** 2)
    looks = Looks(RIDGE[None], np.ones((1, COUNT)), STEP_MM, np.ones(1), np.ones(1, bool))
    return moved + grainy(rho), looks


@pytest.mark.parametrize("rho", [0.0, 0.6, 0.9])
def test_grain_has_the_covariance_it_was_drawn_with(rho):
    """Near by, where it decides how a narrow look is read; far apart it is tapered."""
    height = np.random.default_rng(1).uniform(-1, 1, LINES)
    profile = grainy(rho) + height[LINE, None] * RIDGE
    found = grain_of(profile, LINE, EVERY, LINES).cov
    assert np.abs(found[20, 16:25] - covariance(rho)[20, 16:25]).max() < 0.1 * 0.02**2


def test_in_the_grains_terms_samples_are_independent():
    grain = grain_of(grainy(0.8), LINE, EVERY, LINES)
    white = np.cov((grainy(0.8, seed=1) @ grain.root).T)
    assert np.abs(np.diagonal(white) - 1).mean() < 0.1
    assert np.abs(white - np.diag(np.diagonal(white))).max() < 0.25
    np.testing.assert_allclose(grain.root @ grain.unroot, np.identity(COUNT), atol=1e-6)


def test_what_is_far_off_the_others_is_no_grain():
    light = grainy(0.5)
    light[::20] += 0.2 * RIDGE
    found = grain_of(light, LINE, EVERY, LINES).cov
    np.testing.assert_allclose(found[20, 17:24], covariance(0.5)[20, 17:24], atol=0.12 * 0.02**2)


def test_lines_too_short_to_tell_leave_samples_independent():
    grain = grain_of(grainy(0.8, LINES), np.arange(LINES), np.ones(LINES, bool), LINES)
    np.testing.assert_allclose(grain.inverse, np.identity(COUNT), atol=1e-9)


def test_even_light_counts_for_nothing():
    grain = grain_of(grainy(0.8), LINE, EVERY, LINES)
    even = np.stack([np.ones(COUNT), PLACE.astype(float)])
    assert np.abs(even @ grain.free_of_even()).max() < 1e-6 * np.abs(grain.inverse).max()


@pytest.mark.parametrize("rho", [0.0, 0.6, 0.9])
def test_a_place_scatters_as_the_best_linear_estimate_does(rho):
    """The Gauss-Markov theorem in Aitken's form: no unbiased linear estimate scatters less than the one weighted by the
    inverse covariance, whose variance is that of the normal equations'."""
    profile, looks = ridges(rho)
    fit = fit_looks_in_grain(profile, np.zeros(len(profile), np.int64), looks, grain_of(profile, LINE, EVERY, LINES))
    slope = -PLACE / 9.0 * RIDGE / STEP_MM
    design = np.stack([np.ones(COUNT), PLACE / 20.0, RIDGE, slope], 1)
    best = np.sqrt(np.linalg.inv(design.T @ np.linalg.inv(covariance(rho)) @ design)[3, 3])
    assert 0.95 * best < np.std(fit.shift_mm) < 1.15 * best


def test_in_grain_as_wide_as_the_ridge_places_lie_twice_as_near_as_if_samples_were_independent():
    light = np.random.default_rng(0).normal(size=(LINES * BLOCKS, COUNT + 40))
    light = gaussian_filter1d(light, 4.0, axis=1)[:, 20:-20]
    _, looks = ridges(0.0)
    profile, kind = RIDGE + 0.02 / light.std() * light, np.zeros(LINES * BLOCKS, np.int64)
    plain = fit_looks(profile, kind, looks, np.ones((1, COUNT)))
    known = fit_looks_in_grain(profile, kind, looks, grain_of(profile, LINE, EVERY, LINES))
    assert np.std(known.shift_mm) < 0.5 * np.std(plain.shift_mm)


@pytest.mark.parametrize("rho", [0.0, 0.8])
def test_places_are_as_unsure_as_stated_and_hardly_drawn_to_the_middle(rho):
    """One step of the fit goes nine tenths of the way at least; the next reading starts from there."""
    profile, looks = ridges(rho, shift_steps=0.5)
    fit = fit_looks_in_grain(profile, np.zeros(len(profile), np.int64), looks, grain_of(profile, LINE, EVERY, LINES))
    std = fit.noise * np.sqrt(fit.shift_var)
    off = fit.shift_mm - fit.shift_mm.mean()
    assert abs(fit.shift_mm.mean() - 0.5 * STEP_MM) < 0.1 * 0.5 * STEP_MM
    assert 0.9 < np.mean((off / std) ** 2) < 1.15  # stated is a little less: the grain is not known exactly

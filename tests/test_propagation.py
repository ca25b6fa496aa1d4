"""What the published examples (references/test_gum.py) leave open: many cases at once, and what may not be given."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import ndtr

from foldtrue.frames import apply_homography, homography_jacobian
from foldtrue.propagation import covariance_root, coverage_factor, effective_freedom, half_width, propagate

MATRIX = np.array([[3.0, 0.2, 50.0], [-0.1, 2.8, 40.0], [1e-3, 5e-4, 1.0]])


def test_many_cases_at_once_are_each_by_itself():
    rng = np.random.default_rng(1)
    x, root = rng.uniform(1, 9, (5, 2)), rng.normal(0, 0.1, (5, 2, 2))
    cov = root @ root.swapaxes(1, 2)

    def model(v):
        return np.stack([v[..., 0] * v[..., 1], np.hypot(v[..., 0], v[..., 1]), v[..., 0]], -1)

    value, spread = propagate(model, x, cov)
    assert (value.shape, spread.shape) == ((5, 3), (5, 3, 3))
    for k in range(5):
        alone = propagate(model, x[k], cov[k])
        np.testing.assert_allclose(value[k], alone[0], rtol=1e-12)
        np.testing.assert_allclose(spread[k], alone[1], rtol=1e-9, atol=1e-15)


def test_through_a_homography_it_is_the_analytic_jacobian():
    xy = np.random.default_rng(2).uniform(-50, 50, (9, 2))
    cov = np.tile(np.array([[0.04, 0.01], [0.01, 0.09]]), (9, 1, 1))
    _, found = propagate(lambda p: apply_homography(MATRIX, p), xy, cov)
    jacobian = homography_jacobian(MATRIX, xy)
    np.testing.assert_allclose(found, jacobian @ cov @ jacobian.swapaxes(1, 2), rtol=1e-5)


def test_a_quantity_known_exactly_adds_nothing():
    value, cov = propagate(lambda v: v.prod(-1, keepdims=True), [3.0, 5.0], np.diag([0.0, 0.04]))
    assert value[0] == 15.0
    assert cov[0, 0] == pytest.approx(0.36)


@given(st.lists(st.tuples(st.floats(0.01, 10), st.integers(1, 50)), min_size=1, max_size=6))
def test_freedoms_lie_between_the_fewest_and_all_together(parts):
    """JCGM 100, G.4.1: nu_eff is at most the sum of the freedoms."""
    variances, freedoms = zip(*parts, strict=True)
    found = effective_freedom(variances, freedoms)
    assert min(freedoms) * (1 - 1e-9) <= found <= sum(freedoms) * (1 + 1e-9)


def test_the_root_of_a_covariance_gives_it_back_whatever_the_units():
    units = np.array([1e3, 1.0, 1e-7, 0.0])
    mixed = np.array([[1.0, 0.3, -0.5, 0], [0.3, 1.0, 0.2, 0], [-0.5, 0.2, 1.0, 0], [0, 0, 0, 1.0]])
    cov = mixed * np.outer(units, units)
    root = covariance_root(cov)
    assert root.shape == (4, 3)  # what is known for certain takes no column
    np.testing.assert_allclose(root @ root.T, cov, rtol=1e-9, atol=0)


@given(st.lists(st.floats(0.01, 3), min_size=1, max_size=2), st.floats(0.05, 3))
def test_a_half_width_holds_its_share_of_the_sum(limits, normal):
    """Against the sum's distribution by 200 places of each rectangle, and the normal error about each."""
    half = half_width(float(np.sqrt(np.sum(np.square(limits)) / 3 + normal**2)), limits)
    places = np.zeros(1)
    for limit in limits:
        places = (places[:, None] + limit * np.linspace(-1, 1, 401)[1::2]).ravel()
    held = np.mean(ndtr((half - places) / normal) - ndtr((-half - places) / normal))
    assert held == pytest.approx(0.95, abs=0.003)


@given(st.lists(st.floats(0, 3), max_size=4), st.floats(0.01, 3))
def test_hard_limits_never_widen_an_interval(limits, normal):
    std = float(np.sqrt(np.sum(np.square(limits)) / 3 + normal**2))
    assert 1.64 * std < half_width(std, limits) < coverage_factor() * std * (1 + 1e-9)


def test_limits_too_small_to_tell_leave_the_normal_interval():
    assert half_width(2.0, (0.001, 0.0)) == coverage_factor() * 2.0
    assert half_width(0.0) == 0.0

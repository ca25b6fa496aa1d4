"""Statistics against published examples and other people's code."""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import numpy as np
import pymannkendall
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import kendalltau, theilslopes

from foldtrue.progress.statistics import (
    ewma,
    holm,
    individuals_limits,
    mann_kendall,
    std_interval,
    theil_sen,
)

NORMAL = {"exact_up_to": 0}


@pytest.fixture(scope="module")
def nile():
    """Yearly flow of the Nile at Aswan, 1871 to 1970, 100 values; tests/references/nile/SOURCE.md."""
    path = Path(__file__).parents[1] / "references" / "nile" / "nile.csv"
    return np.loadtxt(path, delimiter=",", skiprows=1, usecols=1)


# ---- control charts


def test_individuals_limits_of_nist():
    # NIST/SEMATECH e-Handbook 6.3.2.2: mean 50.81, mean moving range 1.8778, limits 45.8159 and 55.8041
    values = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    limits = individuals_limits(values)
    assert limits.mean == pytest.approx(50.81, abs=1e-9)
    assert limits.sigma * 1.128 == pytest.approx(1.8778, abs=5e-5)
    assert (limits.low, limits.high) == pytest.approx((45.8159, 55.8041), abs=1e-4)


EWMA_DATA = """52.0 47.0 53.0 49.3 50.1 47.0 51.0 50.1 51.2 50.5
    49.6 47.6 49.9 51.3 47.8 51.2 52.6 52.4 53.6 52.1"""
EWMA_PRINTED = """50.60 49.52 50.56 50.18 50.16 49.21 49.75 49.85 50.26 50.33
    50.11 49.36 49.52 50.05 49.38 49.92 50.73 51.23 51.94 51.99"""


def test_ewma_of_nist():
    # NIST/SEMATECH e-Handbook 6.3.2.4: weight 0.3, start 50, s 2.0539, limits for large t 52.5884 and 47.4115
    # (47.41157, printed cut off); no signals
    chart = ewma(np.array(EWMA_DATA.split(), float), start=50.0, sigma=2.0539)
    assert chart.values == pytest.approx([float(value) for value in EWMA_PRINTED.split()], abs=0.0051)
    assert (chart.high[-1], chart.low[-1]) == pytest.approx((52.5884, 47.41157), abs=1e-3)  # t = 20 is nearly large
    later = ewma(np.zeros(200), start=50.0, sigma=2.0539)
    assert (later.high[-1], later.low[-1]) == pytest.approx((52.5884, 47.41157), abs=5e-5)
    assert ((chart.values < chart.high) & (chart.values > chart.low)).all()


def test_ewma_limits_start_at_one_weighted_value():
    # z_1 = 0.3 x_1 + 0.7 start: its standard deviation is 0.3 sigma, by the definition
    chart = ewma(np.array([1.0, 2.0]), start=0.0, sigma=2.0)
    assert chart.high[0] == pytest.approx(3 * 0.3 * 2.0)


# ---- trend


def test_nile_flow_falls(nile):
    # Score, variance, p and slope as two independent codes agree; pymannkendall is one of them
    test, other = mann_kendall(nile), pymannkendall.original_test(nile)
    assert (test.score, test.variance) == (-1387, pytest.approx(112728.333, abs=1e-3))
    assert test.p_value == pytest.approx(3.658e-5, rel=1e-3)
    assert (test.score, test.variance, test.p_value) == pytest.approx((other.s, other.var_s, other.p), rel=1e-9)
    slope = theil_sen(np.arange(100.0), nile)
    assert (slope.value, slope.low, slope.high) == pytest.approx((-2.6, -3.628, -1.429), abs=5e-4)


def test_example_of_sen():
    # P. K. Sen, JASA 63 (1968) 1379: slope 4, 93 % interval 3.71 to 4.375
    x = np.array([1, 2, 3, 4, 10, 12, 18.0])
    y = np.array([9, 15, 19, 20, 45, 55, 78.0])
    slope = theil_sen(x, y, confidence=0.93, **NORMAL)
    assert (slope.value, slope.low, slope.high) == pytest.approx((4.0, 26 / 7, 4.375))


@pytest.mark.parametrize("count", [10, 30, 80])
def test_slopes_and_intervals_as_scipy_has_them(count):
    rng = np.random.default_rng(count)
    x, y = np.cumsum(rng.uniform(0.5, 2, count)), rng.normal(size=count)
    other = theilslopes(y, x, 0.95)
    slope = theil_sen(x, y, **NORMAL)
    assert (slope.value, slope.low, slope.high) == pytest.approx((other.slope, other.low_slope, other.high_slope))


@pytest.mark.parametrize("count", [3, 4, 5, 8, 20, 50])
def test_exact_p_values_as_scipy_has_them(count):
    values = np.random.default_rng(count).normal(size=count)
    other = kendalltau(np.arange(count), values, method="exact").pvalue
    assert mann_kendall(values).p_value == pytest.approx(other, rel=1e-9)


@given(st.lists(st.integers(0, 3), min_size=2, max_size=6))
def test_exact_p_values_with_ties_by_trying_every_order(values):
    def score(order):
        return sum(np.sign(b - a) for a, b in itertools.combinations(order, 2))

    scores = [abs(score(order)) for order in itertools.permutations(values)]
    found = mann_kendall(np.array(values, float))
    assert found.p_value == pytest.approx(np.mean([s >= abs(score(values)) for s in scores]))
    assert found.smallest_p == pytest.approx(np.mean([s == max(scores) for s in scores]))


def test_the_exact_and_the_normal_p_value_meet():
    values = np.random.default_rng(2).normal(size=60) + 0.01 * np.arange(60)
    assert mann_kendall(values).p_value == pytest.approx(mann_kendall(values, **NORMAL).p_value, rel=0.02)


@pytest.mark.parametrize(("sizes", "smallest"), [((4,), 2 / 24), ((5,), 2 / 120), ((3, 3), 2 / 36), ((3, 4), 2 / 144)])
def test_the_smallest_p_value_is_that_of_one_order_and_its_reverse(sizes, smallest):
    strata = [name for name, size in enumerate(sizes) for _ in range(size)]
    values = np.random.default_rng(1).normal(size=len(strata))
    assert mann_kendall(values, strata).smallest_p == pytest.approx(smallest)


def test_strata_add_as_in_the_seasonal_test():
    # Hirsch and Slack 1984, with months as strata; pymannkendall's seasonal test as the other code
    values = np.random.default_rng(4).normal(size=48) + np.tile(np.arange(12.0), 4) * 5
    strata = list(range(12)) * 4
    other = pymannkendall.seasonal_test(values, period=12)
    found = mann_kendall(values, strata, **NORMAL)
    assert (found.score, found.variance, found.p_value) == pytest.approx((other.s, other.var_s, other.p))
    slope = theil_sen(np.arange(48.0), values, strata, **NORMAL)
    assert slope.value * 12 == pytest.approx(other.slope)


def test_a_new_plan_is_no_trend():
    # two plans, one after the other, each without a trend: only pairs within a plan are compared
    rng = np.random.default_rng(5)
    values = np.concatenate([rng.normal(1.0, 0.1, 10), rng.normal(3.0, 0.1, 10)])
    assert mann_kendall(values).p_value < 1e-3
    assert mann_kendall(values, [0] * 10 + [1] * 10).p_value > 0.05


@pytest.mark.parametrize("sizes", [(5,), (6,), (7,), (3, 4)])
def test_the_exact_interval_holds_the_slope_as_often_as_it_says(sizes):
    """By every order of the values in each stratum: without a trend, zero lies within in at least 95 %."""
    rng = np.random.default_rng(6)
    parts = [rng.normal(size=size) for size in sizes]
    strata = [name for name, size in enumerate(sizes) for _ in range(size)]
    held = []
    for orders in itertools.product(*(itertools.permutations(part) for part in parts)):
        slope = theil_sen(np.arange(float(len(strata))), np.concatenate(orders), strata)
        held.append(slope.low <= 0 <= slope.high)
    assert 0.95 <= np.mean(held) < 1


@pytest.mark.parametrize("count", [5, 6, 9, 15])
def test_interval_and_test_say_the_same(count):
    for seed in range(60):
        values = np.random.default_rng(seed).normal(size=count) + 0.3 * np.arange(count)
        slope = theil_sen(np.arange(float(count)), values)
        assert (mann_kendall(values).p_value <= 0.05) == (not slope.low <= 0 <= slope.high)


def test_so_few_values_have_no_interval():
    assert theil_sen(np.arange(4.0), np.array([4.0, 3, 2, 1])).low is None
    assert theil_sen(np.arange(1.0), np.array([1.0])).value is None


# ---- the rest


def test_interval_of_a_standard_deviation():
    # by its definition: n s^2 / sigma^2 is distributed as chi-square; SciPy's as the other code
    from scipy.stats import chi2

    low, high = std_interval(2.0, 9)
    assert chi2.cdf(9 * 4 / low**2, 9) == pytest.approx(0.975)
    assert chi2.cdf(9 * 4 / high**2, 9) == pytest.approx(0.025)


def test_holm_by_hand():
    # S. Holm 1979: sorted 0.005, 0.01, 0.03, 0.04, 0.9, times 5, 4, 3, 2, 1, and never less than the one before
    assert holm([0.01, 0.04, 0.03, 0.005, 0.9]) == pytest.approx([0.04, 0.09, 0.09, 0.025, 0.9])
    assert holm([0.7, 0.6]) == [1.0, 1.0]
    assert holm([]) == []


def test_moving_range_factor():
    # mean distance of two standard normal values: 2 / sqrt(pi)
    assert round(2 / math.sqrt(math.pi), 3) == 1.128

"""The package's own least squares against certified values (strd/)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy import sparse

from foldtrue.fit.lens import slope_by_jackknife
from foldtrue.fit.network import weighted_solution
from foldtrue.subpixel import robust_line, straight_lines

X, Y = np.loadtxt(Path(__file__).parent / "strd" / "norris.csv", delimiter=",", skiprows=1).T
ONE, SAME = np.ones(36), np.zeros(36, np.int64)
# Norris, certified: intercept, slope, their standard deviations, residual standard deviation, residual sum of squares.
INTERCEPT, SLOPE = -0.262323073774029, 1.00211681802045
INTERCEPT_STD, SLOPE_STD = 0.232818234301152, 0.429796848199937e-03
RESIDUAL_STD, RESIDUAL_SQUARES = 0.884796396144373, 26.6173985294224


def digits(found, certified):
    """Log relative error, the measure that NIST uses."""
    error = abs(found - certified) / abs(certified)
    return -np.log10(error) if error > 0 else 16.0


def test_norris_is_the_certified_data_set():
    assert (len(X), X[1], Y[3]) == (36, 337.4, 888.0)


def test_straight_line_of_norris():
    """subpixel.straight_lines: every edge of a piece is fitted with it."""
    line = straight_lines(X, Y, ONE, SAME, 1)
    rest = line.rest(X, Y, SAME)
    s = np.sqrt(rest @ rest / 34)
    assert digits(line.slope[0], SLOPE) > 13
    assert digits(line.at(0.0)[0], INTERCEPT) > 12
    assert digits(rest @ rest, RESIDUAL_SQUARES) > 12
    assert digits(s, RESIDUAL_STD) > 12
    assert digits(s * np.sqrt(line.slope_variance()[0]), SLOPE_STD) > 12
    assert digits(s * np.sqrt(line.variance_at(0.0)[0]), INTERCEPT_STD) > 12


def test_straight_line_of_norris_far_from_zero():
    """A thousand times farther away than the data are wide; the slope then has what digits the data keep."""
    line = straight_lines(X + 1e6, Y + 1e6, ONE, SAME, 1)
    assert digits(line.slope[0], SLOPE) > 10
    assert digits(line.at(1e6)[0] - 1e6, INTERCEPT) > 9


def test_norris_twice_over_with_halved_weights_is_the_same_line():
    """Weights are inverse variances: two readings of half the weight are one."""
    twice = straight_lines(np.tile(X, 2), np.tile(Y, 2), np.tile(ONE / 2, 2), np.tile(SAME, 2), 1)
    assert digits(twice.slope[0], SLOPE) > 12
    assert twice.slope_variance()[0] == pytest.approx(straight_lines(X, Y, ONE, SAME, 1).slope_variance()[0], rel=1e-12)


def test_robust_line_that_calls_nothing_odd_gives_norris():
    a, b, trust = robust_line(X, Y, ONE, SAME, 1, spread=1e9)
    assert trust.min() > 1 - 1e-12
    assert digits(b[0], SLOPE) > 12
    assert digits(a[0] - 0.5 * b[0], INTERCEPT) > 11


def test_network_equations_of_norris():
    """fit/network.py solves sparse normal equations, which square the condition number, 855 here."""
    design = sparse.csr_matrix(np.stack([ONE, X], 1))
    factor, found = weighted_solution(design, ONE, Y, sparse.csr_matrix((2, 2)))
    rest = Y - design @ found
    std = np.sqrt(rest @ rest / 34 * np.diag(factor.solve(np.eye(2))))
    for value, certified in zip((*found, *std), (INTERCEPT, SLOPE, INTERCEPT_STD, SLOPE_STD), strict=True):
        assert digits(value, certified) > 11


def test_lens_regression_of_norris():
    """fit/lens.py: the slope of the lens term beside another column, here the intercept; standard error by leaving out
    one edge at a time, here by numpy.polyfit."""
    slope, std = slope_by_jackknife(Y, X, ONE, np.arange(36), ONE[:, None])
    left_out = [np.polyfit(np.delete(X, k), np.delete(Y, k), 1)[0] for k in range(36)]
    assert digits(slope, SLOPE) > 8  # a ridge of 1e-9 keeps it solvable where edges say nothing
    assert std == pytest.approx(np.sqrt(35 / 36 * np.sum((np.array(left_out) - slope) ** 2)), rel=1e-5)


# NumAcc, certified mean and standard deviation; digits that the data keep as binary numbers.
@pytest.mark.parametrize(
    ("values", "mean", "std", "kept"),
    [
        ([10000001, 10000003, 10000002], 10000002.0, 1.0, 15),
        ([1.2, *[1.1, 1.3] * 500], 1.2, 0.1, 13),
        ([1000000.2, *[1000000.1, 1000000.3] * 500], 1000000.2, 0.1, 9),
        ([10000000.2, *[10000000.1, 10000000.3] * 500], 10000000.2, 0.1, 8),
    ],
    ids=["NumAcc1", "NumAcc2", "NumAcc3", "NumAcc4"],
)
def test_mean_and_deviation_of_large_numbers(values, mean, std, kept):
    value = np.array(values, float)
    zero, place = np.zeros(len(value)), np.zeros(len(value), np.int64)
    line = straight_lines(zero, value, zero + 1, place, 1)
    rest = line.rest(zero, value, place)
    assert digits(line.value[0], mean) > 14
    assert digits(np.sqrt(rest @ rest / (len(value) - 1)), std) >= kept

"""Figures and their uncertainties, in numbers and in words."""

from __future__ import annotations

import numpy as np
import pytest

from foldtrue.measured import Measured, plus_minus, radius95


# Two significant digits at most in an uncertainty: JCGM 100:2008, 7.2.6. One where the first digit is 3 or more.
@pytest.mark.parametrize(
    ("value", "u95", "text"),
    [
        (0.1234, 0.034, "0.12 ± 0.03 mm"),
        (0.1234, 0.0141, "0.123 ± 0.014 mm"),
        (0.1234, 0.0296, "0.12 ± 0.03 mm"),
        (0.1234, 0.0994, "0.12 ± 0.10 mm"),
        (-1.26, 0.98, "-1.3 ± 1.0 mm"),
        (123.4, 12.3, "123 ± 12 mm"),
        (1234.0, 123.0, "1230 ± 120 mm"),
        (-0.0004, 0.02, "0.000 ± 0.020 mm"),
        (2.0, 0.0, "2 ± 0 mm"),
    ],
)
def test_value_is_written_to_the_place_of_its_uncertainty(value, u95, text):
    assert plus_minus(value, u95, "mm") == text


@pytest.mark.parametrize("value", [None, float("nan"), float("inf")])
def test_no_value_is_said_in_words(value):
    assert plus_minus(value, 0.1, "mm") == "not measured"


def test_unknown_uncertainty_is_said_in_words():
    assert plus_minus(1.23456, None, "mm") == "1.23 mm (uncertainty not known)"


def test_measured_shows_the_95_percent_half_width():
    # 1.96 standard deviations hold 95 % of a normal distribution (JCGM 100:2008, table G.1)
    figure = Measured(0.5, 0.1, "deg")
    assert figure.u95 == pytest.approx(0.196, abs=1e-4)
    assert figure.text() == "0.50 ± 0.20 deg"


# Circle that holds 95 % of a centred 2-D normal error, in units of the larger deviation, by the ratio of the two:
# the ends are exact (1.95996 for a line, sqrt(-2 ln 0.05) = 2.44775 for round).
@pytest.mark.parametrize(("ratio", "radius"), [(0.0, 1.95996), (1.0, 2.44775)])
def test_radius_of_a_line_and_of_a_round_error(ratio, radius):
    assert radius95(np.diag([1.0, ratio**2])) == pytest.approx(radius, abs=1e-4)


@pytest.mark.parametrize("ratio", [0.05, 0.3, 0.5, 0.8])
def test_radius_holds_95_percent_of_drawn_errors(ratio):
    covariance = np.array([[2.0, 0.0], [0.0, 2.0 * ratio**2]])
    turn = np.array([[0.6, -0.8], [0.8, 0.6]])
    covariance = turn @ covariance @ turn.T
    errors = np.random.default_rng(3).multivariate_normal([0, 0], covariance, 200_000)
    share = np.mean(np.hypot(*errors.T) <= radius95(covariance))
    assert share == pytest.approx(0.95, abs=0.002)


def test_radius_of_many_scales_with_the_deviation_and_passes_over_the_unknown():
    stack = np.array([np.eye(2), 4 * np.eye(2), np.full((2, 2), np.nan), np.zeros((2, 2))])
    radius = radius95(stack)
    assert radius.shape == (4,)
    assert radius[1] == pytest.approx(2 * radius[0])
    assert np.isnan(radius[2])
    assert radius[3] == 0

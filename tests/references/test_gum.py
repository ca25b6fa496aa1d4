"""The package's propagation of uncertainty against the worked examples of JCGM 100:2008 and JCGM 101:2008 (gum/)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from foldtrue.measured import COVERAGE_95, Measured
from foldtrue.propagation import coverage_factor, effective_freedom, half_width, propagate
from foldtrue.subpixel import straight_lines

DATA = Path(__file__).parent / "gum"


def read(name):
    return np.loadtxt(DATA / f"{name}.csv", delimiter=",", skiprows=1)


def test_mean_of_twenty_temperatures():
    """JCGM 100, 4.4.3: mean 100.145 degrees, s 1.489, standard uncertainty of the mean 0.333. All readings at one
    place: the line is level and its value the mean."""
    value = read("temperatures")
    zero = np.zeros(20)
    line = straight_lines(zero, value, np.ones(20), zero.astype(int), 1)
    rest = line.rest(zero, value, zero.astype(int))
    s = np.sqrt(rest @ rest / 19)
    assert line.value[0] == pytest.approx(100.145, abs=5e-4)
    assert s == pytest.approx(1.489, abs=5e-4)
    assert s * np.sqrt(line.variance_at(0.0)[0]) == pytest.approx(0.333, abs=5e-4)


# JCGM 100, H.1: an end gauge compared with a standard of the same length, nm and degrees Celsius. u of the comparator's
# three parts, of the standard, of the difference of the expansion coefficients and of the temperatures; their freedoms.
GAUGE = np.array([50_000_623.0, 215.0, 0.0, 0.0, 0.0, 0.0])
GAUGE_STD = np.array([25.0, 5.8, 3.9, 6.7, 1e-6 / np.sqrt(3), 0.05 / np.sqrt(3)])
GAUGE_FREEDOMS = np.array([18, 24, 5, 8, 50, 2])


def gauge(x, theta=-0.1, expansion=11.5e-6):
    length, *comparison, difference, warmer = np.moveaxis(x, -1, 0)
    return (length + sum(comparison) - length * (difference * theta + expansion * warmer))[..., None]


def test_end_gauge_length_and_uncertainty():
    value, cov = propagate(gauge, GAUGE, np.diag(GAUGE_STD**2))
    assert value[0] == 50_000_838
    assert np.sqrt(cov[0, 0]) == pytest.approx(31.66, abs=0.01)  # printed: 32 nm


def test_end_gauge_parts_have_the_printed_sizes():
    parts = [np.sqrt(propagate(gauge, GAUGE, np.diag(np.eye(6)[k] * GAUGE_STD**2))[1][0, 0]) for k in range(6)]
    assert parts == pytest.approx([25.0, 5.8, 3.9, 6.7, 2.9, 16.6], abs=0.05)


def test_end_gauge_freedoms_and_interval():
    """nu_eff 16.7, cut down to 16: t99 2.92, U99 93 nm. With t for 17 it would be 92 nm."""
    parts = np.array([propagate(gauge, GAUGE, np.diag(np.eye(6)[k] * GAUGE_STD**2))[1][0, 0] for k in range(6)])
    freedom = effective_freedom(parts, GAUGE_FREEDOMS)
    assert freedom == pytest.approx(16.7, abs=0.06)  # 16.75 unrounded, see SOURCE.md
    assert coverage_factor(freedom, 0.95) == pytest.approx(2.12, abs=0.005)
    assert coverage_factor(freedom, 0.99) == pytest.approx(2.92, abs=0.005)
    assert coverage_factor(freedom, 0.99) * np.sqrt(parts.sum()) == pytest.approx(92.5, abs=0.05)


def test_end_gauge_products_of_small_terms_are_beyond_first_order():
    """JCGM 100, H.1.7: with the terms of second order u_c is 34 nm. Drawn, with u of the temperature 0.41 degrees and
    of the expansion coefficient 1.2e-6 per degree [both from memory]: first order leaves them out and says 32."""
    rng = np.random.default_rng(1)
    count = 400_000
    x = GAUGE + rng.normal(size=(count, 6)) * GAUGE_STD
    drawn = gauge(x, -0.1 + rng.normal(0, 0.41, count), 11.5e-6 + rng.normal(0, 1.2e-6, count))
    assert drawn.std() == pytest.approx(34, abs=0.5)
    assert np.sqrt(propagate(gauge, GAUGE, np.diag(GAUGE_STD**2))[1][0, 0]) < 0.95 * drawn.std()


def impedance(x):
    voltage, current, phase = x[..., 0], x[..., 1] / 1000, x[..., 2]
    size = voltage / current
    return np.stack([size * np.cos(phase), size * np.sin(phase), size], -1)


def test_impedance_from_correlated_means():
    """JCGM 100, H.2, table H.4: R 127.732 (0.071), X 219.847 (0.295), Z 254.260 (0.236) ohm; r(R, X) -0.588, r(R, Z)
    -0.485, r(X, Z) 0.993."""
    sets = read("impedance")
    value, cov = propagate(impedance, sets.mean(0), np.cov(sets.T) / len(sets))
    std = np.sqrt(np.diag(cov))
    assert value == pytest.approx([127.732, 219.847, 254.260], abs=5e-4)
    assert std == pytest.approx([0.071, 0.295, 0.236], abs=6e-4)  # X: 0.2956 unrounded, see SOURCE.md
    correlation = cov / np.outer(std, std)
    assert correlation[[0, 0, 1], [1, 2, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=5e-4)


def test_impedance_without_its_correlations_would_be_wrong():
    """2.8 times too much for R (0.195), too little for X (0.201): the covariances must be used."""
    sets = read("impedance")
    _, cov = propagate(impedance, sets.mean(0), np.diag(sets.var(0, ddof=1)) / len(sets))
    assert np.sqrt(np.diag(cov))[:2] == pytest.approx([0.195, 0.201], abs=5e-4)


@pytest.fixture
def thermometer():
    """Line, standard deviation of a reading and covariance of intercept (at 20 degrees) and slope."""
    t, correction = read("thermometer").T
    one, zero = np.ones(len(t)), np.zeros(len(t), int)
    line = straight_lines(t - 20, correction, one, zero, 1)
    rest = line.rest(t - 20, correction, zero)
    s = np.sqrt(rest @ rest / (len(t) - 2))
    slope = line.slope_variance()[0]
    across = -line.t_mid[0] * slope
    return line, s, s**2 * np.array([[line.variance_at(0.0)[0], across], [across, slope]])


def test_thermometer_calibration_line(thermometer):
    """JCGM 100, H.3: y1 -0.1712 (0.0029), y2 0.00218 (0.00067), r -0.930, s 0.0035."""
    line, s, cov = thermometer
    std = np.sqrt(np.diag(cov))
    assert (line.at(0.0)[0], line.slope[0]) == pytest.approx((-0.1712, 0.00218), abs=5e-5)
    assert std == pytest.approx([0.0029, 0.00067], abs=3e-5)
    assert cov[0, 1] / std.prod() == pytest.approx(-0.930, abs=5e-4)
    assert s == pytest.approx(0.0035, abs=5e-5)


def test_thermometer_correction_at_thirty_degrees(thermometer):
    """JCGM 100, H.3.4: b(30) = -0.1494, u 0.0041; from the line's own formula and by propagation with the
    correlation."""
    line, s, cov = thermometer
    value, spread = propagate(lambda y: y[..., :1] + 10 * y[..., 1:], [line.at(0.0)[0], line.slope[0]], cov)
    assert value[0] == pytest.approx(-0.1494, abs=5e-5)
    assert np.sqrt(spread[0, 0]) == pytest.approx(0.0041, abs=5e-5)
    assert s * np.sqrt(line.variance_at(10.0)[0]) == pytest.approx(np.sqrt(spread[0, 0]), rel=1e-9)


def test_freedoms_of_a_product():
    """JCGM 100, G.4.1, example [from memory]: relative uncertainties 0.25, 0.57 and 0.82 % from 10, 5 and 15 readings;
    u_c 1.03 %, nu_eff 19.0, t95 2.09, U95 2.2 %."""
    x = np.array([3.0, 5.0, 7.0])
    share = np.array([0.25, 0.57, 0.82]) / 100
    value, cov = propagate(lambda q: q.prod(-1, keepdims=True), x, np.diag((share * x) ** 2))
    relative = np.sqrt(cov[0, 0]) / value[0]
    assert relative == pytest.approx(0.0103, abs=5e-5)
    freedom = effective_freedom(share**2, [9, 4, 14])
    assert freedom == pytest.approx(19.0, abs=0.05)
    figure = Measured(1.0, relative, "", round(freedom))
    assert figure.u95 / relative == pytest.approx(2.09, abs=0.005)
    assert figure.u95 == pytest.approx(0.022, abs=5e-4)


# JCGM 100, table G.2: t for 95 and 99 %.
@pytest.mark.parametrize(
    ("freedom", "t95", "t99"),
    [(1, 12.71, 63.66), (2, 4.30, 9.92), (5, 2.57, 4.03), (10, 2.23, 3.17), (16, 2.12, 2.92), (np.inf, 1.960, 2.576)],
)
def test_coverage_factors_of_table_g2(freedom, t95, t99):
    assert coverage_factor(freedom, 0.95) == pytest.approx(t95, abs=0.0051)
    assert coverage_factor(freedom, 0.99) == pytest.approx(t99, abs=0.0051)


def test_freedoms_are_cut_down_never_rounded_up():
    """JCGM 100, G.4.1, note 1: to the next lower whole number."""
    assert coverage_factor(16.9) == coverage_factor(16)
    assert coverage_factor(17) < coverage_factor(16)


def test_nothing_estimated_means_a_normal_distribution():
    assert effective_freedom([4.0, 9.0], np.inf) == np.inf
    assert coverage_factor() == pytest.approx(COVERAGE_95, rel=1e-14)


@pytest.mark.parametrize("freedom", [0.0, 0.9, float("nan")])
def test_less_than_one_freedom_has_no_interval(freedom):
    with pytest.raises(ValueError, match="degree of freedom"):
        coverage_factor(freedom)


def total(x):
    return x.sum(-1, keepdims=True)


def test_sum_of_four_normals_is_exact():
    """JCGM 101, 9.2.2: four normal quantities with u = 1: 95 % interval +-3.92."""
    _, cov = propagate(total, np.zeros(4), np.eye(4))
    assert COVERAGE_95 * np.sqrt(cov[0, 0]) == pytest.approx(3.92, abs=0.005)


def test_sum_of_four_rectangular_quantities_is_a_hundredth_narrower_than_first_order_says():
    """JCGM 101, 9.2.3: +-3.88 instead of +-3.92; drawn independently."""
    _, cov = propagate(total, np.zeros(4), np.eye(4))
    drawn = np.random.default_rng(2).uniform(-np.sqrt(3), np.sqrt(3), (1_000_000, 4)).sum(1)
    half = np.quantile(np.abs(drawn), 0.95)
    assert half == pytest.approx(3.88, abs=0.01)
    assert COVERAGE_95 * np.sqrt(cov[0, 0]) / half == pytest.approx(1.01, abs=0.004)


@pytest.mark.parametrize(
    ("limits", "printed"),
    [
        ((1.0,), 0.95),  # JCGM 100, G.1.3 [from memory]: of a rectangular error 95 % lie within 1.65 u, u = 1 / sqrt(3)
        ((1.0, 1.0), 2 * (1 - np.sqrt(0.05))),  # 4.3.9, note 2: two alike make a triangular one
        ((np.sqrt(3.0),) * 4, 3.88),  # JCGM 101, 9.2.3
    ],
)
def test_half_width_of_rectangular_quantities(limits, printed):
    std = np.sqrt(np.sum(np.square(limits)) / 3)
    assert half_width(std, limits) == pytest.approx(printed, abs=0.001)


def test_half_width_of_a_rectangular_quantity_that_dominates_four():
    """JCGM 101, 9.2.4 [from memory]: rectangular quantities with u = 1, 1, 1 and 10: +-17.0 instead of +-19.9."""
    u = np.array([1.0, 1.0, 1.0, 10.0])
    std = float(np.linalg.norm(u))
    assert half_width(std) == pytest.approx(19.9, abs=0.05)
    assert half_width(std, np.sqrt(3.0) * u) == pytest.approx(17.0, abs=0.05)


def loss(x):
    return np.sum(x**2, -1, keepdims=True)


def test_a_square_at_zero_is_where_first_order_fails():
    """JCGM 101, 9.4.2: loss X1^2 + X2^2, u 0.005 each, at (0, 0). First order says 0 +- 0; drawn values have mean
    50e-6, u 50e-6, shortest 95 % interval 0 to 150e-6."""
    value, cov = propagate(loss, np.zeros(2), np.eye(2) * 0.005**2)
    drawn = loss(np.random.default_rng(3).normal(0, 0.005, (400_000, 2)))
    assert (value[0], cov[0, 0]) == (0.0, 0.0)
    assert drawn.mean() == pytest.approx(50e-6, rel=0.01)
    assert drawn.std() == pytest.approx(50e-6, rel=0.01)
    assert np.quantile(drawn, 0.95) == pytest.approx(150e-6, rel=0.01)


@pytest.mark.parametrize(("x1", "least"), [(0.010, 0.88), (0.050, 0.99)])
def test_a_square_far_from_zero_is_where_first_order_holds(x1, least):
    """JCGM 101, 9.4: u by first order is 2 x1 u(x1); exact, var(X^2) = 4 x^2 u^2 + 2 u^4 for a normal X."""
    u = 0.005
    std = np.sqrt(propagate(loss, [x1, 0.0], np.eye(2) * u**2)[1][0, 0])
    assert std == pytest.approx(2 * x1 * u, rel=1e-9)
    assert least < std / np.sqrt(4 * x1**2 * u**2 + 4 * u**4) < 1

"""Habits planted in a piece are found and named; pure chance is not called a habit."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from panels import folded_panel
from planted import SCATTER_DEG, SCATTER_MM, planted
from scipy import stats

from foldtrue.judge.diagnose import chance_of, diagnose_fit, errors_of
from foldtrue.judge.mixed import Data, fit_model, project
from foldtrue.judge.patterns import along_deg, layout_of, pleat_normals_deg


@pytest.fixture(scope="module")
def nominal():
    return folded_panel(2, 16)


@pytest.fixture(scope="module")
def three_rings():
    return folded_panel(2, 24, 240, 3)


def found(nominal, habits, times, seed):
    fit, told = planted(nominal, habits, times, seed)
    return diagnose_fit(nominal, fit), told


def test_one_scatter_alone_is_its_maximum_likelihood_estimate():
    """Closed form: n independent values with known variance v: t = mean z^2 - v."""
    z = np.random.default_rng(1).normal(0, 2.0, 400)
    fitted = fit_model(Data(z, 0.5 * np.eye(400), np.eye(400)), [np.eye(400)])
    assert fitted.components[0] == pytest.approx(np.mean(z**2) - 0.5, rel=1e-3)


def test_effects_are_those_of_generalised_least_squares():
    """Aitken's estimate: (X' V^-1 X)^-1 X' V^-1 z (A. C. Aitken, Proc. R. Soc. Edinb. 55 (1935) 42 [from memory])."""
    rng = np.random.default_rng(2)
    x, cov = rng.normal(size=(30, 3)), np.diag(rng.uniform(0.5, 2.0, 30))
    z = x @ [1.0, -2.0, 0.5] + rng.normal(0, 1, 30)
    fitted = fit_model(Data(z, cov, np.eye(30)), [np.eye(30)], x)
    whole = np.linalg.inv(cov + fitted.components[0] * np.eye(30))
    np.testing.assert_allclose(fitted.effects, np.linalg.solve(x.T @ whole @ x, x.T @ whole @ z), rtol=1e-9)


def test_the_balanced_one_way_table_gives_the_anova_components():
    """A balanced random-effects table's restricted likelihood has its maximum at the analysis of variance's components
    (Searle, Casella and McCulloch, Variance Components (1992), 4.7 [from memory])."""
    rng = np.random.default_rng(3)
    groups, each = 12, 5
    y = (rng.normal(0, 1.5, groups)[:, None] + rng.normal(0, 1.0, (groups, each))).ravel()
    within = float(np.mean(y.reshape(groups, each).var(axis=1, ddof=1)))
    between = (each * y.reshape(groups, each).mean(1).var(ddof=1) - within) / each
    data = project(y, 1e-12 * np.eye(len(y)), np.ones((len(y), 1)))
    blocks = np.kron(np.eye(groups), np.ones((each, each)))
    fitted = fit_model(data, [np.eye(len(data.z)), data.kernel(blocks)])
    np.testing.assert_allclose(fitted.components, [within, between], rtol=1e-2)


def test_chance_of_a_component_is_half_a_chi_square():
    """Self and Liang 1987, case 5: one component at the boundary."""
    assert chance_of(2.7055, 1, 0) == pytest.approx(0.05, abs=1e-4)
    assert chance_of(3.8415, 0, 1) == pytest.approx(0.05, abs=1e-4)
    assert chance_of(5.138, 2, 0) == pytest.approx(0.5 * stats.chi2.sf(5.138, 1) + 0.25 * stats.chi2.sf(5.138, 2))


def test_pleats_run_across_three_directions_sixty_degrees_apart(nominal):
    np.testing.assert_allclose(pleat_normals_deg(nominal), [30.0, 90.0, 150.0], atol=1e-6)


def test_pure_chance_is_called_a_habit_no_more_often_than_promised(nominal):
    """5 % at most: of 40 pieces more than 6 in three of a thousand such tests (binomial distribution); hundreds of
    pieces in tests/accuracy/diagnosis.py."""
    called = sum(bool(found(nominal, (), 0.0, [seed, 1])[0].findings) for seed in range(40))
    assert called <= 6


@pytest.mark.parametrize("habit", ["drift", "rows", "hand_shift", "turn_alike", "single"])
@pytest.mark.parametrize("seed", range(3))
def test_a_habit_twice_the_scatter_is_named_first(nominal, habit, seed):
    diagnosis, told = found(nominal, (habit,), 2.0, [seed, 2])
    first = diagnosis.findings[0]
    assert first.code == habit
    if habit in ("drift", "rows"):
        assert first.normal_deg == pytest.approx(told[habit])
    if habit == "single":
        assert first.twists == (told[habit],)


@pytest.mark.parametrize("habit", ["border", "ring"])
def test_where_the_scatter_grows_is_named(three_rings, habit):
    diagnosis, _ = found(three_rings, (habit,), 3.0, 4)
    first = diagnosis.findings[0]
    assert habit in (first.code, first.rival)


def test_two_habits_at_once_are_both_named(nominal):
    diagnosis, _ = found(nominal, ("drift", "turn_alike"), 2.5, 5)
    assert {finding.code for finding in diagnosis.findings} == {"drift", "turn_alike"}


def test_a_cured_drift_takes_the_share_it_has(nominal):
    """A pattern of m times the scatter makes m^2 / (1 + m^2) of the mean square."""
    shares = [found(nominal, ("drift",), 2.0, [seed, 6])[0].findings[0].share_position for seed in range(6)]
    assert np.mean(shares) == pytest.approx(0.8, abs=0.06)


def test_a_shift_between_the_hands_is_stated_in_size_and_interval(nominal):
    """Planted: 2 x 0.1 mm per axis, so 2 sqrt(2) x 0.1 mm for each hand, twice that between them, of which the fit of
    the whole piece takes next to nothing."""
    for seed in range(5):
        finding = found(nominal, ("hand_shift",), 2.0, [seed, 7])[0].findings[0]
        assert abs(finding.size - 4 * np.sqrt(2) * SCATTER_MM) < 2 * finding.u95
        assert finding.u95 < 0.5 * finding.size


def test_the_scatter_left_is_the_folders_own(nominal):
    left = [found(nominal, ("drift",), 4.0, [seed, 8])[0] for seed in range(8)]
    assert np.mean([d.scatter_mm for d in left]) == pytest.approx(SCATTER_MM, rel=0.12)
    assert np.mean([d.scatter_deg for d in left]) == pytest.approx(SCATTER_DEG, rel=0.2)


def test_border_and_inside_are_compared_with_intervals(three_rings):
    same = found(three_rings, (), 0.0, 9)[0].border
    worse = found(three_rings, ("border",), 4.0, 9)[0].border
    assert same.p_value > 0.01
    assert worse.p_value < 1e-4
    assert worse.difference_mm - worse.difference_u95_mm > 0


def test_too_few_twists_say_nothing(nominal):
    fit, _ = planted(nominal, ("drift",), 4.0, 1)
    fit.measured[6:] = False
    diagnosis = diagnose_fit(nominal, fit)
    assert diagnosis.findings == ()
    assert "too few" in diagnosis.reason


@pytest.mark.parametrize(("scale", "word"), [(None, "something of known size"), (1.01, "not closed"), (1.0, "light")])
def test_an_overturn_names_the_reason_that_the_size_allows(nominal, scale, word):
    fit, _ = planted(nominal, (), 0.0, 1)
    fit.overturn_deg, fit.overturn_std_deg = 1.5, 0.2
    fit.scale, fit.scale_std, fit.scale_limits = scale, None if scale is None else 0.001, ()
    finding = next(f for f in diagnose_fit(nominal, fit).findings if f.code == "overturn")
    assert word in finding.advice


def test_taken_freedoms_leave_no_trace(nominal):
    """What the whole piece's fit takes out cannot be called a habit: shifts, turns, scale, shear and keystone give the
    same data."""
    fit, _ = planted(nominal, (), 0.0, 2)
    layout = layout_of(nominal, fit.measured)
    moved = SimpleNamespace(**vars(fit))
    stretch = 0.01 * layout.planned_mm @ along_deg(30.0)
    moved.position_error_mm = fit.position_error_mm + stretch[:, None] * along_deg(30.0) + [0.3, -0.2]
    a, b = (errors_of(nominal, each).data["position"].z for each in (fit, moved))
    np.testing.assert_allclose(a, b, atol=1e-9)

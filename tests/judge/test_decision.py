"""One figure against one limit: published examples, the promised error rates, and what must never happen."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from plain_figures import length, scalar
from scipy.integrate import dblquad
from scipy.stats import ncx2, norm

from foldtrue.errors import UsageError
from foldtrue.handover_judge import Rule
from foldtrue.judge.decision import (
    conformance,
    conformance_of_length,
    false_decision,
    judge_figure,
    p_at_limit,
    p_at_limit_of_length,
)

# ---- conformance probability


@pytest.mark.parametrize(
    ("value", "std", "low", "high", "probability"),
    [
        (13.6, 1.8, 12.5, 16.3, 0.66),  # interval with two limits
        (-5.47, 0.05, -np.inf, -5.40, 0.92),  # upper limit alone
        (509.7, 8.6, 490.0, np.inf, 0.99),  # lower limit alone
    ],
)
def test_conformance_probability_of_the_guides_examples(value, std, low, high, probability):
    # JCGM 106:2012, examples of clause 7 and annex A [from memory; recomputed as differences of Phi]
    assert conformance(value, std, low, high) == pytest.approx(probability, abs=0.005)


@pytest.mark.parametrize(("size", "std", "limit"), [(0.3, 0.1, 0.4), (0.0, 0.3, 0.4), (0.5, 0.2, 0.4)])
def test_conformance_of_a_length_is_the_integral_of_the_normal_density_over_the_disc(size, std, limit):
    def density(angle, radius):
        x, y = radius * np.cos(angle) - size, radius * np.sin(angle)
        return radius * np.exp(-(x * x + y * y) / (2 * std * std)) / (2 * np.pi * std * std)

    integral = dblquad(density, 0, limit, 0, 2 * np.pi)[0]
    assert conformance_of_length(size, std, limit) == pytest.approx(integral, abs=1e-6)


def test_lengths_follow_the_librarys_non_central_chi_square():
    rng = np.random.default_rng(0)
    for size, limit in 10 ** rng.uniform(-3, 1.5, (50, 2)):
        assert conformance_of_length(size, 1.0, limit) == pytest.approx(ncx2.cdf(limit**2, 2, size**2), abs=1e-12)
        assert p_at_limit_of_length(size, 1.0, limit) == pytest.approx(ncx2.sf(size**2, 2, limit**2), abs=1e-12)


def test_the_conformance_of_a_perfect_length_is_rayleighs():
    # no error found: P = 1 - exp(-T^2 / 2 s^2), the Rayleigh distribution
    assert conformance_of_length(0.0, 0.2, 0.4) == pytest.approx(1 - np.exp(-2.0))


def test_lengths_far_above_their_uncertainty_are_judged_as_single_values():
    for near in (0.995, 1.0, 1.005):
        exact, normal = conformance_of_length(39.9 * near, 1.0, 39.9), conformance(39.9 * near, 1.0, high=39.9)
        assert exact == pytest.approx(normal, abs=0.006)
    assert conformance_of_length(1e6, 1e-3, 1e6 + 1) == 1.0


def test_without_uncertainty_the_value_alone_decides():
    assert judge_figure(scalar(0.4, 0.0), 0.4, Rule()).word == "within"
    assert judge_figure(scalar(0.41, 0.0), 0.4, Rule()).word == "outside"
    assert judge_figure(length(0.4, 0.0), 0.4, Rule()).word == "within"
    assert judge_figure(length(0.41, 0.0), 0.4, Rule()).word == "outside"


# ---- guard bands


@pytest.mark.parametrize(("guard", "risk"), [(0.0, 0.5), (0.825, 0.0495), (1.0, 0.0228), (1.5, 0.00135), (3.0, 1e-9)])
def test_false_acceptance_at_a_guard_band(guard, risk):
    # ILAC-G8:09/2019, table of guard bands w = r U and probability of false accept at the acceptance limit
    assert false_decision(Rule(guard=guard)) == pytest.approx(risk, rel=0.02)


def test_a_verdict_keeps_the_guard_band_from_the_limit():
    # ISO 14253-1: conformity is proven for |e| + w <= T, non-conformity for |e| - w > T; here w = 0.83 * 2 * 0.1
    words = [judge_figure(scalar(e, 0.1), 1.0, Rule()).word for e in (0.83, 0.84, -1.16, -1.17)]
    assert words == ["within", "too_close", "too_close", "outside"]


def test_simple_acceptance_leaves_nothing_open():
    rule = Rule(guard=0.0)
    assert [judge_figure(scalar(e, 0.5), 1.0, rule).word for e in (-1.0, 1.01)] == ["within", "outside"]
    assert [judge_figure(length(e, 0.5), 1.0, rule).word for e in (1.0, 1.01)] == ["within", "outside"]


@pytest.mark.parametrize("ratio", [0.05, 0.2, 0.5, 2.0, 5.0])
@pytest.mark.parametrize("guard", [0.83, 1.0])
def test_a_vector_at_its_limit_is_called_wrongly_no_more_often_than_promised(ratio, guard):
    rng, rule = np.random.default_rng(7), Rule(guard=guard)
    found = np.hypot(1.0 + ratio * rng.normal(size=4000), ratio * rng.normal(size=4000))
    words = [judge_figure(length(float(size), ratio), 1.0, rule).word for size in found]
    allowed = false_decision(rule) + 3 * np.sqrt(false_decision(rule) / 4000)
    assert np.mean([word == "within" for word in words]) <= allowed
    assert np.mean([word == "outside" for word in words]) <= allowed
    assert np.mean([word == "outside" for word in words]) >= false_decision(rule) - 3 * np.sqrt(0.05 / 4000)


@pytest.mark.parametrize("sense", [1, -1])
def test_a_single_value_at_its_limit_is_called_wrongly_as_often_as_promised(sense):
    rng, rule = np.random.default_rng(8), Rule()
    words = [judge_figure(scalar(sense + 0.1 * z, 0.1), 1.0, rule).word for z in rng.normal(size=4000)]
    for word in ("within", "outside"):
        assert np.mean([each == word for each in words]) == pytest.approx(false_decision(rule), abs=0.011)


def test_a_vector_much_less_certain_than_its_limit_is_never_called_within():
    assert judge_figure(length(0.0, 0.5), 1.0, Rule()).word == "too_close"  # P within is 0.86
    assert judge_figure(length(0.0, 0.3), 1.0, Rule()).word == "within"


def test_probability_of_a_value_at_the_limit_counts_both_sides():
    assert p_at_limit(1.0, 0.5, 1.0) == pytest.approx(0.5 + norm.cdf(-4))
    assert p_at_limit(-1.0, 0.5, 1.0) == p_at_limit(1.0, 0.5, 1.0)
    assert p_at_limit_of_length(1.0, 0.1, 1.0) > 0.5  # noise makes a vector longer


def test_a_guard_band_beyond_reason_is_refused():
    for guard in (-0.1, 3.1, float("nan")):
        with pytest.raises(UsageError):
            Rule(guard=guard)


# ---- what must never happen

sizes = st.floats(0, 3)
stds = st.floats(0.001, 2)
limits = st.floats(0.01, 3)
guards = st.sampled_from([0.0, 0.3, 0.83, 1.0, 2.0])
kinds = st.sampled_from([scalar, length])
ORDER = {"within": 0, "too_close": 1, "outside": 2}


@given(kinds, sizes, stds, limits, limits, guards)
def test_a_tighter_limit_never_makes_a_verdict_better(kind, size, std, one, other, guard):
    tight, wide = sorted((one, other))
    words = [judge_figure(kind(size, std), limit, Rule(guard=guard)).word for limit in (tight, wide)]
    assert ORDER[words[0]] >= ORDER[words[1]]


@given(kinds, sizes, sizes, stds, limits, guards)
def test_a_larger_error_never_makes_a_verdict_better(kind, one, other, std, limit, guard):
    words = [judge_figure(kind(size, std), limit, Rule(guard=guard)).word for size in sorted((one, other))]
    assert ORDER[words[0]] <= ORDER[words[1]]


@given(kinds, sizes, stds, limits, guards, guards)
def test_a_wider_guard_band_only_opens_verdicts(kind, size, std, limit, one, other):
    narrow, wide = sorted((one, other))
    first, second = (judge_figure(kind(size, std), limit, Rule(guard=guard)).word for guard in (narrow, wide))
    assert second in (first, "too_close")


@given(kinds, sizes, stds, limits, guards)
def test_probabilities_are_probabilities(kind, size, std, limit, guard):
    found = judge_figure(kind(size, std), limit, Rule(guard=guard))
    assert 0 <= found.probability <= 1
    assert 0 <= found.p_value <= 1 + 1e-12

"""One figure against one limit, its uncertainty in the account.

After JCGM 106:2012 (conformance probability, guarded acceptance) and ISO 14253-1 (proof of conformity and of
non-conformity at the specification's limits). A position error is the length of a 2-D vector, which noise makes longer:
it has a non-central chi distribution with two degrees of freedom. docs/conventions.md says how each is used.
"""

from __future__ import annotations

import math

from scipy.special import chndtr, ndtr

from foldtrue.handover_judge import Figure, Judged, Rule, Word

_NORMAL_FROM = 40.0
"""From so many standard deviations on, the length of a vector is normal to 2 % of its standard deviation."""


def conformance(value: float, std: float, low: float = -math.inf, high: float = math.inf) -> float:
    """Probability that the true value lies in [low, high] when `value` was measured with standard uncertainty std, both
    normal and nothing known before (JCGM 106:2012, 7.2 to 7.4). std = 0: 1 or 0."""
    if std == 0:
        return float(low <= value <= high)
    return float(ndtr((high - value) / std) - ndtr((low - value) / std))


def conformance_of_length(length: float, std: float, limit: float) -> float:
    """Probability that the true vector is no longer than `limit` when one of `length` was measured with standard
    uncertainty std along either axis: the true one, seen from the measured one, is a 2-D normal variable, so
    (true / std)^2 is non-central chi-square with two degrees of freedom and non-centrality (length / std)^2."""
    if std == 0:
        return float(length <= limit)
    if max(length, limit) > _NORMAL_FROM * std:
        return float(ndtr((limit - length) / std))
    return 1 - _beyond(limit / std, length / std)


def p_at_limit(value: float, std: float, limit: float) -> float:
    """Probability to measure |value| or more when the truth lies at the limit."""
    size = abs(value)
    if std == 0:
        return float(size <= limit)
    return float(ndtr((limit - size) / std) + ndtr((-limit - size) / std))


def p_at_limit_of_length(length: float, std: float, limit: float) -> float:
    """Probability to measure `length` or more of a vector that is truly as long as the limit."""
    if std == 0:
        return float(length <= limit)
    if max(length, limit) > _NORMAL_FROM * std:
        return float(ndtr((limit - length) / std))
    return _beyond(length / std, limit / std)


def _beyond(radius: float, centre: float) -> float:
    """Share of a 2-D normal distribution of unit deviations, its middle `centre` away, that lies beyond the radius."""
    return 1 - float(chndtr(radius**2, 2, centre**2))


def false_decision(rule: Rule) -> float:
    """Greatest probability that a figure at its limit is called within, or outside: 1/2 under simple acceptance."""
    return float(ndtr(-2 * rule.guard))


def judge_figure(figure: Figure, limit: float, rule: Rule, needed: bool = True) -> Judged:
    """The verdict on one figure; limit in its unit.

    A single value e with guard band w = r U: within if |e| + w <= limit, outside if |e| - w > limit, else too close. A
    length: within if its conformance probability is at least 1 - a, outside if a vector at the limit is measured so
    long with a probability below a, where a = false_decision(rule); a figure at the limit is then called either with no
    more than that.
    """
    if figure.value is None or figure.std is None:
        return Judged(figure, limit, needed, "not_measured", None, None)
    value, std = figure.value, figure.std
    if figure.vector is None:
        probability, p_value = conformance(value, std, -limit, limit), p_at_limit(value, std, limit)
        inside, beyond = _by_band(abs(value), 2 * std * rule.guard, limit)
    else:
        probability, p_value = conformance_of_length(value, std, limit), p_at_limit_of_length(value, std, limit)
        inside, beyond = _of_length(value, limit, rule, probability, p_value)
    word: Word = "within" if inside else "outside" if beyond else "too_close"
    return Judged(figure, limit, needed, word, probability, p_value)


def _by_band(size: float, band: float, limit: float) -> tuple[bool, bool]:
    return size + band <= limit, size - band > limit


def _of_length(length: float, limit: float, rule: Rule, probability: float, p_value: float) -> tuple[bool, bool]:
    if rule.guard == 0:
        return length <= limit, length > limit
    risk = false_decision(rule)
    return probability >= 1 - risk, p_value <= risk

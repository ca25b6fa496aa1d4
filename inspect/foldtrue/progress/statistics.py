"""Plain statistics of short series: control charts, trends without a model of the noise, exact where n is small.

A series may fall into strata (pieces of one plan by one person): only pairs within a stratum are compared, after
R. M. Hirsch, J. R. Slack, Water Resources Research 20 (1984) 727, where the strata are the months of the year.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating[Any]]

MOVING_RANGE = 1.128
"""Mean range of two independent normal values, in standard deviations: 2/sqrt(pi)."""
EXACT_UP_TO = 60
"""Values up to which the distribution of Kendall's score is counted out; beyond, it is as good as normal."""
_NORMAL = NormalDist()


@dataclass(frozen=True)
class Limits:
    """Control limits of an individuals chart, three sigma from the mean; sigma from the mean moving range."""

    mean: float
    sigma: float

    @property
    def low(self) -> float:
        return self.mean - 3 * self.sigma

    @property
    def high(self) -> float:
        return self.mean + 3 * self.sigma


def individuals_limits(values: Array) -> Limits:
    """Of values (N,), N >= 2, in order. Source: NIST/SEMATECH e-Handbook 6.3.2.2."""
    moving = float(np.mean(np.abs(np.diff(values))))
    return Limits(float(np.mean(values)), moving / MOVING_RANGE)


@dataclass(frozen=True)
class Ewma:
    """Exponentially weighted moving average: values, low and high limits, all (N,)."""

    values: Array
    low: Array
    high: Array


def ewma(values: Array, *, start: float, sigma: float, weight: float = 0.3, width: float = 3.0) -> Ewma:
    """z_t = weight x_t + (1 - weight) z_(t-1), z_0 = start, and its limits start +- width sigma_z(t).

    sigma_z(t)^2 = sigma^2 weight / (2 - weight) (1 - (1 - weight)^(2 t)), exact for every t. Source: NIST/SEMATECH
    e-Handbook 6.3.2.4, which gives the limits for large t.
    """
    smooth, level = [], start
    for value in values.tolist():
        level = weight * value + (1 - weight) * level
        smooth.append(level)
    t = np.arange(1, len(smooth) + 1)
    reach = width * sigma * np.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2 * t)))
    return Ewma(np.array(smooth), start - reach, start + reach)


@dataclass(frozen=True)
class Kendall:
    """Mann-Kendall test. score: pairs that rise less pairs that fall. p_value: two-sided. smallest_p: the least p-value
    that values in any order could have; above 0.05 nothing can ever be shown. exact: counted out, not normal."""

    score: int
    variance: float
    p_value: float
    smallest_p: float
    exact: bool


def mann_kendall(values: Array, strata: Sequence[Any] | None = None, *, exact_up_to: int = EXACT_UP_TO) -> Kendall:
    """Trend test of values (N,) in order, ties allowed.

    Sources: H. B. Mann, Econometrica 13 (1945) 245; M. G. Kendall, Rank Correlation Methods (1970), variance with ties,
    normal approximation with correction for continuity. Exact: values in random order have inversions distributed as
    the q-multinomial coefficient of their ties (P. A. MacMahon 1916), and strata add.
    """
    parts = _split(values, strata)
    score = sum(_score(part) for part in parts)
    variance = sum(_variance(part) for part in parts)
    exact = sum(map(len, parts)) <= exact_up_to
    if exact:
        scores, chance = _score_distribution(parts)
        p = float(chance[np.abs(scores) >= abs(score)].sum())
        smallest = float(chance[np.abs(scores) == scores.max()].sum())
        return Kendall(score, variance, min(1.0, p), min(1.0, smallest), True)
    most = sum(_pairs(part) for part in parts)
    return Kendall(score, variance, _normal_p(score, variance), _normal_p(most, variance), False)


@dataclass(frozen=True)
class Slope:
    """Theil-Sen slope and its interval; low and high None where no interval of this confidence exists."""

    value: float | None
    low: float | None
    high: float | None


def theil_sen(
    places: Array,
    values: Array,
    strata: Sequence[Any] | None = None,
    *,
    confidence: float = 0.95,
    exact_up_to: int = EXACT_UP_TO,
) -> Slope:
    """Median of the slopes between all pairs at places (N,), ascending and different, and its interval.

    The interval turns the Mann-Kendall test round: it holds the slopes that, taken out of the values, would leave no
    trend. Source: P. K. Sen, JASA 63 (1968) 1379; strata as in the module's source. Few values: ranks from the exact
    distribution without ties (M. Hollander, D. A. Wolfe, Nonparametric Statistical Methods, 9.3 [from memory]); many:
    from the normal one, as SciPy's theilslopes has them.
    """
    groups = _split(np.arange(len(values)), strata)
    slopes = np.concatenate([_slopes(places[i], values[i]) for i in groups] or [np.zeros(0)])
    count = len(slopes)
    if not count:
        return Slope(None, None, None)
    if sum(map(len, groups)) <= exact_up_to:
        low = _exact_rank(groups, count, confidence)
    else:
        variance = sum(_variance(values[i]) for i in groups)
        reach = _NORMAL.inv_cdf((1 + confidence) / 2) * math.sqrt(variance)
        low = round((count - reach) / 2) - 1
    ends = () if low is None or low < 0 else (low, count - 1 - low)
    inner = (count - 1) // 2, count // 2
    ranked = np.partition(slopes, (*inner, *ends))  # of a million slopes only these few need their rank
    middle = float(ranked[list(inner)].mean())
    return Slope(middle, *(float(ranked[k]) for k in ends)) if ends else Slope(middle, None, None)


def _exact_rank(groups: Sequence[NDArray[Any]], count: int, confidence: float) -> int | None:
    """Index of the interval's lower end among the sorted slopes: as many slopes lie below it as pairs may fall before
    the test of this confidence speaks. None where it never speaks."""
    scores, chance = _score_distribution([np.arange(len(group)) for group in groups])
    speaks = [s for s in scores.tolist() if s > 0 and chance[scores >= s].sum() <= (1 - confidence) / 2 + 1e-12]
    return None if not speaks else (count - int(min(speaks))) // 2


def std_interval(std: float, freedoms: int, confidence: float = 0.95) -> tuple[float, float]:
    """Interval of the standard deviation of normal values, from the chi-square distribution. Source: NIST/SEMATECH
    e-Handbook 1.3.5.8."""
    from scipy.special import chdtri

    rest = (1 - confidence) / 2
    return std * math.sqrt(freedoms / chdtri(freedoms, rest)), std * math.sqrt(freedoms / chdtri(freedoms, 1 - rest))


def holm(p_values: Sequence[float]) -> list[float]:
    """p-values adjusted for the number of questions asked. Source: S. Holm, Scand. J. Statistics 6 (1979) 65."""
    order = sorted(range(len(p_values)), key=lambda k: p_values[k])
    adjusted, worst = [0.0] * len(p_values), 0.0
    for rank, k in enumerate(order):
        worst = max(worst, min(1.0, (len(p_values) - rank) * p_values[k]))
        adjusted[k] = worst
    return adjusted


def _split(values: NDArray[Any], strata: Sequence[Any] | None) -> list[NDArray[Any]]:
    if strata is None:
        return [values]
    names = list(dict.fromkeys(strata))
    return [values[np.array([stratum == name for stratum in strata], bool)] for name in names]


def _score(values: Array) -> int:
    return sum(int(np.sign(values[k + 1 :] - value).sum()) for k, value in enumerate(values))


def _slopes(places: Array, values: Array) -> Array:
    parts = [(values[k + 1 :] - values[k]) / (places[k + 1 :] - places[k]) for k in range(len(values))]
    return np.concatenate(parts)


def _ties(values: NDArray[Any]) -> list[int]:
    return list(Counter(values.tolist()).values())


def _pairs(values: NDArray[Any]) -> int:
    """Pairs that are not tied."""
    return math.comb(len(values), 2) - sum(math.comb(t, 2) for t in _ties(values))


def _variance(values: Array) -> float:
    def part(n: int) -> int:
        return n * (n - 1) * (2 * n + 5)

    return (part(len(values)) - sum(part(t) for t in _ties(values))) / 18


def _normal_p(score: int, variance: float) -> float:
    if score == 0 or variance == 0:
        return 1.0
    z = (abs(score) - 1) / math.sqrt(variance)
    return min(1.0, 2 * _NORMAL.cdf(-z))


def _score_distribution(parts: Sequence[NDArray[Any]]) -> tuple[Array, Array]:
    """Scores of all strata together, ascending, and how likely each is when every order is as likely as another."""
    chance, pairs = np.ones(1), 0
    for part in parts:
        counts = _inversions(len(part), _ties(part))
        total = sum(counts)
        chance = np.convolve(chance, np.array([count / total for count in counts]))
        pairs += _pairs(part)
    return pairs - 2.0 * np.arange(len(chance))[::-1], chance[::-1]


def _inversions(n: int, ties: Sequence[int]) -> list[int]:
    """Orders of n values, tied in groups of these sizes, by their number of inversions: the q-multinomial coefficient
    [n]! / product of [t]!, [k] = 1 + q + ... + q^(k-1), in whole numbers."""
    counts = [1]
    for k in range(2, n + 1):
        counts = _times_run(counts, k)
    for t in ties:
        for k in range(2, t + 1):
            counts = _over_run(counts, k)
    return counts


def _times_run(counts: list[int], k: int) -> list[int]:
    """Times 1 + q + ... + q^(k-1): running sums over k terms."""
    out, running = [], 0
    for i in range(len(counts) + k - 1):
        running += counts[i] if i < len(counts) else 0
        running -= counts[i - k] if i >= k else 0
        out.append(running)
    return out


def _over_run(counts: list[int], k: int) -> list[int]:
    """Divided by 1 + q + ... + q^(k-1), without remainder."""
    out: list[int] = []
    for i in range(len(counts) - k + 1):
        out.append(counts[i] - sum(out[max(0, i - k + 1) : i]))
    return out

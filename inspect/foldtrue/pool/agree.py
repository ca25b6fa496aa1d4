"""Whether photos agree: each against all others, and all together against what they claim.

Sources: leave-one-out squares as in adjustment of observations; a claim that is too small is widened by the ratio of
Birge, Phys. Rev. 40 (1932) 207 [from memory], and never shrunk.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array
from foldtrue.pool.combine import Combined, Reading, combine
from foldtrue.pool.orient import DISAGREES, MOST_WIDENED

TOO_MUCH_SPREAD = 0.01
"""Probability below which the spread found is taken to be larger than claimed."""


@dataclass(frozen=True)
class Against:
    """One photo against all others: chi-square, its freedoms, and the probability of as much by chance."""

    chi_square: float
    freedoms: int
    p_value: float


def against_others(readings: Sequence[Reading], design: Array) -> list[Against]:
    """What each photo adds to the chi-square: for independent photos it is that of the difference from the others'
    estimate.

    Where the others already spread more than they claim, the photo is judged by their spread: the ratio of both mean
    squares has an F distribution then.
    """
    from scipy import stats

    whole = combine(readings, design)
    out = []
    for k in range(len(readings)):
        others = [r for i, r in enumerate(readings) if i != k]
        rest = combine(others, design)
        chi, freedoms = max(whole.chi_square - rest.chi_square, 0.0), whole.freedoms - rest.freedoms
        usual = rest.chi_square / rest.freedoms if rest.freedoms > 0 else 0.0
        if usual > 1:
            p = float(stats.f.sf(chi / freedoms / usual, freedoms, rest.freedoms))
        else:
            p = float(stats.chi2.sf(chi, freedoms))
        out.append(Against(chi, freedoms, p))
    return out


def odd_one(judged: Sequence[Against]) -> int | None:
    """The photo that clearly disagrees, of three or more."""
    worst = int(np.argmin([a.p_value for a in judged]))
    return worst if len(judged) >= 3 and judged[worst].p_value < DISAGREES else None


def plainly_apart(chi_square: float, freedoms: int) -> bool:
    """Whether a chi-square is too large even for claims that are MOST_WIDENED times too small."""
    from scipy import stats

    return bool(stats.chi2.sf(chi_square / MOST_WIDENED**2, freedoms) < DISAGREES)


def birge(whole: Combined) -> tuple[float, float]:
    """Factor for the uncertainties, 1 where the spread is no larger than claimed, and the probability of as much."""
    from scipy import stats

    p = float(stats.chi2.sf(whole.chi_square, whole.freedoms))
    return (float(np.sqrt(whole.chi_square / whole.freedoms)) if p < TOO_MUCH_SPREAD else 1.0), p

"""Repeatability: how far several photos of one piece scatter about their common figures.

Source: ISO 5725 [from memory], pooled standard deviation s_r = sqrt(sum (n-1) s^2 / sum (n-1)).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import IntArray, Nominal
from foldtrue.pool.combine import Combined, Reading, fit_differences


def pooled_std(values: Array, group: IntArray, spent: int = 0) -> tuple[float, int]:
    """Pooled standard deviation of values (N,) within their groups (N,), and its freedoms.

    spent: freedoms that were taken out of the values together, besides one mean for each group. nan without freedoms.
    """
    _, number = np.unique(group, return_inverse=True)
    count = np.bincount(number)
    mean = np.bincount(number, values) / count
    freedoms = len(values) - len(count) - spent
    square = float(np.sum((values - mean[number]) ** 2))
    return (float(np.sqrt(square / freedoms)) if freedoms > 0 else float("nan")), max(freedoms, 0)


def scatter(
    readings: Sequence[Reading], whole: Combined, design: Array, nominal: Nominal
) -> tuple[tuple[float, int], tuple[float, int]]:
    """Pooled standard deviations, with freedoms, of positions per axis (mm) and of turns without the common overturn
    (deg).

    Each photo's fit is first brought to the common one; what that takes from the freedoms is counted: all that a fit
    takes for every photo but one, and one overturn.
    """
    hand = np.array([t.hand for t in nominal.twists], float)
    place: list[Array] = []
    turn: list[Array] = []
    twist: list[IntArray] = []
    for r, coef in zip(readings, fit_differences(readings, whole, design), strict=True):
        aligned = r.error - (design @ coef).reshape(-1, 3)
        apart = (aligned - whole.error)[r.seen]
        place.append(apart[:, :2])
        turn.append(apart[:, 2] - hand[r.seen] * np.mean(hand[r.seen] * apart[:, 2]))
        twist.append(np.flatnonzero(r.seen))
    at, others = np.concatenate(twist), len(readings) - 1
    taken = sum(r.taken for r in readings) - whole.taken
    axes = np.concatenate([2 * at, 2 * at + 1])
    xy = np.concatenate(place)
    return pooled_std(np.concatenate([xy[:, 0], xy[:, 1]]), axes, taken), pooled_std(np.concatenate(turn), at, others)

"""Repeatability: how far several photos of one piece scatter about their common figures."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from foldtrue.averages import pooled_std
from foldtrue.frames import Array
from foldtrue.handover import IntArray, Nominal
from foldtrue.pool.combine import Combined, Reading, fit_differences


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

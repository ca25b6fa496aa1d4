"""How straight creases run: the RMS distance of their points from their own line, the noise taken out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from foldtrue.fit.lens import straight_rest
from foldtrue.frames import Array
from foldtrue.handover import Features, Nominal
from foldtrue.measured import COVERAGE_95

LEAST_POINTS = 5
"""Points of a crease from which its straightness can be told, its line taking two."""


@dataclass(frozen=True)
class Scatter:
    """What is left of each crease's points after its line. count (C,): points used, 0 where there are too few; freedom
    (C,): count less the line's two; square_mm2 (C,): sum of squares; noise_mm2 (C,): mean square of the pixels' noise.
    usual: mean square in units of that noise, as the piece's creases show it in common: clouds in the paper, old
    creases. slack: how much neighbouring points of one crease resemble each other, 1 = not at all.
    """

    count: Array
    freedom: Array
    square_mm2: Array
    noise_mm2: Array
    usual: float
    slack: float


def crease_scatter(features: Features, nominal: Nominal, view: str, lens_mm: Array) -> Scatter:
    """Scatter of the points of every crease (C) about its line; lens_mm (M,): the lens's part, taken off first.

    The rim is cut, not folded, and the silhouette shows several layers: edges with no paper on one side are left out,
    and so are over-exposed ones.
    """
    s = nominal.views[view]
    clear = (np.minimum(s.layers_left, s.layers_right) > 0) & (s.shared == 1) & ~features.clipped
    seen = clear[features.stretch] & (features.trust > 0)
    crease, creases = s.crease[features.stretch].astype(np.int64), len(nominal.creases.ids)
    noise = np.maximum(features.std_mm, 1e-5) ** 2
    rest = straight_rest(features.t, features.offset_mm - lens_mm, seen / noise, crease, creases)
    points = np.bincount(crease, seen, creases)
    count: Array = np.where(points >= LEAST_POINTS, points, 0.0)
    freedom: Array = np.maximum(count - 2, 0.0)
    square: Array = np.bincount(crease, seen * rest**2, creases).astype(float)
    mean_noise = np.bincount(crease, seen * noise, creases) / np.maximum(count, 1.0)
    use = count > 0
    ratio = square[use] / np.maximum(freedom[use] * mean_noise[use], 1e-300)
    order = np.lexsort((features.t, crease))
    order = order[seen[order] & use[crease[order]]]
    slack = _slack((rest / np.sqrt(noise))[order], crease[order])
    return Scatter(count, freedom, square, mean_noise, max(1.0, float(np.median(ratio))) if use.any() else 1.0, slack)


def _slack(value: Array, crease: Array, lags: int = 4) -> float:
    """1 + twice the sum of squared correlations of neighbours: how much it widens the mean square of a normal process
    (Bartlett 1946 [from memory])."""
    whole = float(np.mean(value**2)) if len(value) else 0.0
    total = 1.0
    for lag in range(1, lags + 1):
        same = crease[lag:] == crease[:-lag]
        if whole > 0 and same.any():
            total += 2 * (float(np.mean((value[lag:] * value[:-lag])[same])) / whole) ** 2
    return total


def straightness(scatter: Scatter, creases: Sequence[int]) -> tuple[float, float]:
    """Straightness of these creases together and its 95 % uncertainty, mm; nan where none has enough points.

    Value: sqrt(max(0, mean square - usual noise)), the usual noise being the pixels' times what the piece's creases
    show in common. Whether that common part is the paper's or all creases are unstraight alike cannot be told, so the
    interval reaches up to the value with the pixels' noise alone taken out; both ends are widened by the mean square's
    own 95 %.
    """
    rows = [c for c in creases if scatter.count[c] > 0]
    if not rows:
        return float("nan"), float("nan")
    freedom = float(scatter.freedom[rows].sum())
    square = float(scatter.square_mm2[rows].sum()) / freedom
    noise = float(scatter.count[rows] @ scatter.noise_mm2[rows] / scatter.count[rows].sum())
    spread = COVERAGE_95 * max(square, scatter.usual * noise) * np.sqrt(2 * scatter.slack / freedom)
    low, value, high = np.sqrt(
        np.maximum(
            [square - scatter.usual * noise - spread, square - scatter.usual * noise, square - noise + spread], 0
        )
    ).tolist()
    return value, max(high - value, value - low)

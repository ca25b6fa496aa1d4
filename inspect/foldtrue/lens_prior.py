"""What is known of a lens before a photo is seen, and how what the photo says is weighed against it.

Either nothing but that cameras are of two kinds, or the lens of this very camera, measured and kept.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from foldtrue.handover import KeptLens
from foldtrue.measured import COVERAGE_95

CORRECTED = (0.8, 0.004)
UNCORRECTED = (0.2, 0.06)
"""What is known of k1 (for a 26 mm equivalent lens) before a photo is seen: share of cameras and standard deviation,
for phones and scanners that correct their own lens and for those that do not [from memory: one per cent of picture
height is common before correction, a few pixels after]."""
KEPT_STD, KEPT_SHARE = 0.001, 0.05
"""How far a lens term is another one in the next photo, absolute and of the term itself: focusing and stabilising move
the principal distance by a few per cent, and k1 goes with its inverse square; and the distortion of a lens changes with
the distance it is focused at (Brown, Photogrammetric Engineering 37 (1971) 855 [from memory]). Sizes: common practice,
no source."""
_EXACT = 1e-9
"""A measurement is taken for no better than this, so that all widths are above zero."""
EITHER = (0.5, 0.5)
"""Shares of the two kinds that uncertainties are stated for: who photographs does so with one camera, whose every photo
must hold what is said of it, however many others correct their lens."""
CONTRADICTED = 4.0
"""Combined standard uncertainties by which a photo's own lens term must differ from a kept one to be believed."""


def usual(found: float = 0.0, std: float = math.inf) -> tuple[float, float]:
    """k1 and its standard uncertainty, given one measurement and the two kinds of camera (mixture of normal
    distributions, Bayes' rule).

    The mixture is no normal distribution: what is stated is the larger of its standard deviation and of that of the
    normal one whose 95 % interval is as wide (JCGM 101:2008, 7.7: coverage intervals are the distribution's own), for
    shares EITHER.
    """
    if not math.isfinite(std):
        found, std = 0.0, 1e3
    std = max(std, _EXACT)
    kinds = (CORRECTED, UNCORRECTED)
    total = [prior**2 + std**2 for _, prior in kinds]
    fits = [math.exp(-0.5 * found**2 / t + 0.5 * found**2 / max(total)) / math.sqrt(t) for t in total]
    means = [found * prior**2 / t for (_, prior), t in zip(kinds, total, strict=True)]
    spreads = [math.sqrt(prior**2 * std**2 / t) for (_, prior), t in zip(kinds, total, strict=True)]
    centre = sum(s * m for s, m in zip(_shares([share for share, _ in kinds], fits), means, strict=True))
    shares = _shares(EITHER, fits)
    variance = sum(s * (d**2 + (m - centre) ** 2) for s, m, d in zip(shares, means, spreads, strict=True))

    def beyond(reach: float) -> float:
        """Probability of lying farther from the centre."""
        parts = zip(shares, means, spreads, strict=True)
        tails = ((s, (reach + way * (m - centre)) / d) for s, m, d in parts for way in (-1, 1))
        return sum(0.5 * s * math.erfc(z / math.sqrt(2)) for s, z in tails)

    low, high = 0.0, 20 * math.sqrt(variance) + 1e-12
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if beyond(middle) > 0.05 else (low, middle)
    return centre, max(math.sqrt(variance), high / COVERAGE_95)


def _shares(before: Sequence[float], fits: Sequence[float]) -> list[float]:
    """Shares of the kinds of camera after a measurement that each fits so well."""
    both = [share * fit for share, fit in zip(before, fits, strict=True)]
    return [each / sum(both) for each in both]


def kept_std(kept: KeptLens) -> float:
    """Standard uncertainty of a kept lens's k1 in another photo."""
    return math.hypot(kept.k1_std, KEPT_STD, KEPT_SHARE * kept.k1)


def contradicts(found: float, std: float, kept: KeptLens) -> bool:
    """Whether what a photo's own straight folds say of k1 cannot be this lens's."""
    return math.isfinite(std) and abs(found - kept.k1) > CONTRADICTED * math.hypot(std, kept_std(kept))


def weighed(found: float, std: float, kept: KeptLens | None) -> tuple[float, float]:
    """k1 and its standard uncertainty from one measurement (std infinite: none) and what is known beforehand: a kept
    lens that the measurement does not contradict, else the two kinds of camera."""
    if kept is None or contradicts(found, std, kept):
        return usual(found, std)
    prior = kept_std(kept)
    share = 0.0 if not math.isfinite(std) else prior**2 / (prior**2 + std**2)
    return kept.k1 + share * (found - kept.k1), prior * math.sqrt(1 - share)

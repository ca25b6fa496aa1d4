"""What a crease looks like across: a bright or dark line, or a pair of light and shade; learned from the photo itself.

A look is a profile of unit length (its squares add up to 1) with no level of its own. Against the light a crease is an
even profile, brighter or darker than the paper; under a raking lamp it is an odd one, one flank lit and the other in
shade, mountains and valleys the opposite way round.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.detect.crease_bands import Bands
from foldtrue.frames import Array
from foldtrue.handover import BoolArray

WIDTHS_PX = (1.2, 1.8, 2.7, 4.0)
"""Gaussian widths of the looks tried before the photo's own is known."""


@dataclass(frozen=True)
class Look:
    """profile: (2H + 1,) centred. odd: a pair of light and shade. curvature: of its response at the peak, per step
    squared: a crease of response A placed w steps off answers A (1 - curvature w^2 / 2)."""

    profile: Array
    odd: bool

    @property
    def curvature(self) -> float:
        slope = np.gradient(np.pad(self.profile, 2))
        return float(np.sum(slope * slope))


def plain_look(width_px: float, odd: bool) -> Look:
    """A Gaussian line or its derivative."""
    half = int(np.ceil(5 * width_px))
    x = np.arange(-half, half + 1) / width_px
    bell = np.exp(-0.5 * x * x)
    return _unit(x * bell if odd else bell - 0.5 * np.exp(-0.125 * x * x), odd)


def _unit(profile: Array, odd: bool) -> Look:
    level = profile - profile.mean()
    return Look(level / np.sqrt(np.sum(level**2)), odd)


def responses(light: Array, look: Look) -> Array:
    """(B, U) correlation of every profile (B, U) with the look; 0 is assumed beyond the band."""
    from scipy.ndimage import correlate1d

    return np.asarray(correlate1d(light, look.profile, axis=1, mode="constant"))


def learn_look(bands: Bands, weight: Array, start: Look, half: int) -> Look:
    """The common profile of the blocks with weight (B,) > 0, lines of both senses together: the first singular vector
    of the lines' mean profiles, made purely even or odd as `start` is, and held to zero towards its ends."""
    middle = len(bands.u_mm) // 2
    half = min(half, middle)
    cut = slice(middle - half, middle + half + 1)
    lines = np.unique(bands.line[weight > 0])
    rows = []
    for k in lines:
        own = (bands.line == k) & (weight > 0)
        rows.append(np.average(bands.light[own][:, cut], axis=0, weights=weight[own]))
    profiles = np.array(rows)
    taper = np.hanning(2 * half + 3)[1:-1] ** 0.5
    profiles = (profiles - profiles.mean(1, keepdims=True)) * taper
    common = np.linalg.svd(profiles, full_matrices=False)[2][0]
    symmetric = common - common[::-1] if start.odd else common + common[::-1]
    if np.sum(symmetric**2) < 1e-6:
        return start
    return _unit(symmetric, start.odd)


def more_odd(odd_response: Array, even_response: Array, strong: BoolArray) -> bool:
    """Whether the strong lines answer more to a pair of light and shade than to a plain line."""
    if not strong.any():
        return False
    return bool(np.median(odd_response[strong] / np.maximum(even_response[strong], 1e-12)) > 1.0)

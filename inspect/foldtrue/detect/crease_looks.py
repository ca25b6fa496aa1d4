"""What a crease looks like across: a bright or dark line, or a pair of light and shade; learned from the photo itself.

A look is a profile of unit length (its squares add up to 1) with no level of its own. Against the light a crease is an
even profile, brighter or darker than the paper; under a raking lamp it is an odd one, one flank lit and the other in
shade, mountains and valleys the opposite way round, with a core that is brighter or darker than the paper in both. The
core moves the apparent place of mountains and valleys opposite ways, so each sense has its own look.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.detect.crease_bands import Bands
from foldtrue.frames import Array

WIDTHS_PX = (1.2, 1.8, 2.7, 4.0)
"""Gaussian widths of the looks tried before the photo's own is known."""


@dataclass(frozen=True)
class Look:
    """plus, minus: (2H + 1,) profiles of the two senses, centred on the crease. odd: a pair of light and shade.
    core_shift: steps by which its core would move the place of a crease if it were left out, opposite in the two
    senses."""

    plus: Array
    minus: Array
    odd: bool
    core_shift: float = 0.0

    @property
    def curvature(self) -> float:
        """Of the response at its peak, per step squared: a crease of response A that lies w steps off answers
        A (1 - curvature w^2 / 2)."""
        slope = np.gradient(np.pad(self.plus, 2))
        return float(np.sum(slope * slope))

    @property
    def height(self) -> float:
        """Largest value of the profile: response times this is the height of a crease's look."""
        return float(np.abs(self.plus).max())


def plain_look(width_px: float, odd: bool) -> Look:
    """A Gaussian line or its derivative."""
    x = np.arange(-int(np.ceil(5 * width_px)), int(np.ceil(5 * width_px)) + 1) / width_px
    bell = np.exp(-0.5 * x * x)
    profile = _unit(x * bell if odd else bell - 0.5 * np.exp(-0.125 * x * x))
    return Look(profile, -profile, odd)


def _unit(profile: Array) -> Array:
    level = profile - profile.mean()
    return np.asarray(level / np.sqrt(np.sum(level**2)))


def responses(light: Array, profile: Array) -> Array:
    """(B, U) correlation of every band (B, U) with a profile; 0 is assumed beyond the band."""
    from scipy.ndimage import correlate1d

    return np.asarray(correlate1d(light, profile, axis=1, mode="constant"))


def learn_look(bands: Bands, weight: Array, start: Look, half: int) -> Look:
    """The common look of the blocks with weight (B,) > 0, lines of both senses together.

    The first singular vector of the lines' mean profiles, made purely even or odd as `start` is; under a raking lamp
    the core is added. Towards its ends the profile is held to zero.
    """
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
    parts = 0.5 * (profiles - profiles[:, ::-1]) if start.odd else 0.5 * (profiles + profiles[:, ::-1])
    common = np.linalg.svd(parts, full_matrices=False)[2][0]
    common = _unit(common * np.sign(common @ np.resize(_centred(start.plus, len(common)), len(common))))
    if not start.odd:
        return Look(common, -common, False)
    core, shift = _core(common, profiles, taper)
    return Look(_unit(common + core), _unit(core - common), True, shift)


def _centred(profile: Array, size: int) -> Array:
    """The profile cut or filled with zeros to an odd size."""
    out = np.zeros(size)
    n = min(size, len(profile))
    out[size // 2 - n // 2 : size // 2 + n // 2 + 1] = profile[
        len(profile) // 2 - n // 2 : len(profile) // 2 + n // 2 + 1
    ]
    return out


def _core(common: Array, profiles: Array, taper: Array) -> tuple[Array, float]:
    """The even part that lines of both senses share, for an odd part of unit length: a Gaussian of the odd one's width;
    and the shift, in steps, that it would look like if it were left out.

    A core and a shift of the odd part look alike to first order, so only what is left of the core when the odd part's
    slope is taken out can be seen; its shape, a plain line, tells the rest."""
    x = np.arange(len(common)) - float(len(common) // 2)
    widths = np.arange(0.7, 6.0, 0.1)
    shapes = np.array([_unit(x * np.exp(-0.5 * (x / w) ** 2)) for w in widths])
    width = float(widths[int(np.abs(shapes @ common).argmax())])
    bell = np.exp(-0.5 * (x / width) ** 2) * taper
    bell = bell - bell.mean()
    steep = np.gradient(common)
    size_of_slope = float(np.sqrt(np.sum(steep**2)))
    slope = steep / size_of_slope
    visible = bell - (bell @ slope) * slope
    even = 0.5 * (profiles + profiles[:, ::-1])
    size = np.abs(profiles @ common)
    shared = float(np.sum(size * (even @ visible)) / np.sum(size * size))
    core = shared / float(visible @ visible) * bell
    return core, abs(float(core @ slope)) / size_of_slope

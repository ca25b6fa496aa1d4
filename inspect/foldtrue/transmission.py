"""Light through a stack of equal sheets of paper."""

from __future__ import annotations

import numpy as np

from foldtrue.frames import Array


def stack_transmittance(reflectance: float, transmittance: float, layers: int) -> Array:
    """Light that a stack of 0..layers equal sheets lets through; (layers + 1,).

    T_n = T T_{n-1} / (1 - R R_{n-1}), R_n = R + T^2 R_{n-1} / (1 - R R_{n-1}): the Kubelka-Munk stack of sheets. It is
    no power law: the first layers of white paper take away a smaller share of the light one after the other.
    """
    through, back = np.ones(layers + 1), 0.0
    for n in range(1, layers + 1):
        between = 1.0 - reflectance * back
        through[n] = transmittance * through[n - 1] / between
        back = reflectance + transmittance**2 * back / between
    return through

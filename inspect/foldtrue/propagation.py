"""Propagation of uncertainty to first order, and what few observations cost, after JCGM 100:2008."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.floating[Any]]
STEP = 0.1
"""Half the step of a central difference, in standard uncertainties of the quantity that is varied."""
_TELLING = 0.05
"""Limits below this share of the standard uncertainty change no interval by more than a part in 10^7."""


def propagate(model: Callable[[Array], Array], values: ArrayLike, covariance: ArrayLike) -> tuple[Array, Array]:
    """Value (..., m) of model at values (..., n), and its covariance (..., m, m), given theirs (..., n, n).

    model takes (..., n) and gives (..., m). Leading axes are cases of their own, all evaluated in one call. First order
    with correlations: JCGM 100:2008, 5.2.2, eq. 13, for several outputs JCGM 102; without correlations eq. 10. The
    sensitivities are central differences over a share of each standard uncertainty (5.1.3, note 2, where the share is
    1), so that their error is of second order in that share. A model that is flat at the values but curved, such as a
    square at zero, gets an uncertainty of 0: there this approximation does not hold (JCGM 101, 9.4).
    """
    x, cov = np.asarray(values, float), np.asarray(covariance, float)
    half = STEP * np.sqrt(np.diagonal(cov, axis1=-2, axis2=-1))
    columns = []
    for k in range(x.shape[-1]):
        step = np.zeros_like(x)
        step[..., k] = half[..., k]
        across = 2 * half[..., k, None]
        change = np.asarray(model(x + step)) - np.asarray(model(x - step))
        columns.append(np.divide(change, across, out=np.zeros_like(change), where=across > 0))
    sensitivity = np.stack(columns, -1)
    return np.asarray(model(x), float), np.asarray(sensitivity @ cov @ np.swapaxes(sensitivity, -1, -2))


def covariance_root(covariance: ArrayLike) -> Array:
    """(n, q) root of a covariance (n, n), root @ root.T, q its rank; of quantities of any units beside one another."""
    cov = np.asarray(covariance, float)
    std = np.sqrt(np.maximum(np.diag(cov), 0.0))  # rounding may leave a known quantity below zero
    unit = np.where(std > 0, std, 1.0)
    value, vector = np.linalg.eigh(cov / np.outer(unit, unit))
    there = value > 1e-12
    return np.asarray(unit[:, None] * vector[:, there] * np.sqrt(value[there]))


def effective_freedom(variances: ArrayLike, freedoms: ArrayLike) -> float:
    """Degrees of freedom of a sum of independent variances, each estimated with its own freedoms (inf = known).

    Welch-Satterthwaite, JCGM 100:2008, G.4.1, eq. G.2b. inf where nothing in the sum was estimated.
    """
    parts, own = np.broadcast_arrays(np.asarray(variances, float), np.asarray(freedoms, float))
    estimated = float(np.sum(parts**2 / own))
    return float(np.sum(parts)) ** 2 / estimated if estimated > 0 else math.inf


def half_width(std: float, limits: Sequence[float] = (), level: float = 0.95) -> float:
    """Half-width of the interval that holds `level` of a sum of independent errors: one rectangular within each of
    limits (half-widths, none negative), as a tolerance is, and a normal one that is the rest of std.

    std: standard uncertainty of all of it. What has no tails reaches less far than the normal distribution has it: a
    lone rectangular error 1.65 standard uncertainties and not 1.96 (JCGM 100:2008, 4.3.7, and G.1.3 [from memory]).

    The distribution of the sum is that of the normal error, integrated once over each rectangle: a difference of its
    repeated integrals I_k, k I_k(x) = x I_(k-1)(x) + s^2 I_(k-2)(x), I_0 the distribution and I_-1 the density (DLMF
    7.18.7 [from memory], for a standard deviation of s).
    """
    from scipy.optimize import brentq

    plain = coverage_factor(level=level) * std
    telling = np.array([limit for limit in limits if limit > _TELLING * std])
    if len(telling) == 0:
        return plain
    normal = math.sqrt(max(std**2 - float(np.sum(telling**2)) / 3, 0.0))
    signs = np.array(list(product((1.0, -1.0), repeat=len(telling))))
    shifts, parity = signs @ telling, signs.prod(1)

    def surplus(half: float) -> float:
        held = parity @ _repeated_integral(half + shifts, normal, len(telling)) / np.prod(2 * telling)
        return float(held) - (0.5 + level / 2)

    return float(brentq(surplus, 0.0, float(telling.sum()) + 8 * normal, xtol=1e-9 * std))


def _repeated_integral(x: Array, std: float, times: int) -> Array:
    """The normal distribution of this standard deviation, integrated so often from minus infinity up to x."""
    from scipy.special import ndtr

    if std == 0:
        return np.asarray(np.maximum(x, 0.0) ** times / math.factorial(times))
    z = x / std
    lower, own = np.exp(-0.5 * z**2) / (std * math.sqrt(2 * math.pi)), ndtr(z)
    for k in range(1, times + 1):
        lower, own = own, (x * own + std**2 * lower) / k
    return np.asarray(own)


def coverage_factor(freedom: float = math.inf, level: float = 0.95) -> float:
    """Half-width, in standard uncertainties, of the interval that holds `level` of the errors.

    Student's t with the freedoms cut down to a whole number, JCGM 100:2008, G.4.1 (note 1) and table G.2; of the normal
    distribution for inf. Raises ValueError below one degree of freedom, where there is no such interval to speak of.
    """
    from scipy.special import ndtri, stdtrit

    if not freedom >= 1:
        raise ValueError(f"An interval needs one degree of freedom, not {freedom:.3g}.")
    if math.isinf(freedom):
        return float(ndtri(0.5 + level / 2))
    return float(stdtrit(math.floor(freedom + 1e-9), 0.5 + level / 2))  # what is whole but for rounding stays whole

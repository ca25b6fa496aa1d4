"""Propagation of uncertainty to first order, and what few observations cost, after JCGM 100:2008."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.floating[Any]]
STEP = 0.1
"""Half the step of a central difference, in standard uncertainties of the quantity that is varied."""


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

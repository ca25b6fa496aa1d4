"""Figures made of many: the mean error with the noise taken out, the standard deviation within groups."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from foldtrue.measured import COVERAGE_95

Array = NDArray[np.floating[Any]]


def mean_error(errors: Array, covariances: Array) -> dict[str, Any]:
    """RMS, mean error without noise, and its 95 % uncertainty, of errors (N, D) with covariances (N, D, D).

    The variance of the mean square, errors of different twists taken as independent, is the mean over N^2 of
    4 d'Cd + 2 tr(C^2) less the noise's own part in d'Cd; the uncertainty is the distance to the farther end of the
    interval that the square's 95 % interval gives for its root, which stays meaningful at zero. All None for N = 0.
    """
    count = len(errors)
    if count == 0:
        return {"rms": None, "mean_error": None, "u95": None}
    square = np.sum(errors**2, axis=1)
    noise = np.trace(covariances, axis1=1, axis2=2)
    noise_square = np.einsum("nij,nji->n", covariances, covariances)
    signal = np.maximum(np.einsum("ni,nij,nj->n", errors, covariances, errors) - noise_square, 0.0)
    std = np.sqrt(np.sum(4 * signal + 2 * noise_square)) / count
    excess = max(0.0, float(np.mean(square - noise)))
    low, mean, high = np.sqrt([max(0.0, excess - COVERAGE_95 * std), excess, excess + COVERAGE_95 * std]).tolist()
    return {"rms": float(np.sqrt(np.mean(square))), "mean_error": mean, "u95": max(high - mean, mean - low)}


def pooled_std(values: Array, group: NDArray[Any], spent: int = 0) -> tuple[float, int]:
    """Pooled standard deviation of values (N,) within their groups (N,), and its freedoms.

    spent: freedoms that were taken out of the values together, besides one mean for each group. nan without freedoms.
    Source: ISO 5725 [from memory], s_r = sqrt(sum (n-1) s^2 / sum (n-1)).
    """
    _, number = np.unique(group, return_inverse=True)
    count = np.bincount(number)
    mean = np.bincount(number, values) / count
    freedoms = len(values) - len(count) - spent
    square = float(np.sum((values - mean[number]) ** 2))
    return (float(np.sqrt(square / freedoms)) if freedoms > 0 else float("nan")), max(freedoms, 0)

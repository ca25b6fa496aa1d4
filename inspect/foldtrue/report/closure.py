"""Closure: how well points that should meet do meet (definitions: docs/conventions.md)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import LatticeFit, Nominal
from foldtrue.propagation import effective_freedom


@dataclass(frozen=True)
class Closure:
    """One node of the plan. measured: how many of its vertices were measured; the figures are None below two.

    rms_mm: RMS distance of the measured vertices' errors from their common mean. u95_mm: the true value lies within
    rms_mm +- u95_mm with at least 95 % confidence. largest_gap_mm: greatest distance between two of them.
    """

    planned_mm: tuple[float, float]
    vertices: tuple[int, ...]
    measured: int
    rms_mm: float | None
    u95_mm: float | None
    largest_gap_mm: float | None


def node_closures(nominal: Nominal, fit: LatticeFit) -> list[Closure]:
    """Closure at every node, in the plan's order."""
    closures = []
    for node in nominal.nodes:
        index = np.array(node)
        planned = nominal.vertices_mm[index].mean(0)
        seen = index[fit.vertex_measured[index]]
        figures: tuple[float | None, float | None, float | None] = (None, None, None)
        if len(seen) >= 2:
            points = fit.vertices_mm[seen]
            gaps = np.linalg.norm(points[:, None] - points[None], axis=2)
            figures = (_rms(points), closure_u95(fit.vertex_cov_mm2[seen]), float(gaps.max()))
        closures.append(Closure((float(planned[0]), float(planned[1])), node, len(seen), *figures))
    return closures


def _rms(points: Array) -> float:
    return float(np.sqrt(np.mean(np.sum((points - points.mean(0)) ** 2, axis=1))))


def closure_u95(covariances: Array) -> float:
    """95 % bound of what the points' noise alone adds to or takes from a closure, mm.

    covariances: (n, 2, 2) mm2 of n points, taken as independent. By the triangle inequality the RMS about the mean
    changes by no more than the RMS of the noise about its own mean; that one squared is a quadratic form of normal
    variables, replaced by a scaled chi-square of equal mean and variance (Satterthwaite 1946; JCGM 100, G.4).
    """
    from scipy.special import gammaincinv

    count = len(covariances)
    centring = np.eye(count) - 1 / count
    spread = np.einsum("ij,jab->iajb", centring, covariances).reshape(2 * count, 2 * count)
    mean = float(np.trace(spread))
    if mean <= 0:
        return 0.0
    freedom = effective_freedom(np.linalg.eigvalsh(spread), 1.0)  # one for each independent part of the square
    quantile = 2 * gammaincinv(freedom / 2, 0.95)
    return float(np.sqrt(mean / freedom * quantile / count))

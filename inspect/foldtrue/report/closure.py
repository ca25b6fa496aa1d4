"""Closure: how well points that should meet do meet (definitions: docs/conventions.md)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import IntArray, LatticeFit, Nominal
from foldtrue.propagation import effective_freedom


@dataclass(frozen=True)
class Closure:
    """One node of the plan. measured: how many of its vertices were measured; the figures are None below two.

    rms_mm: RMS distance of the measured vertices from their common mean. u95_mm: the true value lies within rms_mm +-
    u95_mm with at least 95 % confidence. largest_gap_mm, gap_u95_mm: greatest distance between two of them, likewise.
    """

    planned_mm: tuple[float, float]
    vertices: tuple[int, ...]
    measured: int
    rms_mm: float | None
    u95_mm: float | None
    largest_gap_mm: float | None
    gap_u95_mm: float | None


def node_closures(nominal: Nominal, fit: LatticeFit) -> list[Closure]:
    """Closure at every node, in the plan's order."""
    closures = []
    for k, node in enumerate(nominal.nodes):
        index = np.array(node)
        planned = nominal.vertices_mm[index].mean(0)
        seen = index[fit.vertex_measured[index]]
        figures: tuple[float | None, ...] = (None, None, None, None)
        if len(seen) >= 2:
            points = fit.vertices_mm[seen]
            gaps = np.linalg.norm(points[:, None] - points[None], axis=2)
            u95 = closure_u95(_covariance(fit, k, index))
            # The distance of two points is at most this many times the RMS of all about their mean.
            figures = (_rms(points), u95, float(gaps.max()), float(np.sqrt(2 * len(seen))) * u95)
        closures.append(Closure((float(planned[0]), float(planned[1])), node, len(seen), *figures))
    return closures


def _rms(points: Array) -> float:
    return float(np.sqrt(np.mean(np.sum((points - points.mean(0)) ** 2, axis=1))))


def _covariance(fit: LatticeFit, node: int, vertices: IntArray) -> Array:
    """(2 n, 2 n) covariance of the node's n measured vertices, x and y of one after the other."""
    seen = np.flatnonzero(fit.vertex_measured[vertices])
    if fit.node_cov_mm2 is None:
        from scipy.linalg import block_diag

        return np.asarray(block_diag(*fit.vertex_cov_mm2[vertices[seen]]))
    rows = np.stack([2 * seen, 2 * seen + 1], 1).ravel()
    return fit.node_cov_mm2[node][np.ix_(rows, rows)]


def closure_u95(covariance: Array) -> float:
    """95 % bound of what the points' noise alone adds to or takes from a closure, mm.

    covariance: (2 n, 2 n) mm2 of n points, x and y of one after the other. By the triangle inequality the RMS about the
    mean changes by no more than the RMS of the noise about its own mean; that one squared is a quadratic form of normal
    variables, replaced by a scaled chi-square of equal mean and variance (Satterthwaite 1946; JCGM 100, G.4).
    """
    from scipy.special import gammaincinv

    count = len(covariance) // 2
    centring = np.kron(np.eye(count) - 1 / count, np.eye(2))
    spread = centring @ covariance @ centring
    mean = float(np.trace(spread))
    if mean <= 0:
        return 0.0
    freedom = effective_freedom(np.linalg.eigvalsh(spread), 1.0)  # one for each independent part of the square
    quantile = 2 * gammaincinv(freedom / 2, 0.95)
    return float(np.sqrt(mean / freedom * quantile / count))

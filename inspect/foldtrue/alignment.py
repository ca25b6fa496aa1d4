"""The best fit of the plan to a whole piece, which every error is stated after: a homography, or a similarity where the
photo's plane is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array, apply_homography


@dataclass(frozen=True)
class GlobalFit:
    """Best map plan -> measured of the whole piece: matrix (3, 3); weights (T,) of the twists in it; design (2 T, p)
    of its linear freedoms at the twists' centres and turn (T, p), the local rotation each freedom brings."""

    matrix: Array
    weights: Array
    design: Array
    turn: Array


def freedoms(xy: Array, kind: str, reach_mm: float | None = None) -> tuple[Array, Array]:
    """Linear freedoms of a global map at points xy (N, 2): shifts (2 N, p) and local rotations (N, p). kind:
    'homography' (8) or 'similarity' (4). reach_mm: the length that scales them, by default the points' own."""
    scale = reach_mm or max(float(np.abs(xy).max(initial=0.0)), 1e-9)
    x, y = (xy / scale).T
    one, zero = np.ones_like(x), np.zeros_like(x)
    shifts = [(one, zero), (zero, one), (-y, x), (x, y)]
    turns = [zero, zero, one, zero]
    if kind == "homography":
        shifts += [(x, -y), (y, x), (x * x, x * y), (x * y, y * y)]
        # rotation = (d v / dx - d u / dy) / 2 of the shift (u, v)
        turns += [zero, zero, y / 2, -x / 2]
    design = np.stack([np.stack(s, 1).ravel() for s in shifts], 1)
    return design, np.stack(turns, 1) / scale


def fit_globally(planned: Array, measured: Array, kind: str, base_weight: Array, rounds: int = 12) -> GlobalFit:
    """Robust best fit of planned centres (T, 2) to measured ones, iterated on the exact homography, Tukey weights on
    distances.

    base_weight (T,): 0 for twists that take no part. With few twists the fit takes up much of their errors, so the
    scale by which a twist is called odd is that of the residuals times sqrt(2 n / (2 n - p)); without it a piece of
    seven twists loses one of them to chance in a third of all cases.
    """
    matrix = np.eye(3)
    weights = base_weight.astype(float)
    use = base_weight > 0
    observed, taken = 2 * int(use.sum()), 8 if kind == "homography" else 4
    widen = np.sqrt(observed / max(observed - taken, 1))
    for _ in range(rounds):
        left = apply_homography(np.linalg.inv(matrix), measured) - planned
        design, _ = freedoms(planned, kind)
        w = np.sqrt(np.repeat(weights, 2))
        coef = np.linalg.lstsq(design * w[:, None], left.ravel() * w, rcond=None)[0]
        matrix = matrix @ homography_step(coef, planned)
        matrix = matrix / matrix[2, 2]
        distance = np.hypot(*(apply_homography(np.linalg.inv(matrix), measured) - planned).T)
        # 1.1774 is the median length of a 2-D standard normal; Tukey's constant for two dimensions about 5.
        scale = widen * float(np.median(distance[use])) / 1.1774 + 1e-6
        z = distance / (5.0 * scale)
        weights = base_weight * np.where(z < 1, (1 - z * z) ** 2, 0.0)
    design, turn = freedoms(planned, kind)
    return GlobalFit(matrix, weights, design, turn)


def homography_step(coef: Array, xy: Array) -> Array:
    """The 3x3 map (mm -> mm) that the coefficients of `freedoms` at the same points stand for, exact to first order."""
    scale = max(float(np.abs(xy).max(initial=0.0)), 1e-9)
    c = np.concatenate([coef, np.zeros(8 - len(coef))])
    c[2:] = c[2:] / scale
    p, q = -c[6] / scale, -c[7] / scale
    # (x, y) -> ((1 + e) x + ..., ...) / (1 + p x + q y), first order equal to the freedoms above.
    return np.array([[1 + c[3] + c[4], -c[2] + c[5], c[0]], [c[2] + c[5], 1 + c[3] - c[4], c[1]], [p, q, 1.0]])

"""Twist poses from measured vertices, and the whole piece's fit taken out of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from foldtrue.frames import Array, apply_homography
from foldtrue.handover import BoolArray, IntArray, Nominal


def pose_rows(nominal: Nominal) -> list[Array]:
    """For each twist a (4, 2 n) matrix: tips' displacements (x0, y0, x1, ...) -> centre shift x, y (mm), turn (rad),
    size.

    Least-squares rigid motion of the planned tips, linearised about the plan (errors of twists are a few degrees; the
    linear turn is within 1e-3 of itself below 5 deg); size is the mean relative change of the distances from the
    centre. Source: orthogonal Procrustes problem, first order.
    """
    out: list[Array] = []
    for twist in nominal.twists:
        tips = nominal.vertices_mm[list(twist.tips)]
        r = tips - tips.mean(0)
        n = len(r)
        inertia = float(np.sum(r * r))
        rows = np.zeros((4, 2 * n))
        rows[0, 0::2] = rows[1, 1::2] = 1.0 / n
        rows[2, 0::2], rows[2, 1::2] = -r[:, 1] / inertia, r[:, 0] / inertia
        rows[3, 0::2], rows[3, 1::2] = r[:, 0] / inertia, r[:, 1] / inertia
        out.append(rows)
    return out


def rigid_pose(planned: Array, measured: Array) -> tuple[Array, float, float]:
    """Exact least-squares motion planned (n, 2) -> measured: centre shift (2,) mm, turn deg ccw, relative size - 1."""
    p, m = planned - planned.mean(0), measured - measured.mean(0)
    dot, cross = float(np.sum(p * m)), float(np.sum(p[:, 0] * m[:, 1] - p[:, 1] * m[:, 0]))
    return (
        measured.mean(0) - planned.mean(0),
        float(np.degrees(np.arctan2(cross, dot))),
        float(np.hypot(dot, cross) / np.sum(p * p) - 1),
    )


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


def supported_share(points: Array, trusted: BoolArray, crease: IntArray, nominal: Nominal, grow_mm: float) -> Array:
    """Share (T,) of each twist's edge samples that were seen, 0 where it has none.

    points (M, 2): planned places of all samples; crease (M,) theirs. A twist's samples are those inside its planned
    polygon (grown by grow_mm). Where the plan leaves none there, since two folds lie on every side (a hexagon twist
    against the light), its tips are where its pleats' creases end: the samples on those, up to as far again from the
    centre.
    """
    share = np.zeros(len(nominal.twists))
    if not len(points):
        return share
    from scipy.spatial import cKDTree

    tree = cKDTree(points)
    for k, twist in enumerate(nominal.twists):
        tips = nominal.vertices_mm[list(twist.tips)]
        centre = tips.mean(0)
        reach = float(np.hypot(*(tips - centre).T).max())
        near = _within(tree, centre, reach + grow_mm)
        own = near[(_depth(points[near], tips) > -grow_mm).all(1)]
        if not len(own):
            near = _within(tree, centre, 2 * reach)
            own = near[np.isin(nominal.creases.ends[crease[near]], twist.tips).any(1)]
        share[k] = float(trusted[own].mean()) if len(own) else 0.0
    return share


def _within(tree: Any, centre: Array, reach: float) -> IntArray:
    return np.array(tree.query_ball_point(centre, reach), np.int64)


def _depth(points: Array, polygon: Array) -> Array:
    """How far inside each side (n,) of a counter-clockwise polygon the points (N, 2) lie; (N, n)."""
    d = np.roll(polygon, -1, 0) - polygon
    inward = np.stack([-d[:, 1], d[:, 0]], 1) / np.hypot(*d.T)[:, None]
    return np.asarray(np.einsum("nkj,kj->nk", points[:, None] - polygon[None], inward))

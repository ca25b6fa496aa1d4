"""Twist poses from measured vertices, and how much of each twist was seen."""

from __future__ import annotations

from typing import Any

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import BoolArray, IntArray, Nominal


def pose_rows(nominal: Nominal) -> list[Array]:
    """For each twist a (4, 2 n) matrix: tips' displacements (x0, y0, x1, ...) -> centre shift x, y (mm), turn (rad),
    size.

    Least-squares rigid motion of the planned tips, linearised about the plan (errors of twists are a few degrees; the
    linear turn is within 1e-3 of itself below 5 deg); size is the mean relative change of the distances from the
    centre. Source: orthogonal Procrustes problem, first order.
    """
    return [pose_row(nominal.vertices_mm[list(twist.tips)]) for twist in nominal.twists]


def pose_row(tips: Array) -> Array:
    """The same for one polygon with its planned tips (n, 2) mm."""
    r = tips - tips.mean(0)
    n = len(r)
    inertia = float(np.sum(r * r))
    rows = np.zeros((4, 2 * n))
    rows[0, 0::2] = rows[1, 1::2] = 1.0 / n
    rows[2, 0::2], rows[2, 1::2] = -r[:, 1] / inertia, r[:, 0] / inertia
    rows[3, 0::2], rows[3, 1::2] = r[:, 0] / inertia, r[:, 1] / inertia
    return rows


def rigid_pose(planned: Array, measured: Array) -> tuple[Array, float, float]:
    """Exact least-squares motion planned (n, 2) -> measured: centre shift (2,) mm, turn deg ccw, relative size - 1."""
    p, m = planned - planned.mean(0), measured - measured.mean(0)
    dot, cross = float(np.sum(p * m)), float(np.sum(p[:, 0] * m[:, 1] - p[:, 1] * m[:, 0]))
    return (
        measured.mean(0) - planned.mean(0),
        float(np.degrees(np.arctan2(cross, dot))),
        float(np.hypot(dot, cross) / np.sum(p * p) - 1),
    )


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

"""The patterns that habits leave in a piece's errors, as covariances of what they may do and as effects of known form.

Every pattern is scaled to a mean square of 1 per axis over the twists, so that its component is its mean square.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import BoolArray, Nominal

_SAME_DEG = 2.0


@dataclass(frozen=True)
class Layout:
    """What patterns need of the measured twists (T): planned_mm (T, 2), hand, ring, border, and the normals (N,) in
    degrees, 0..180, of the plan's grid lines, in the folded frame."""

    ids: tuple[str, ...]
    planned_mm: Array
    hand: Array
    ring: Array
    border: Array
    normals_deg: tuple[float, ...]
    row_mm: float


def layout_of(nominal: Nominal, measured: BoolArray) -> Layout:
    twists = [twist for twist, seen in zip(nominal.twists, measured.tolist(), strict=True) if seen]
    return Layout(
        ids=tuple(twist.id for twist in twists),
        planned_mm=np.array([twist.planned_mm for twist in twists], float).reshape(-1, 2),
        hand=np.array([twist.hand for twist in twists], float),
        ring=np.array([twist.ring for twist in twists], float),
        border=np.array([twist.border for twist in twists], float),
        normals_deg=pleat_normals_deg(nominal),
        row_mm=nominal.row_mm,
    )


def pleat_normals_deg(nominal: Nominal) -> tuple[float, ...]:
    """Directions across the pleats, which run along grid lines, each once."""
    found: list[float] = []
    for (left, right), ends, kind in zip(
        nominal.creases.facets.tolist(), nominal.creases.ends, nominal.creases.kind.tolist(), strict=True
    ):
        kinds = {nominal.facets[facet].kind for facet in (left, right) if facet >= 0}
        if kind == "R" or kinds != {"cell", "pleat"}:
            continue
        dx, dy = nominal.vertices_mm[ends[1]] - nominal.vertices_mm[ends[0]]
        if np.hypot(dx, dy) < 1e-6:
            continue
        normal = float(np.degrees(np.arctan2(dx, -dy))) % 180
        if all(abs((normal - other + 90) % 180 - 90) > _SAME_DEG for other in found):
            found.append(normal)
    return tuple(sorted(found))


def along_deg(deg: float) -> Array:
    """Unit vector (2,) of a direction."""
    return np.array([np.cos(np.radians(deg)), np.sin(np.radians(deg))])


def rows_kernel(layout: Layout, normal_deg: float) -> Array:
    """(2 T, 2 T): every row of twists across the normal is shifted along it by an error of its own."""
    s = layout.planned_mm @ along_deg(normal_deg)
    same = (np.abs(s[:, None] - s[None]) < 0.25 * layout.row_mm).astype(float)
    return _along(same, normal_deg)


def drift_kernels(layout: Layout, normal_deg: float) -> list[Array]:
    """(2 T, 2 T) each: shifts along the normal that grow from row to row by steps at random (a random walk), and by
    steps that themselves grow (an integrated random walk, the covariance of cubic smoothing splines: G. Wahba, Spline
    Models for Observational Data, 1990 [from memory])."""
    s = layout.planned_mm @ along_deg(normal_deg)
    s = (s - s.min()) / max(float(np.ptp(s)), 1e-9)
    low, high = np.minimum(s[:, None], s[None]), np.maximum(s[:, None], s[None])
    walk = low
    smooth = low**2 * (3 * high - low) / 6
    return [_along(_unit(_centred(k)), normal_deg) for k in (walk, smooth)]


def ring_kernel(layout: Layout) -> Array:
    """(T,) variance that grows with the square of the rings within."""
    return _mean_one((layout.ring - layout.ring.min()) ** 2)


def hand_effect(layout: Layout) -> Array:
    """(2 T, 2): the two hands shifted opposite ways."""
    return np.kron(layout.hand[:, None], np.eye(2))


def _along(kernel: Array, normal_deg: float) -> Array:
    """A covariance (T, T) of shifts along one direction as one of places (2 T, 2 T), its mean square 1 per axis."""
    n = along_deg(normal_deg)
    return np.asarray(2 * np.kron(kernel, np.outer(n, n)))


def _centred(kernel: Array) -> Array:
    """Without the part that is common to all."""
    middle = np.eye(len(kernel)) - 1 / len(kernel)
    return np.asarray(middle @ kernel @ middle)


def _unit(kernel: Array) -> Array:
    return np.asarray(kernel / max(float(np.trace(kernel)) / len(kernel), 1e-300))


def _mean_one(values: Array) -> Array:
    mean = float(values.mean())
    return np.asarray(values / mean) if mean > 0 else values

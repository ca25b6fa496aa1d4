"""The folded piece as a whole: its outline, its areas by layer count, the rotations that leave its look unchanged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from scipy.spatial import cKDTree

from foldtrue.frames import Array
from foldtrue.handover import IntArray, Nominal
from foldtrue.plan.overlay import Overlay, overlay_creases
from foldtrue.plan.planar import Points, face_cycles, to_points
from foldtrue.plan.stacks import Stack, steps

# Pleats run along multiples of 60 degrees, so no other rotation can carry a piece onto itself.
_ROTATIONS_DEG = (60.0, 120.0, 180.0, 240.0, 300.0)


def outline(overlay: Overlay) -> Points:
    """Outer boundary of the folded piece, counter-clockwise, without points on straight runs; (K,) complex, mm."""
    outside = int(overlay.area_mm2.argmin())
    start = overlay.ends.reshape(-1)
    begin = int(np.flatnonzero(overlay.region_of_half_edge == outside)[0])
    cycle = [begin]
    while (ahead := int(overlay.next_half_edge[cycle[-1]])) != begin:
        cycle.append(ahead)
    points = overlay.nodes[start[cycle]][::-1]
    before, after = points - np.roll(points, 1), np.roll(points, -1) - points
    return np.asarray(points[np.abs(np.angle(after / before)) > 1e-7])


def layer_areas(nominal: Nominal, within_mm: Array | None = None) -> Mapping[int, float]:
    """Folded area in mm^2 by number of layers, over the whole piece or inside a convex polygon.

    within_mm: (K, 2) corners, folded frame, counter-clockwise. Exact: regions are clipped as polygons.
    """
    overlay = overlay_creases(to_points(nominal.vertices_mm), nominal.creases.ends, nominal.creases.facets)
    area = overlay.area_mm2
    if within_mm is not None:
        start = overlay.ends.reshape(-1)
        cycles = face_cycles(overlay.region_of_half_edge, overlay.next_half_edge, start, len(area))
        window = to_points(np.asarray(within_mm, float))
        area = np.array([_clipped_area(overlay.nodes[start[cycle]], window) for cycle in cycles])
    total: dict[int, float] = {}
    for layers, region_area in zip(overlay.layers, area.tolist(), strict=True):
        if layers and region_area > 0:
            total[len(layers)] = total.get(len(layers), 0.0) + region_area
    return dict(sorted(total.items()))


def _clipped_area(polygon: Points, window: Points) -> float:
    """Area of a polygon's part inside a convex window, side by side (Sutherland and Hodgman 1974)."""
    for a, b in zip(window, np.roll(window, -1), strict=True):
        if not len(polygon):
            return 0.0
        along = (b - a) / abs(b - a)
        depth = ((polygon - a) * along.conjugate()).imag
        after, depth_after = np.roll(polygon, -1), np.roll(depth, -1)
        kept: list[complex] = []
        for p, q, d, e in zip(polygon.tolist(), after.tolist(), depth.tolist(), depth_after.tolist(), strict=True):
            if d >= 0:
                kept.append(p)
            if (d < 0) != (e < 0):
                kept.append(p + (q - p) * d / (d - e))
        polygon = np.array(kept, complex)
    return float((polygon.conj() * np.roll(polygon, -1)).imag.sum() / 2)


def backlit_symmetry(overlay: Overlay) -> tuple[float, ...]:
    """Rotations about the origin, in degrees, that leave the layer counts as they are."""
    depth = np.array([len(layers) for layers in overlay.layers], np.int64)
    return _rotations(overlay, depth[overlay.region_left], depth[overlay.region_right])


def surface_symmetry(overlay: Overlay, stacks: Sequence[Stack]) -> tuple[float, ...]:
    """Rotations about the origin, in degrees, that leave the visible steps and grooves as they are."""
    raised, ending = steps(overlay, stacks)
    shows = np.array([bool(facets) for facets in ending])
    groove = np.where(shows & (raised == 0), 2, 0)
    return _rotations(overlay, np.where(raised > 0, 1, groove), np.where(raised < 0, 1, groove), shows)


def _rotations(overlay: Overlay, left: IntArray, right: IntArray, shows: IntArray | None = None) -> tuple[float, ...]:
    """Rotations that carry all visible lines onto visible lines with the same values left and right of them.

    Short edges are first joined along each line, because what cuts them may be hidden.
    """
    kept = np.flatnonzero(left != right if shows is None else shows)
    ends, line = overlay.ends[kept], overlay.line[kept]
    look = np.column_stack([left[kept], right[kept]])
    new = np.ones(len(kept), bool)
    new[1:] = (np.diff(line) != 0) | (ends[1:, 0] != ends[:-1, 1]) | (np.diff(look, axis=0) != 0).any(1)
    first = np.flatnonzero(new)
    last = np.append(first[1:], len(kept)) - 1
    start, stop = overlay.nodes[ends[first, 0]], overlay.nodes[ends[last, 1]]
    swap = look[first, 0] < look[first, 1]
    start, stop = np.where(swap, stop, start), np.where(swap, start, stop)
    high, low = look[first].max(1), look[first].min(1)
    both = high == low
    start, stop = np.concatenate([start, stop[both]]), np.concatenate([stop, start[both]])
    high, low = np.concatenate([high, high[both]]), np.concatenate([low, low[both]])
    size = float(np.abs(overlay.nodes).max())

    def place(turn: complex) -> Array:
        a, b = start * turn / size, stop * turn / size
        return np.column_stack([a.real, a.imag, b.real, b.imag, high, low])

    tree = cKDTree(place(1))
    same = [
        angle
        for angle in _ROTATIONS_DEG
        if (tree.query(place(complex(np.exp(1j * np.deg2rad(angle)))), distance_upper_bound=1e-6)[0] < 1e-6).all()
    ]
    return (0.0, *same)

"""What shows of every crease in each view: stretches with constant surroundings."""

from __future__ import annotations

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import IntArray, Stretches
from foldtrue.plan.overlay import Overlay
from foldtrue.plan.planar import Points


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


def backlit_view(overlay: Overlay, vertices: Points, ends: IntArray) -> Stretches:
    """Every folded crease and the rim, with the layer counts on both sides of each stretch (none seen as raised)."""
    depth = np.array([len(facets) for facets in overlay.layers], np.int64)
    crease, edge, forward = overlay.cover_crease, overlay.cover_edge, overlay.cover_forward
    left, right = overlay.region_left[edge], overlay.region_right[edge]
    shared = np.bincount(edge, minlength=len(overlay.ends))[edge]
    look = np.column_stack(
        [
            depth[np.where(forward, left, right)],
            depth[np.where(forward, right, left)],
            np.zeros(len(edge), np.int64),
            shared,
        ]
    )
    return join_stretches(overlay, vertices, ends, np.arange(len(edge)), look)


def join_stretches(overlay: Overlay, vertices: Points, ends: IntArray, cover: IntArray, look: IntArray) -> Stretches:
    """Join neighbouring covered edges of one crease that look alike.

    cover: (K,) entries of the overlay's covering that show, ascending; look: (K, 4) layers left and right of the CREASE,
    raised, shared.
    """
    crease, edge = overlay.cover_crease[cover], overlay.cover_edge[cover]
    new = np.ones(len(cover), bool)
    new[1:] = (crease[1:] != crease[:-1]) | (cover[1:] != cover[:-1] + 1) | (look[1:] != look[:-1]).any(1)
    first = np.flatnonzero(new)
    last = np.append(first[1:], len(cover)) - 1
    c = crease[first]
    a, b = vertices[ends[c, 0]], vertices[ends[c, 1]]
    points = np.column_stack([overlay.nodes[overlay.ends[edge[first], 0]], overlay.nodes[overlay.ends[edge[last], 1]]])
    t = np.sort(((points - a[:, None]) / (b - a)[:, None]).real, 1)
    shows = (look[first, 2] != 0) | (look[first, 0] != look[first, 1])
    return Stretches(
        crease=c,
        t0=np.clip(t[:, 0], 0.0, 1.0),
        t1=np.clip(t[:, 1], 0.0, 1.0),
        layers_left=look[first, 0],
        layers_right=look[first, 1],
        raised=look[first, 2],
        shared=look[first, 3],
        clear_mm=clear_distance(overlay, overlay.line[edge[first]], points, shows),
    )


def clear_distance(overlay: Overlay, line: IntArray, points: Points, shows: np.ndarray) -> Array:
    """Distance from each stretch to the nearest parallel stretch alongside that shows; inf where there is none.

    line: (S,), points: (S, 2) ends along the line, shows: (S,) bool.
    """
    angle, offset = overlay.line_angle[line], overlay.line_offset_mm[line]
    clear = np.full(len(line), np.inf)
    size = np.abs(points).max()
    for direction in np.unique(angle):
        member = np.flatnonzero(angle == direction)
        span = np.sort((points[member] * np.exp(-1j * direction)).real, 1)
        seen = np.flatnonzero(shows[member])
        for block in np.array_split(np.arange(len(member)), max(1, len(member) // 256)):
            gap = np.abs(offset[member[block], None] - offset[member[seen]])
            overlap = np.minimum(span[block, None, 1], span[seen, 1]) - np.maximum(span[block, None, 0], span[seen, 0])
            gap[(gap < 1e-7 * size) | (overlap < 1e-7 * size)] = np.inf
            if gap.size:
                clear[member[block]] = gap.min(1)
    return clear

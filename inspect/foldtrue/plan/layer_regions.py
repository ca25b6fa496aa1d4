"""Where the folded piece has how many layers: its areas of one layer count, outlined."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from foldtrue.frames import Array
from foldtrue.handover import BoolArray, IntArray, Nominal
from foldtrue.handover_layers import LayerRegion
from foldtrue.plan.overlay import Overlay, overlay_creases
from foldtrue.plan.planar import Points, face_cycles, to_points, to_xy


def layer_regions(nominal: Nominal) -> tuple[LayerRegion, ...]:
    """The folded piece cut up by layer count, the largest areas of one count that hang together, thinnest first."""
    overlay = overlay_creases(to_points(nominal.vertices_mm), nominal.creases.ends, nominal.creases.facets)
    depth = np.array([len(layers) for layers in overlay.layers], np.int64)
    joined = _joined(overlay, depth)
    whole = joined[overlay.region_of_half_edge]
    start = overlay.ends.reshape(-1)
    cycles = face_cycles(overlay.region_of_half_edge, overlay.next_half_edge, start, len(depth))
    middles = np.array([_centroid(overlay.nodes[start[cycle]]) for cycle in cycles])
    loops: dict[int, list[Points]] = {}
    for loop in _boundary_loops(overlay, whole):
        loops.setdefault(int(whole[loop[0]]), []).append(overlay.nodes[start[loop]])
    regions = []
    for number in sorted(loops, key=lambda k: (depth[joined == k][0], k)):
        faces = joined == number
        count = int(depth[faces][0])
        if count:
            inner, clear = _roomiest(middles[faces], np.abs(overlay.area_mm2[faces]), loops[number])
            rings = tuple(to_xy(_without_straight(loop)) for loop in loops[number])
            regions.append(LayerRegion(count, rings, (inner.real, inner.imag), clear))
    return tuple(regions)


def _joined(overlay: Overlay, depth: IntArray) -> IntArray:
    """(G,) a number for every set of neighbouring regions with the same number of layers."""
    left, right = overlay.region_left, overlay.region_right
    same = depth[left] == depth[right]
    links = (np.ones(same.sum(), np.int8), (left[same], right[same]))
    return np.asarray(connected_components(coo_matrix(links, shape=(len(depth),) * 2), directed=False)[1], np.int64)


def _boundary_loops(overlay: Overlay, whole: IntArray) -> list[list[int]]:
    """Half-edges around every joined region, in order; whole: (2E,) the joined region left of each half-edge."""
    boundary: BoolArray = whole != whole[np.arange(len(whole)) ^ 1]
    following, bounds = overlay.next_half_edge.tolist(), boundary.tolist()
    seen: set[int] = set()
    loops = []
    for first in np.flatnonzero(boundary).tolist():
        if first in seen:
            continue
        loop = [first]
        while True:
            ahead = following[loop[-1]]
            while not bounds[ahead]:
                ahead = following[ahead ^ 1]
            if ahead == loop[0]:
                break
            loop.append(ahead)
        seen.update(loop)
        loops.append(loop)
    return loops


def _centroid(polygon: Points) -> complex:
    """Centre of area, or the mean of the corners where there is no area."""
    ahead = np.roll(polygon, -1)
    cross = (polygon.conj() * ahead).imag
    total = cross.sum()
    return complex(polygon.mean() if not total else ((polygon + ahead) * cross).sum() / (3 * total))


def _roomiest(middles: Points, areas: Array, loops: Sequence[Points]) -> tuple[complex, float]:
    """Of the middles of a region's faces and the middle of the whole region, the one farthest from the boundary."""
    a = np.concatenate(loops)
    b = np.concatenate([np.roll(loop, -1) for loop in loops])
    points = np.append(middles, (middles * areas).sum() / areas.sum()) if areas.sum() > 0 else middles
    side, ray = b - a, points[:, None] - a
    along = np.clip((ray * side.conj()).real / np.abs(side) ** 2, 0.0, 1.0)
    far = np.abs(ray - along * side).min(1)
    turns = np.angle((points[:, None] - b) / np.where(ray == 0, 1, ray)).sum(1)
    far = np.where(np.abs(turns) > np.pi, far, 0.0)
    best = int(far.argmax())
    return complex(points[best]), float(far[best])


def _without_straight(loop: Points) -> Points:
    """The loop without corners on straight runs."""
    before, after = loop - np.roll(loop, 1), np.roll(loop, -1) - loop
    return np.asarray(loop[np.abs(np.angle(after / before)) > 1e-7])

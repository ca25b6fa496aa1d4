"""What shows of every crease in each view: stretches with constant surroundings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import BoolArray, IntArray, Stretches
from foldtrue.plan.overlay import Overlay
from foldtrue.plan.planar import Points
from foldtrue.plan.stacks import Stack, steps


def backlit_view(overlay: Overlay, crease_ends: Points) -> Stretches:
    """Every folded crease and the rim, with the layer counts on both sides of each stretch; raised is 0 throughout.

    crease_ends: (C, 2) folded places, mm. Stretches without a step in the layer count are kept.
    """
    edge = overlay.cover_edge
    shared = np.bincount(edge, minlength=len(overlay.ends))[edge]
    look = np.column_stack([_layer_counts(overlay), np.zeros(len(edge), np.int64), shared])
    return _join_stretches(overlay, crease_ends, np.arange(len(edge)), look, on_surface=False)


def surface_view(overlay: Overlay, crease_ends: Points, facets: IntArray, stacks: Sequence[Stack]) -> Stretches:
    """The stretches of creases and rim that show on the surface, for a viewer of the stacks' tops.

    crease_ends: (C, 2) folded places, mm. facets: (C, 2) facets at each crease. stacks: from the viewer's side down,
    one per region (reversed for the back). `shared` counts the creases that show: 2 in a groove.
    """
    raised, ending = steps(overlay, stacks)
    at_crease = facets.tolist()
    shows = np.array(
        [
            not ending[e].isdisjoint(at_crease[c])
            for c, e in zip(overlay.cover_crease.tolist(), overlay.cover_edge.tolist(), strict=True)
        ]
    )
    cover = np.flatnonzero(shows)
    edge, forward = overlay.cover_edge[cover], overlay.cover_forward[cover]
    shared = np.bincount(edge, minlength=len(overlay.ends))[edge]
    rise = np.where(forward, raised[edge], -raised[edge])
    look = np.column_stack([_layer_counts(overlay)[cover], rise, shared])
    return _join_stretches(overlay, crease_ends, cover, look, on_surface=True)


def _layer_counts(overlay: Overlay) -> IntArray:
    """(K, 2) layers left and right of each covering crease, as the crease runs."""
    depth = np.array([len(layers) for layers in overlay.layers], np.int64)
    edge, forward = overlay.cover_edge, overlay.cover_forward
    left, right = depth[overlay.region_left[edge]], depth[overlay.region_right[edge]]
    return np.column_stack([np.where(forward, left, right), np.where(forward, right, left)])


def _join_stretches(
    overlay: Overlay, crease_ends: Points, cover: IntArray, look: IntArray, on_surface: bool
) -> Stretches:
    """Join neighbouring covered edges of one crease that look alike.

    cover: (K,) entries of the overlay's covering that are listed, ascending. look: (K, 4) layers left and right of the
    crease, raised, shared.
    """
    crease, edge = overlay.cover_crease[cover], overlay.cover_edge[cover]
    new = np.ones(len(cover), bool)
    new[1:] = (np.diff(crease) != 0) | (np.diff(cover) != 1) | (np.diff(look, axis=0) != 0).any(1)
    first = np.flatnonzero(new)
    last = np.append(first[1:], len(cover)) - 1
    c = crease[first]
    start, stop = crease_ends[c].T
    points = overlay.nodes[np.column_stack([overlay.ends[edge[first], 0], overlay.ends[edge[last], 1]])]
    t = np.sort(((points - start[:, None]) / (stop - start)[:, None]).real, 1)
    left, right, raised, shared = look[first].T
    # a groove shows on a surface without any step
    seen = (left != right) | (raised != 0) | on_surface
    return Stretches(
        crease=c,
        t0=np.clip(t[:, 0], 0.0, 1.0),
        t1=np.clip(t[:, 1], 0.0, 1.0),
        layers_left=left,
        layers_right=right,
        raised=raised,
        shared=shared,
        clear_mm=_clear_distance(overlay, overlay.line[edge[first]], points, seen),
    )


def _clear_distance(overlay: Overlay, line: IntArray, points: Points, seen: BoolArray) -> Array:
    """Distance from each stretch to the nearest parallel one alongside that shows; inf where there is none.

    line: (S,) supporting line; points: (S, 2) ends along it; seen: (S,).
    """
    angle, offset = overlay.line_angle[line], overlay.line_offset_mm[line]
    clear = np.full(len(line), np.inf)
    least = 1e-7 * np.abs(overlay.nodes).max()
    for direction in np.unique(angle):
        member = np.flatnonzero(angle == direction)
        span = (points[member] * np.exp(-1j * direction)).real
        other = np.flatnonzero(seen[member])
        for block in np.array_split(np.arange(len(member)), 1 + len(member) // 256):
            gap = np.abs(offset[member[block], None] - offset[member[other]])
            alongside = np.minimum(span[block, None, 1], span[other, 1]) - np.maximum(
                span[block, None, 0], span[other, 0]
            )
            gap[(gap < least) | (alongside < least)] = np.inf
            clear[member[block]] = gap.min(1, initial=np.inf)
    return clear

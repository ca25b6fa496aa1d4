"""Where the number of paper layers changes: the exact planar arrangement of all facet edges.

Every facet edge is cut at every other edge it crosses. Each piece then has one number of layers on its left and one on
its right, so any light that depends on the layers alone jumps by a known amount across it. Adding up the jumps with
exact pixel areas (raster.py) gives the picture without any sampling of the plane. Vertices must be in general position
(`nudged`): then no edge touches another one without crossing it, and all counts are decided well above rounding.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import BoolArray, Facet, IntArray, Nominal, Side

NUDGE_MM = 3e-5


@dataclass(frozen=True)
class Pieces:
    """N edge pieces between crossings. start, end: (N, 2) mm; left, right: (N,) layers beside it, seen start -> end.

    edge: (N,) index into edges; edges: (E, 2) vertex indices; owners: (E, 2) the facets that end there, -1 = none.
    node: (N, 2) ids of the end points, the same for all pieces that meet.
    """

    start: Array
    end: Array
    left: IntArray
    right: IntArray
    edge: IntArray
    node: IntArray
    edges: IntArray
    owners: IntArray

    def leak(self) -> int:
        """Largest sum of jumps around a node; 0 when every node is surrounded consistently."""
        # Any function of the layers must close around a node; a strictly convex one tests them all together.
        jump = self.left**3 - self.right**3
        total = np.zeros(int(self.node.max()) + 1, dtype=np.int64)
        np.add.at(total, self.node[:, 0], jump)
        np.add.at(total, self.node[:, 1], -jump)
        return int(np.abs(total).max())


def nudged(vertices_mm: Array, seed: int, attempt: int = 0) -> Array:
    """(V, 2) vertices moved by up to 3e-5 mm, three times as much with each attempt.

    A plan brings edges onto one line and many of them into one point; after the nudge none touch by design. Edges that
    share a vertex and a line part by only the nudge squared over their length, which must stay above rounding.
    """
    rng, reach = np.random.default_rng([seed, 77, attempt]), NUDGE_MM * 3**attempt
    return np.asarray(vertices_mm + rng.uniform(-reach, reach, vertices_mm.shape))


def cut_at_crossings(vertices_mm: Array, facets: tuple[Facet, ...]) -> Pieces:
    """Pieces of all facet edges with the layers beside them. Raises ValueError when a count stays undecided."""
    edges, owners, jump = _edges(facets)
    live = jump != 0
    edges, owners, jump = edges[live], owners[live], jump[live]
    first, second, t_first, t_second, gain_first, gain_second = _crossings(vertices_mm, edges, jump)
    where = vertices_mm[edges[first, 0]]
    where = where + t_first[:, None] * (vertices_mm[edges[first, 1]] - where)
    crossing = len(vertices_mm) + np.arange(len(first))
    # One row per cut: on which edge, where along it, at which node, and what the layers change by there.
    cut_edge = np.concatenate([np.arange(len(edges)), first, second])
    cut_t = np.concatenate([np.zeros(len(edges)), t_first, t_second])
    cut_node = np.concatenate([edges[:, 0], crossing, crossing])
    cut_gain = np.concatenate([np.zeros(len(edges), dtype=np.int64), gain_first, gain_second])
    order = np.lexsort((cut_t, cut_edge))
    cut_edge, cut_node, cut_gain, cut_t = cut_edge[order], cut_node[order], cut_gain[order], cut_t[order]
    points = np.vstack([vertices_mm, where])
    last = np.append(cut_edge[1:] != cut_edge[:-1], True)
    next_node = np.where(last, edges[cut_edge, 1], np.append(cut_node[1:], 0))
    next_t = np.where(last, 1.0, np.append(cut_t[1:], 0.0))
    left = _layers_left(vertices_mm, edges, jump, cut_edge, cut_gain, np.column_stack([cut_t, next_t]))
    pieces = Pieces(
        start=points[cut_node], end=points[next_node], left=left, right=left - jump[cut_edge], edge=cut_edge,
        node=np.column_stack([cut_node, next_node]), edges=edges, owners=owners,
    )  # fmt: skip
    if pieces.leak():
        raise ValueError("the layers around a crossing do not close")
    return pieces


def _edges(facets: tuple[Facet, ...]) -> tuple[IntArray, IntArray, IntArray]:
    """Distinct edges (E, 2), their facets (E, 2) and the jump: layers left minus layers right of the edge alone."""
    found: dict[tuple[int, int], list[int]] = {}
    jump: dict[tuple[int, int], int] = {}
    for index, facet in enumerate(facets):
        # Counter-clockwise in the sheet: the facet lies left of its edges, in the folded state only when not turned.
        side = -1 if facet.turned else 1
        for a, b in zip(facet.vertices, (*facet.vertices[1:], facet.vertices[0]), strict=True):
            key = (min(a, b), max(a, b))
            found.setdefault(key, []).append(index)
            jump[key] = jump.get(key, 0) + (side if a < b else -side)
    owners = np.array([[*own, -1][:2] for own in found.values()], dtype=np.int64)
    return np.array(list(found), dtype=np.int64), owners, np.array(list(jump.values()), dtype=np.int64)


def _crossings(
    vertices: Array, edges: IntArray, jump: IntArray
) -> tuple[IntArray, IntArray, Array, Array, IntArray, IntArray]:
    """All proper crossings of two edges: the two edges, the place on each in (0, 1), and the layers gained on each."""
    a, b = vertices[edges[:, 0]], vertices[edges[:, 1]]
    low, high = np.minimum(a, b), np.maximum(a, b)
    one: list[IntArray] = []
    two: list[IntArray] = []
    order = np.argsort(low[:, 0], kind="stable")
    start = low[order, 0]
    stop = np.searchsorted(start, high[order, 0], side="right")
    for rank, edge in enumerate(order):
        near = order[rank + 1 : stop[rank]]
        near = near[(low[near, 1] <= high[edge, 1]) & (high[near, 1] >= low[edge, 1])]
        one.append(np.full(len(near), edge))
        two.append(near)
    first, second = np.concatenate(one), np.concatenate(two)
    apart = (edges[first][:, :, None] != edges[second][:, None, :]).all(axis=(1, 2))
    first, second = first[apart], second[apart]
    first_to = (_side(a, b, second, a[first]), _side(a, b, second, b[first]))
    second_to = (_side(a, b, first, a[second]), _side(a, b, first, b[second]))
    crosses = (first_to[0] * first_to[1] < 0) & (second_to[0] * second_to[1] < 0)
    first, second = first[crosses], second[crosses]
    f0, f1 = first_to[0][crosses], first_to[1][crosses]
    s0, s1 = second_to[0][crosses], second_to[1][crosses]
    gain_first = np.where(f1 > f0, jump[second], -jump[second])
    gain_second = np.where(s1 > s0, jump[first], -jump[first])
    return first, second, f0 / (f0 - f1), s0 / (s0 - s1), gain_first, gain_second


def _side(a: Array, b: Array, edge: IntArray, point: Array) -> Array:
    """(N,) doubled area of edge and point: positive when the point lies left of it."""
    d, r = b[edge] - a[edge], point - a[edge]
    return np.asarray(d[:, 0] * r[:, 1] - d[:, 1] * r[:, 0])


def _layers_left(
    vertices: Array, edges: IntArray, jump: IntArray, cut_edge: IntArray, cut_gain: IntArray, t: Array
) -> IntArray:
    """(N,) layers just left of each piece: counted on each edge's longest piece, carried on across its crossings.

    t: (N, 2) the pieces' ends along their edge.
    """
    run = np.cumsum(cut_gain)
    span = t[:, 1] - t[:, 0]
    longest = np.lexsort((span, cut_edge))[np.append(np.diff(cut_edge) != 0, True)]
    a, b = vertices[edges[:, 0]], vertices[edges[:, 1]]
    middle = a + t[longest].mean(axis=1)[:, None] * (b - a)
    return np.asarray(run + (_layers_at(a, b, jump, middle) - run[longest])[cut_edge], dtype=np.int64)


def _layers_at(a: Array, b: Array, jump: IntArray, point: Array) -> IntArray:
    """(E,) layers just left of edge e at point e (which lies on it), by a ray from far left to the point."""
    count = np.zeros(len(a), dtype=np.int64)
    for rows in np.array_split(np.arange(len(a)), max(1, len(a) // 400)):
        p = point[rows, None, :]
        straddles = (a[:, 1] <= p[..., 1]) != (b[:, 1] <= p[..., 1])
        straddles[np.arange(len(rows)), rows] = False
        d = b - a
        side = d[:, 0] * (p[..., 1] - a[:, 1]) - d[:, 1] * (p[..., 0] - a[:, 0])
        rises = d[:, 1] > 0
        passed = straddles & np.where(rises, side < 0, side > 0)
        count[rows] = passed @ np.where(rises, -jump, jump)
    return np.asarray(np.where(b[:, 1] > a[:, 1], count, count + jump))


def buried_pieces(nominal: Nominal, vertices_mm: Array, pieces: Pieces, side: Side) -> BoolArray:
    """(N,) True where other paper lies between an edge piece and the viewer, by the plan's order of layers."""
    over = np.zeros((len(nominal.facets), len(nominal.facets) + 1), dtype=bool)
    first, second = nominal.above.reshape(-1, 2).T
    if side == "front":
        over[first, second] = True
    else:
        over[second, first] = True
    middle = 0.5 * (pieces.start + pieces.end)
    own = pieces.owners[pieces.edge]
    buried = np.zeros(len(middle), dtype=bool)
    for index, facet in enumerate(nominal.facets):
        candidates = np.flatnonzero(over[index, own].any(axis=1) & (own != index).all(axis=1))
        corners = vertices_mm[list(facet.vertices)]
        buried[candidates] |= within(middle[candidates], corners)
    return buried


def within(points: Array, corners: Array) -> BoolArray:
    """(N,) whether points lie in a polygon (K, 2), by the even-odd rule."""
    inside = np.zeros(len(points), dtype=bool)
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        straddles = (a[1] <= points[:, 1]) != (b[1] <= points[:, 1])
        if straddles.any():
            x = a[0] + (points[straddles, 1] - a[1]) * (b[0] - a[0]) / (b[1] - a[1])
            inside[straddles] ^= points[straddles, 0] > x
    return inside

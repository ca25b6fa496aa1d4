"""The folded creases laid over each other: a plane drawing whose regions have one set of layers each.

Creases that land on one line share it, so the drawing has far fewer lines than creases and is built line by line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import IntArray
from foldtrue.plan.planar import Points, face_areas, group_points, group_values, trace_faces

_ANGLE_TOLERANCE = 1e-8
_POINT_TOLERANCE = 2e-9


@dataclass(frozen=True)
class Overlay:
    """Folded state as a drawing: N nodes, E short edges, regions between them.

    nodes: (N,) complex, mm, folded frame. ends: (E, 2), running along the line. line: (E,) supporting line.
    line_angle, line_offset_mm: (Ln,) direction in [0, pi) and distance of each line from the origin, left positive.
    region_left, region_right: (E,). layers: frozen sets of facet indices, one per region, empty outside; area_mm2: (G,)
    signed, negative outside. Covering: crease cover_crease[k] runs over edge cover_edge[k], along the line when
    cover_forward[k]; sorted by crease, then along the line.
    """

    nodes: Points
    ends: IntArray
    line: IntArray
    line_angle: Array
    line_offset_mm: Array
    region_left: IntArray
    region_right: IntArray
    layers: tuple[frozenset[int], ...]
    area_mm2: Array
    cover_crease: IntArray
    cover_edge: IntArray
    cover_forward: np.ndarray
    next_half_edge: IntArray
    region_of_half_edge: IntArray


def overlay_creases(vertices: Points, ends: IntArray, facets: IntArray) -> Overlay:
    """Lay the folded creases over each other.

    vertices: (V,) folded places, mm; ends: (C, 2); facets: (C, 2) facets left and right in the sheet, -1 = no paper.
    """
    size = float(np.abs(vertices).max())
    start, stop = vertices[ends[:, 0]], vertices[ends[:, 1]]
    line, angle, offset = _lines(start, stop, size)
    unit = np.exp(1j * angle)
    t = np.sort((np.column_stack([start, stop]) * unit[line, None].conj()).real, 1)
    piece, span, piece_line = _pieces(line, t, size * _POINT_TOLERANCE)
    crossing_piece, crossing_point = _crossings(angle[piece_line], offset[piece_line], span, size * _POINT_TOLERANCE)
    label, nodes = group_points(np.concatenate([start, stop, crossing_point]), size * _POINT_TOLERANCE)
    on_piece, on_node = _nodes_in_order(np.concatenate([piece, piece, crossing_piece]), label, nodes, unit[piece_line])
    within = np.flatnonzero(on_piece[1:] == on_piece[:-1])
    edge_ends = np.column_stack([on_node[within], on_node[within + 1]])
    edge_line = piece_line[on_piece[within]]
    count, region, following = trace_faces(nodes, edge_ends)
    area = face_areas(nodes, edge_ends, region, count)
    rank = {(p, n): k for k, (p, n) in enumerate(zip(on_piece.tolist(), on_node.tolist(), strict=True))}
    edge_at = np.full(len(on_node), -1, np.int64)
    edge_at[within] = np.arange(len(within))
    cover = _cover(ends, label, piece, rank, edge_at)
    left, right = region.reshape(-1, 2).T
    layers = _layers(left, right, cover, facets, int(area.argmin()), count)
    return Overlay(
        nodes=nodes,
        ends=edge_ends,
        line=edge_line,
        line_angle=angle,
        line_offset_mm=offset,
        region_left=left,
        region_right=right,
        layers=layers,
        area_mm2=area,
        cover_crease=cover[0],
        cover_edge=cover[1],
        cover_forward=cover[2],
        next_half_edge=following,
        region_of_half_edge=region,
    )


def _lines(start: Points, stop: Points, size: float) -> tuple[IntArray, Array, Array]:
    """Supporting line of each segment, and the angle in [0, pi) and signed offset of each line."""
    raw = np.angle(stop - start) % np.pi
    raw[raw > np.pi - _ANGLE_TOLERANCE] -= np.pi
    direction = group_values(raw, _ANGLE_TOLERANCE)
    angle = (np.bincount(direction, raw) / np.bincount(direction))[direction]
    offset = ((start + stop) / 2 * np.exp(-1j * angle)).imag
    pair = direction * (len(raw) + 1) + group_values(offset, size * _POINT_TOLERANCE)
    _, first, line = np.unique(pair, return_index=True, return_inverse=True)
    return np.asarray(line.reshape(-1), np.int64), np.maximum(angle[first], 0.0), offset[first]


def _pieces(line: IntArray, t: Array, tolerance: float) -> tuple[IntArray, Array, IntArray]:
    """Connected pieces of every line: piece of each segment, (P, 2) span along the line, (P,) line."""
    order = np.lexsort((t[:, 0], line))
    reach = -np.inf
    piece = np.empty(len(line), np.int64)
    spans: list[list[float]] = []
    owner: list[int] = []
    for k, ln, low, high in zip(order.tolist(), line[order].tolist(), *t[order].T.tolist(), strict=True):
        if not owner or ln != owner[-1] or low > reach + tolerance:
            spans.append([low, high])
            owner.append(ln)
            reach = high
        reach = max(reach, high)
        spans[-1][1] = reach
        piece[k] = len(spans) - 1
    return piece, np.array(spans), np.array(owner, np.int64)


def _crossings(angle: Array, offset: Array, span: Array, tolerance: float) -> tuple[IntArray, Points]:
    """Where pieces of different direction meet: (2X,) pieces and (2X,) points, one entry per piece at a crossing."""
    unit = np.exp(1j * angle)
    foot = 1j * unit * offset
    turn = angle[None, :] - angle[:, None]
    a, b = np.nonzero(np.triu(np.abs(turn) > _ANGLE_TOLERANCE))
    # a point on line a at distance t from its foot lies on line b when the offset of line b is reached
    t = (offset[b] - (foot[a] * unit[b].conj()).imag) / (unit[a] * unit[b].conj()).imag
    point = foot[a] + t * unit[a]
    s = (point * unit[b].conj()).real
    ok = (t >= span[a, 0] - tolerance) & (t <= span[a, 1] + tolerance)
    ok &= (s >= span[b, 0] - tolerance) & (s <= span[b, 1] + tolerance)
    return np.concatenate([a[ok], b[ok]]), np.concatenate([point[ok], point[ok]])


def _nodes_in_order(piece: IntArray, node: IntArray, nodes: Points, unit: Points) -> tuple[IntArray, IntArray]:
    """Nodes on every piece, each once, sorted by piece and along it: pieces (M,), nodes (M,). unit: (P,) directions."""
    on_node, on_piece = np.divmod(np.unique(node * len(unit) + piece), len(unit))
    place = (nodes[on_node] * unit[on_piece].conj()).real
    order = np.lexsort((place, on_piece))
    return on_piece[order], on_node[order]


def _cover(
    ends: IntArray, label: IntArray, piece: IntArray, rank: dict[tuple[int, int], int], edge_at: IntArray
) -> tuple[IntArray, IntArray, np.ndarray]:
    """Which short edges every crease runs over: crease, edge, and whether it runs along the line."""
    c = len(ends)
    pieces, nodes = piece.tolist(), label.tolist()
    place = np.array([[rank[pieces[k], nodes[k]], rank[pieces[k], nodes[c + k]]] for k in range(c)])
    low, high = place.min(1), place.max(1)
    crease = np.repeat(np.arange(c), high - low)
    step = np.arange(len(crease)) - np.repeat(np.cumsum(high - low) - (high - low), high - low)
    return crease, edge_at[low[crease] + step], (place[:, 0] < place[:, 1])[crease]


def _layers(
    left: IntArray,
    right: IntArray,
    cover: tuple[IntArray, IntArray, np.ndarray],
    facets: IntArray,
    outside: int,
    count: int,
) -> tuple[frozenset[int], ...]:
    """Facets over every region: crossing an edge swaps the facets that end there, walked from the outside in."""
    ending: list[list[int]] = [[] for _ in left]
    for e, (f, g) in zip(cover[1].tolist(), facets[cover[0]].tolist(), strict=True):
        ending[e].extend((f, g))
    swap = [frozenset(f for f in facets_here if f >= 0) for facets_here in ending]
    beyond: list[list[tuple[int, int]]] = [[] for _ in range(count)]
    for e, (a, b) in enumerate(zip(left.tolist(), right.tolist(), strict=True)):
        beyond[a].append((b, e))
        beyond[b].append((a, e))
    layers: list[frozenset[int] | None] = [None] * count
    layers[outside] = frozenset()
    queue = [outside]
    for region in queue:
        here = layers[region]
        assert here is not None
        for other, e in beyond[region]:
            if layers[other] is None:
                layers[other] = here ^ swap[e]
                queue.append(other)
    return tuple(found if found is not None else frozenset() for found in layers)

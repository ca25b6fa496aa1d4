"""Edges that show from one side, and how high the paper stands there over what lies beside it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import BoolArray, IntArray, Nominal
from foldtrue.simulate.arrangement import Pieces
from foldtrue.simulate.scene import Scene
from foldtrue.simulate.tops import TABLE, Covers, Order, covers_at, covers_beside, layer_order

_LEAST_MM = 0.02


@dataclass(frozen=True)
class Shown:
    """The piece from one side. pieces: the N edge pieces that show; left, right: (N,) top facets, TABLE = no paper."""

    pieces: Pieces
    left: IntArray
    right: IntArray
    order: Order


@dataclass(frozen=True)
class Steps:
    """K edge pieces at which a facet visibly ends. piece: (K,) index into Shown.pieces; upper: (K,) that facet.

    outward: (K, 2) unit vector away from it; lower, nearest: (K,) what lies beside, beyond the thickness of the paper
    and right at the edge. height_mm: (K, 2) height over it at the piece's start and end. fold: (K,) a fold and no cut
    edge; groove: (K,) two facets of one level abut.
    """

    piece: IntArray
    upper: IntArray
    outward: Array
    lower: IntArray
    nearest: IntArray
    height_mm: Array
    fold: BoolArray
    groove: BoolArray


def shown_pieces(nominal: Nominal, vertices_mm: Array, pieces: Pieces, scene: Scene) -> Shown:
    """Edge pieces with different facets on top left and right of them."""
    order = layer_order(nominal, scene.side, scene.piece_seed)
    left, right = (order.top(covers) for covers in covers_beside(nominal, vertices_mm, pieces))
    kept = left != right
    shown = replace(
        pieces,
        **{name: getattr(pieces, name)[kept] for name in ("start", "end", "left", "right", "edge", "node")},
    )
    return Shown(shown, left[kept], right[kept], order)


def visible_steps(nominal: Nominal, vertices_mm: Array, shown: Shown, scene: Scene) -> Steps:
    """Steps among the edges that show.

    Slivers narrower than half a fold's thickness are passed over: the plan brings edges onto one line, and which of
    them peeps out by a hair must not decide on a shadow. A fold stands two thicknesses high, a cut edge one, over the
    table all layers; on top come the lifts of the facet's corners, drawn for the piece and linear along each edge. Two
    facets that end on one line have one level: between them only the difference of their lifts counts.
    """
    pieces = shown.pieces
    along = pieces.end - pieces.start
    length = np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-15)
    owner_left = pieces.left > pieces.right  # the paper that ends here lies on the side with more layers
    sign = np.where(owner_left, -1.0, 1.0)
    outward = sign[:, None] * np.column_stack([-along[:, 1], along[:, 0]]) / length[:, None]
    upper, nearest = np.where(owner_left, shown.left, shown.right), np.where(owner_left, shown.right, shown.left)
    thickness = scene.paper.thickness_mm
    beyond = max(thickness, _LEAST_MM) * outward
    middle = 0.5 * (pieces.start + pieces.end)
    inner, outer = (covers_at(nominal, vertices_mm, middle + shift) for shift in (-beyond, beyond))
    lower = shown.order.top(outer)
    real = (shown.order.top(inner) == upper) & (lower != upper) & (upper != TABLE)
    groove = ~inner.holds(lower) & ~outer.holds(upper) & (lower != TABLE)
    fold = pieces.owners[pieces.edge].min(axis=1) >= 0
    height = np.where(groove, 0.0, thickness * np.where(fold, 2, 1))
    height = np.where(lower == TABLE, thickness * _depth(inner), height)
    kept = np.flatnonzero(real)
    lift = _lifts(nominal, vertices_mm, shown, kept, (upper[kept], lower[kept], groove[kept]), scene)
    return Steps(
        piece=kept, upper=upper[kept], outward=outward[kept], lower=lower[kept], nearest=nearest[kept],
        height_mm=np.maximum(height[kept, None] + lift, 0.0), fold=fold[kept], groove=groove[kept],
    )  # fmt: skip


def _depth(covers: Covers) -> IntArray:
    """(P,) layers over each place."""
    return np.bincount(covers.place, minlength=covers.places)


def _lifts(
    nominal: Nominal,
    vertices_mm: Array,
    shown: Shown,
    kept: IntArray,
    sides: tuple[IntArray, IntArray, BoolArray],
    scene: Scene,
) -> Array:
    """(K, 2) mm that the upper facet stands off at the start and the end of each kept piece."""
    upper, lower, groove = sides
    rng, relief = np.random.default_rng([scene.piece_seed, 7]), scene.relief
    corners = max(len(facet.vertices) for facet in nominal.facets)
    by_corner = relief.lift_mm * rng.gamma(2.0, 0.5, (len(nominal.facets), corners))
    by_vertex = relief.rim_lift_mm * rng.gamma(2.0, 0.5, len(vertices_mm))
    ends = shown.pieces.edges[shown.pieces.edge[kept]]
    at_ends = np.array(
        [
            [by_corner[f, facet.index(v)] if v in (facet := nominal.facets[f].vertices) else 0.0 for v in pair]
            for f, pair in zip(upper.tolist(), ends.tolist(), strict=True)
        ]
    ).reshape(-1, 2)
    at_ends = np.where((lower == TABLE)[:, None], by_vertex[ends], at_ends)
    other = np.array([by_corner[f, : len(nominal.facets[f].vertices)].mean() for f in lower.tolist()])
    at_ends = at_ends - np.where(groove, other, 0.0)[:, None]
    a = vertices_mm[ends[:, 0]]
    along = vertices_mm[ends[:, 1]] - a
    points = np.stack([shown.pieces.start[kept], shown.pieces.end[kept]], axis=1)
    share = np.einsum("kij,kj->ki", points - a[:, None], along) / np.sum(along**2, axis=1)[:, None]
    return np.asarray(at_ends[:, :1] + share * (at_ends[:, 1:] - at_ends[:, :1]))

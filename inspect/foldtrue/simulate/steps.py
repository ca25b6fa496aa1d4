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

    Slivers narrower than half a fold's thickness are passed over inside the piece: the plan brings edges onto one line,
    and which of them peeps out by a hair must not decide on a shadow. A fold stands two thicknesses high, a cut edge
    one; on top come the lifts of the facet's corners, drawn for the piece and linear along each edge. Two facets that
    end on one line have one level: between them only the difference of their lifts counts. Over the table stand all
    layers there, and a lift that changes smoothly around the piece.
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
    rim = nearest == TABLE
    lower = np.where(rim, TABLE, np.where(lower == TABLE, nearest, lower))
    real = rim | ((shown.order.top(inner) == upper) & (lower != upper))
    groove = ~rim & ~inner.holds(lower) & ~outer.holds(upper)
    fold = pieces.owners[pieces.edge].min(axis=1) >= 0
    height = np.where(groove, 0.0, thickness * np.where(fold, 2, 1))
    height = np.where(rim, thickness * np.maximum(_depth(inner), 1), height)
    kept = np.flatnonzero(real)
    ends = np.stack([pieces.start, pieces.end], axis=1)[kept]
    lift = _corner_lifts(nominal, vertices_mm, shown.pieces.edges[pieces.edge[kept]], ends, upper[kept], scene)
    lift -= np.where(groove[kept], _mean_lifts(nominal, lower[kept], scene), 0.0)[:, None]
    lift = np.where(rim[kept, None], _rim_lifts(ends - vertices_mm.mean(axis=0), scene), lift)
    return Steps(
        piece=kept, upper=upper[kept], outward=outward[kept], lower=lower[kept], nearest=nearest[kept],
        height_mm=np.maximum(height[kept, None] + lift, 0.0), fold=fold[kept], groove=groove[kept],
    )  # fmt: skip


def _depth(covers: Covers) -> IntArray:
    """(P,) layers over each place."""
    return np.bincount(covers.place, minlength=covers.places)


def _by_corner(nominal: Nominal, scene: Scene) -> Array:
    """(F, corners) mm that each corner of each facet stands off the paper below."""
    corners = max(len(facet.vertices) for facet in nominal.facets)
    rng = np.random.default_rng([scene.piece_seed, 7])
    return scene.relief.lift_mm * rng.gamma(2.0, 0.5, (len(nominal.facets), corners))


def _mean_lifts(nominal: Nominal, facet: IntArray, scene: Scene) -> Array:
    """(K,) mean lift of facets, 0 for the table."""
    by_corner = _by_corner(nominal, scene)
    mean = [by_corner[k, : len(f.vertices)].mean() for k, f in enumerate(nominal.facets)]
    return np.array([*mean, 0.0])[facet]


def _corner_lifts(
    nominal: Nominal, vertices_mm: Array, edge_ends: IntArray, ends: Array, upper: IntArray, scene: Scene
) -> Array:
    """(K, 2) lift of the upper facet at both ends (K, 2, 2) of pieces of edges between vertices (K, 2)."""
    by_corner = _by_corner(nominal, scene)
    at_vertices = np.array(
        [
            [by_corner[f, facet.index(v)] if v in (facet := nominal.facets[f].vertices) else 0.0 for v in pair]
            for f, pair in zip(upper.tolist(), edge_ends.tolist(), strict=True)
        ]
    ).reshape(-1, 2)
    a = vertices_mm[edge_ends[:, 0]]
    along = vertices_mm[edge_ends[:, 1]] - a
    share = np.einsum("kij,kj->ki", ends - a[:, None], along) / np.sum(along**2, axis=1)[:, None]
    return np.asarray(at_vertices[:, :1] + share * (at_vertices[:, 1:] - at_vertices[:, :1]))


def _rim_lifts(arm: Array, scene: Scene) -> Array:
    """(K, 2) mm that the rim stands off the table at places (K, 2, 2) seen from the piece's middle."""
    rng, waves = np.random.default_rng([scene.piece_seed, 13]), np.arange(1, 7)
    swing, phase = rng.normal(0, 0.3, len(waves)), rng.uniform(0, 2 * np.pi, len(waves))
    angle = np.arctan2(arm[..., 1], arm[..., 0])[..., None]
    lift = 1 + np.sum(swing * np.cos(waves * angle + phase), axis=-1)
    return np.asarray(scene.relief.rim_lift_mm * np.maximum(lift, 0.0))

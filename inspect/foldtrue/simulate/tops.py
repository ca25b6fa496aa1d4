"""Which facet lies on top: beside every edge piece of the arrangement, and at any other point.

The plan's layer order is pairwise and may go round in circles over the whole piece; at any one place the facets that
overlap there are ordered. A piece with errors also brings facets over each other that the plan keeps apart: for such a
pair no order is known, and of two facets that nothing else decides between one is drawn, the same wherever they meet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import BoolArray, IntArray, Nominal, Side
from foldtrue.simulate.arrangement import Pieces, within

TABLE = -1


@dataclass(frozen=True)
class Covers:
    """Facets over P places, as one row for each pair. place, facet: (M,) indices, sorted by place; places: P."""

    place: IntArray
    facet: IntArray
    places: int

    def holds(self, facet: IntArray) -> BoolArray:
        """(P,) whether the facet given for each place covers it; TABLE covers none."""
        found = np.zeros(self.places, dtype=bool)
        found[self.place[self.facet == facet[self.place]]] = True
        return found


@dataclass(frozen=True)
class Order:
    """Which facet hides which. over: (F, F) int8, +1 row over column for this viewer, -1 under, 0 not known.

    priority: (F,) settles what the order leaves open.
    """

    over: np.ndarray
    priority: IntArray

    def top(self, covers: Covers) -> IntArray:
        """(P,) the facet on top of each place, TABLE where there is none.

        It is one that no other facet there hides, if there is such a one, and that hides most of the others.
        """
        first, second = _pairs_within(covers.place)
        relation = self.over[covers.facet[first], covers.facet[second]]
        count = len(covers.place)
        hidden = np.bincount(first, relation < 0, count) > 0
        balance = np.bincount(first, relation, count)
        best = np.lexsort((self.priority[covers.facet], balance, ~hidden, covers.place))
        last = np.append(np.diff(covers.place) != 0, True)[: len(best)]
        top = np.full(covers.places, TABLE)
        top[covers.place[best[last]]] = covers.facet[best[last]]
        return top


def layer_order(nominal: Nominal, side: Side, seed: int) -> Order:
    """The plan's pairwise order as seen from a side; what it leaves open is drawn from the seed."""
    count = len(nominal.facets)
    over = np.zeros((count, count), dtype=np.int8)
    first, second = nominal.above.reshape(-1, 2).T
    sign = 1 if side == "front" else -1
    over[first, second], over[second, first] = sign, -sign
    return Order(over, np.random.default_rng([seed, 6]).permutation(count))


def covers_at(nominal: Nominal, vertices_mm: Array, points: Array) -> Covers:
    """Facets over points (P, 2) mm. A point on a facet's edge is decided at random."""
    hits = [np.flatnonzero(_in_box(points, c) & within(points, c)) for c in _corners(nominal, vertices_mm)]
    return _sorted(hits, len(points))


def covers_beside(nominal: Nominal, vertices_mm: Array, pieces: Pieces) -> tuple[Covers, Covers]:
    """Facets over the places just left and just right of each edge piece, at its middle."""
    middle = 0.5 * (pieces.start + pieces.end)
    owner_side = _owner_sides(nominal, pieces)
    left: list[IntArray] = []
    right: list[IntArray] = []
    for index, corners in enumerate(_corners(nominal, vertices_mm)):
        owns = pieces.owners[pieces.edge] == index
        beside = np.where(owns, owner_side[pieces.edge], 0).sum(axis=1)
        under = _in_box(middle, corners) & within(middle, corners) & (beside == 0)
        left.append(np.flatnonzero(under | (beside > 0)))
        right.append(np.flatnonzero(under | (beside < 0)))
    return _sorted(left, len(middle)), _sorted(right, len(middle))


def _owner_sides(nominal: Nominal, pieces: Pieces) -> IntArray:
    """(E, 2) +1 where the owner lies left of its edge in the folded piece, -1 right, 0 no owner."""
    left_of: dict[tuple[int, int, int], int] = {}
    for index, facet in enumerate(nominal.facets):
        for a, b in zip(facet.vertices, (*facet.vertices[1:], facet.vertices[0]), strict=True):
            left_of[min(a, b), max(a, b), index] = 1 if (a < b) != facet.turned else -1
    rows = zip(pieces.edges.tolist(), pieces.owners.tolist(), strict=True)
    return np.array([[left_of.get((a, b, own), 0) for own in owners] for (a, b), owners in rows])


def _corners(nominal: Nominal, vertices_mm: Array) -> list[Array]:
    return [vertices_mm[list(facet.vertices)] for facet in nominal.facets]


def _in_box(points: Array, corners: Array) -> BoolArray:
    return np.asarray(((points >= corners.min(axis=0)) & (points <= corners.max(axis=0))).all(axis=1))


def _sorted(hits: Sequence[IntArray], places: int) -> Covers:
    place = np.concatenate(hits)
    facet = np.repeat(np.arange(len(hits)), [len(h) for h in hits])
    order = np.argsort(place, kind="stable")
    return Covers(place[order], facet[order], places)


def _pairs_within(group: IntArray) -> tuple[IntArray, IntArray]:
    """All ordered pairs of rows (i, j) that belong to one group, i != j; group is sorted."""
    start = np.flatnonzero(np.append(True, np.diff(group) != 0)) if len(group) else np.zeros(0, np.int64)
    size = np.diff(np.append(start, len(group)))
    own_size, own_start = np.repeat(size, size), np.repeat(start, size)
    first = np.repeat(np.arange(len(group)), own_size)
    within_group = np.arange(len(first)) - np.repeat(np.cumsum(own_size) - own_size, own_size)
    second = own_start[first] + within_group
    apart = first != second
    return first[apart], second[apart]

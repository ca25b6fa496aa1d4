"""Folds whose rim does not lie on their crease: every facet ends a little beyond it, or short of it.

Paper of some thickness bends around its crease, is pressed and springs open, and light goes through its rim and around
it: what is seen to end there ends beside the crease. Both facets of a fold lie on one side of it and end on one line.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import Facet, IntArray, Nominal
from foldtrue.simulate.arrangement import Pieces, cut_at_crossings, nudged

_PARALLEL = 1e-3  # sine of the least angle at which two sides make a corner


def beyond_creases(nominal: Nominal, rim_mm: tuple[float, float, float]) -> Array:
    """(C,) mm by which each crease's rim lies beyond it: of twists' sides, mountains and valleys; 0 along the sheet's
    own border."""
    twist = np.array([facet.kind == "twist" for facet in nominal.facets])
    of_twist = ((nominal.creases.facets >= 0) & twist[nominal.creases.facets]).any(axis=1)
    side, mountain, valley = rim_mm
    out = np.where(of_twist, side, np.where(nominal.creases.kind == "M", mountain, valley))
    return np.asarray(np.where(nominal.creases.kind == "R", 0.0, out))


def split_at_creases(
    nominal: Nominal, vertices_mm: Array, out_mm: Array, seed: int, attempt: int
) -> tuple[Nominal, Array, Pieces]:
    """The plan with facets of their own corners, where these lie, and the arrangement of their edges.

    out_mm: (C,) by which each crease's rim lies beyond it. The vertices (V, 2) keep their numbers and places; each
    facet's corners follow them. Two facets of one fold own its edge pieces as if it were one edge. Raises ValueError
    as cut_at_crossings does.
    """
    out = {frozenset(ends): float(o) for ends, o in zip(nominal.creases.ends.tolist(), out_mm, strict=True)}
    corners = [
        _moved_out(vertices_mm[list(facet.vertices)], np.array([out[frozenset(side)] for side in _sides(facet)]))
        for facet in nominal.facets
    ]
    origin = np.concatenate([np.arange(len(vertices_mm)), *(facet.vertices for facet in nominal.facets)])
    # A fold's two edges lie on one line: to be told apart they must not touch by design.
    moved = np.concatenate([vertices_mm, nudged(np.concatenate(corners), seed, attempt)])
    first = len(vertices_mm) + np.cumsum([0, *(len(facet.vertices) for facet in nominal.facets)])
    facets = tuple(
        replace(facet, vertices=tuple(range(int(a), int(b))))
        for facet, a, b in zip(nominal.facets, first[:-1], first[1:], strict=True)
    )
    split = replace(nominal, facets=facets, vertices_mm=moved, vertices_sheet_mm=nominal.vertices_sheet_mm[origin])
    pieces = cut_at_crossings(moved, facets)
    return split, moved, replace(pieces, owners=_owners(nominal, pieces, origin))


def _owners(nominal: Nominal, pieces: Pieces, origin: IntArray) -> IntArray:
    """(E, 2) as Pieces has them of the plan before it was split: the edge's own facet, and the one beyond the fold."""
    beside: dict[frozenset[int], list[int]] = {}
    for index, facet in enumerate(nominal.facets):
        for side in _sides(facet):
            beside.setdefault(frozenset(side), []).append(index)
    rows = []
    for own, ends in zip(pieces.owners[:, 0].tolist(), origin[pieces.edges].tolist(), strict=True):
        others = [facet for facet in beside[frozenset(ends)] if facet != own]
        rows.append([own, *others, -1][:2])
    return np.array(rows, dtype=np.int64)


def _sides(facet: Facet) -> Iterator[tuple[int, int]]:
    return zip(facet.vertices, (*facet.vertices[1:], facet.vertices[0]), strict=True)


def _moved_out(corners: Array, out: Array) -> Array:
    """Corners (K, 2) of a polygon whose side k, from corner k to the next, is moved outward by out (K,)."""
    after = np.roll(corners, -1, axis=0)
    ahead = after - corners
    turn = np.sign(np.sum(corners[:, 0] * after[:, 1] - corners[:, 1] * after[:, 0]))
    normal = turn * np.column_stack([ahead[:, 1], -ahead[:, 0]]) / np.hypot(*ahead.T)[:, None]
    two = np.stack([np.roll(normal, 1, axis=0), normal], axis=1)
    wanted = np.stack([np.roll(out, 1), out], axis=1)
    return np.asarray(corners + np.einsum("kij,kj->ki", np.linalg.pinv(two, rcond=_PARALLEL), wanted))

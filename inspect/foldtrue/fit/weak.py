"""What a network of edges rests on beside the edges: its unknowns, and what is known of them beforehand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from foldtrue.fit.lines import EdgeLines
from foldtrue.fit.slivers import SliverLines
from foldtrue.frames import Array
from foldtrue.handover import IntArray, Nominal

GLARE_MM = 0.3
"""Shift of edges beside a lamp that is burnt out, one standard deviation (common practice, no source)."""
SHADOW_MM = 0.4
"""Shift of edges from the camera's side beside the table, one standard deviation, each facing its own. A face h above
the table throws a shadow of h cot(e) from a lamp e high, which beside an edge that faces away from the lamp by the
angle a hides cos(a) of that, and beside one that faces it nothing: root mean square over all facings 0.5 h cot(e). h of
0.64 mm, known to 1 / sqrt(3) of it, e from 25 to 65 degrees (as for a card; common practice, no source)."""
GAIN = 0.3
"""How far a sliver's light is off what the photo's levels let expect, relative, one standard deviation: layers that the
photo shows nowhere alone, scatter that carries light out of it, folds of some thickness (common practice, no
source)."""
_FIXED = 1e-7
"""Standard deviation of an unknown that is taken for zero."""


@dataclass(frozen=True, kw_only=True)
class Weak:
    """Standard deviations before anything is seen.

    place_mm: of a vertex. shift_mm: of the shift of all edges towards their dark side; kind_shift_mm: of each kind's
    own shift about it. slope_mm: from end to end of a twist's side, common to all sides of a kind and opposite for
    the two hands, as what lies beside the side's two ends differs. size: relative, of all twists alike: the spacing of
    the twists takes up how far pleats are closed, their own paper does not. 0 = none of it.
    """

    place_mm: float
    shift_mm: float
    kind_shift_mm: float
    slope_mm: float = 0.0
    size: float = 0.0


@dataclass(frozen=True)
class Setup:
    """What stays the same between iterations: the numbering of the unknowns (vertices, then from shift_column the
    shifts, from slope_column the slopes by kind, from sliver_column the shifts, slopes and gains of slivers, last the
    common size), the shape equations, the prior's inverse variances, and the sense (C,) of every crease's slope: the
    hand of the twist whose side it is, else 0."""

    unknown_of: IntArray
    size: int
    shift_column: int
    shifts: int
    slope_column: int
    sliver_column: int
    shape: Any
    prior: Array
    turn_sense: Array


def set_up(lines: EdgeLines, nominal: Nominal, weak: Weak, slivers: SliverLines | None = None) -> Setup:
    """Number the unknowns of the network that these lines make, and say what is known of them."""
    tips = np.array(sorted({v for t in nominal.twists for v in t.tips}), dtype=np.int64)
    both = [lines.crease, lines.pair[lines.pair >= 0]]
    if slivers is not None:
        both.append(slivers.creases.ravel())
    ends = nominal.creases.ends[np.unique(np.concatenate([*both, *lines.members]))].ravel()
    used = np.unique(np.concatenate([ends, tips]))
    unknown_of = np.full(len(nominal.vertices_mm), -1, np.int64)
    unknown_of[used] = np.arange(len(used))
    shift_column = 2 * len(used)
    kinds = int(max(lines.kind.max(initial=0), lines.pair_kind.max(initial=0))) + 1
    shift_std = np.full(kinds, weak.kind_shift_mm)
    shift_std[np.unique(lines.kind[lines.on_table])] = SHADOW_MM
    shift_std[np.unique(lines.kind[lines.glare])] = GLARE_MM  # glare of the lamp creeps over the rim
    std = np.concatenate(
        [
            np.full(shift_column, weak.place_mm),
            [weak.shift_mm],
            shift_std,
            np.full(kinds, weak.slope_mm),
            _sliver_std(slivers, weak),
            [weak.size],
        ]
    )
    shape = _shape_rows(nominal, unknown_of, len(std))
    prior = np.maximum(std, _FIXED) ** -2.0
    return Setup(
        unknown_of,
        len(std),
        shift_column,
        1 + kinds,
        shift_column + 1 + kinds,
        shift_column + 1 + 2 * kinds,
        shape,
        prior,
        _turn_sense(nominal),
    )


def _sliver_std(slivers: SliverLines | None, weak: Weak) -> Array:
    """Standard deviations of the slivers' shifts and slopes, two folds' each, and of their gains."""
    if slivers is None:
        return np.zeros(0)
    common = np.repeat([2 * weak.shift_mm, 2 * weak.slope_mm], slivers.kinds)
    return np.concatenate([common, np.where(slivers.by_light, GAIN, 0.0)])


def _turn_sense(nominal: Nominal) -> Array:
    """A line's turn has the same sign whichever of its ends comes first."""
    sense = np.zeros(len(nominal.creases.ids))
    twists = {frozenset(t.tips): t.hand for t in nominal.twists}
    for facet in nominal.facets:
        hand = twists.get(frozenset(facet.vertices)) if facet.kind == "twist" else None
        if hand is not None:
            sense[(nominal.creases.facets == nominal.facets.index(facet)).any(1)] = hand
    return sense


def _shape_rows(nominal: Nominal, unknown_of: IntArray, size: int) -> Any:
    """Sparse rows that measure how a twist's tips depart from a rigid motion: an orthonormal basis of what no motion
    can do. All twists' common size, the last unknown, is no departure."""
    from scipy import sparse

    rows: list[IntArray] = []
    cols: list[IntArray] = []
    vals: list[Array] = []
    count = 0
    if not nominal.twists:  # a bare network of lines: a grid
        return sparse.csr_matrix((0, size))
    for twist in nominal.twists:
        r = nominal.vertices_mm[list(twist.tips)]
        r = r - r.mean(0)
        n = len(r)
        motions = np.zeros((2 * n, 3))
        motions[0::2, 0] = motions[1::2, 1] = 1
        motions[0::2, 2], motions[1::2, 2] = -r[:, 1], r[:, 0]
        basis = np.linalg.svd(motions, full_matrices=True)[0][:, 3:].T
        unknown = unknown_of[list(twist.tips)]
        columns = np.stack([2 * unknown, 2 * unknown + 1], 1).ravel()
        rows.append(np.repeat(count + np.arange(len(basis)), 2 * n + 1))
        cols.append(np.tile([*columns, size - 1], len(basis)))
        vals.append(np.concatenate([basis, -basis @ r.reshape(-1, 1)], 1).ravel())
        count += len(basis)
    return sparse.csr_matrix((np.concatenate(vals), (np.concatenate(rows), np.concatenate(cols))), shape=(count, size))

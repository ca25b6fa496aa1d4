"""What a network of edges rests on beside the edges: its unknowns, and what is known of them beforehand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from foldtrue.alignment import freedoms
from foldtrue.fit.lines import EdgeLines
from foldtrue.fit.precreases import ZERO_MM, PrecreaseLines
from foldtrue.fit.slivers import SliverLines
from foldtrue.frames import Array
from foldtrue.handover import IntArray, Nominal
from foldtrue.stretches import left_normals

GLARE_MM = 0.3
"""Shift of edges beside a lamp that is burnt out, one standard deviation (common practice, no source)."""
SHADOW_MM = 1.0
"""Shift of edges beside the table, seen from the camera's side, one standard deviation, for each facing: the shadow
that a face of 0.64 mm (four layers) throws from a lamp 33 degrees high, longer than most (common practice, no source).
Shadows lie outside only, so that a prior as narrow as they usually are would draw the outer twists outwards."""
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
    own shift about it; habit_mm: the same once more where edges have no zero but their mean place, which goes with
    whatever folding habit moves them all (in a groove habits of the two sides cancel). slope_mm: from end to end of a
    twist's side, common to all sides of a kind and opposite for the two hands, as what lies beside the side's two ends
    differs. size: relative, of all twists alike: the spacing of the twists takes up how far pleats are closed, their
    own paper does not. frame: how far the frame in which vertices are given may be off, as a share of the piece's
    reach. overturn_deg: of all twists alike, a habit that no number of vertices that hold to the plan speaks against.
    apart_mm: how far lines that should meet miss each other beyond their own noise. 0 = none of it.
    """

    place_mm: float
    shift_mm: float
    kind_shift_mm: float
    slope_mm: float = 0.0
    size: float = 0.0
    frame: float = 0.0
    overturn_deg: float = 0.0
    apart_mm: float = 0.0
    habit_mm: float = 0.0


@dataclass(frozen=True)
class Setup:
    """What stays the same between iterations: the numbering of the unknowns (vertices, then from shift_column the
    shifts, from slope_column the slopes by kind, from sliver_column the shifts, slopes and gains of slivers, from
    paper_column the motions of facets' paper, so many, and the shifts of unused creases, from frame_column the freedoms
    of the whole frame and the common overturn, last the common size); the equations of the twists' shape, of_tips by
    their tips alone and shape with the frame's own part taken off; the equations beforehand, as many as unknowns (a
    vertex is near where the plan, moved with the frame, has it), and prior, their inverse variances; and the sense (C,)
    of every crease's slope: the hand of the twist whose side it is, else 0."""

    unknown_of: IntArray
    size: int
    shift_column: int
    shifts: int
    slope_column: int
    sliver_column: int
    paper_column: int
    motions: int
    frame_column: int
    of_tips: Any
    shape: Any
    beforehand: Any
    prior: Array
    turn_sense: Array

    @property
    def paper(self) -> slice:
        """The unknowns that are motions of facets' paper."""
        return slice(self.paper_column, self.paper_column + self.motions)

    def known(self, shape_mm: float) -> Any:
        """Inverse covariance (size, size) of the unknowns before any edge is seen, with twists that depart from their
        planned shape by shape_mm per coordinate."""
        from scipy import sparse

        return self.shape.T @ self.shape / shape_mm**2 + self.beforehand.T @ sparse.diags(self.prior) @ self.beforehand


def set_up(
    lines: EdgeLines,
    nominal: Nominal,
    weak: Weak,
    slivers: SliverLines | None = None,
    unused: PrecreaseLines | None = None,
) -> Setup:
    """Number the unknowns of the network that these lines make, and say what is known of them."""
    tips = np.array(sorted({v for t in nominal.twists for v in t.tips}), dtype=np.int64)
    both = [lines.crease, lines.pair[lines.pair >= 0]]
    if slivers is not None:
        both.append(slivers.creases.ravel())
    ends = nominal.creases.ends[np.unique(np.concatenate([*both, *lines.members]))].ravel()
    corners = [] if unused is None else [unused.creases.corners.ravel()]
    used = np.unique(np.concatenate([ends, tips, *corners]))
    unknown_of = np.full(len(nominal.vertices_mm), -1, np.int64)
    unknown_of[used] = np.arange(len(used))
    shift_column = 2 * len(used)
    kinds = int(max(lines.kind.max(initial=0), lines.pair_kind.max(initial=0))) + 1
    shift_std = np.full(kinds, weak.kind_shift_mm)
    shift_std[np.unique(lines.kind[lines.pair < 0])] = np.hypot(weak.kind_shift_mm, weak.habit_mm)
    shift_std[np.unique(lines.kind[lines.on_table])] = SHADOW_MM
    shift_std[np.unique(lines.kind[lines.glare])] = GLARE_MM  # glare of the lamp creeps over the rim
    sliver_column = shift_column + 1 + 2 * kinds
    of_slivers = _sliver_std(slivers, weak)
    motions = 0 if unused is None else 3 * unused.facets
    of_paper = np.concatenate([np.full(motions, weak.place_mm), [ZERO_MM] * (0 if unused is None else unused.kinds)])
    frame = _frame(nominal.vertices_mm)[:, :, : None if weak.frame else 0]
    frame_std = np.full(frame.shape[2], weak.frame * float(np.abs(nominal.vertices_mm).max()))
    if weak.overturn_deg:
        frame = np.concatenate([frame, overturned(nominal)[:, :, None]], 2)
        frame_std = np.append(frame_std, np.radians(weak.overturn_deg))
    std = np.concatenate(
        [
            np.full(shift_column, weak.place_mm),
            [weak.shift_mm],
            shift_std,
            np.full(kinds, weak.slope_mm),
            of_slivers,
            of_paper,
            frame_std,
            [weak.size],
        ]
    )
    paper_column = sliver_column + len(of_slivers)
    frame_column = paper_column + len(of_paper)
    beforehand = _with_frame(frame, used, frame_column, len(std))
    of_tips = _shape_rows(nominal, unknown_of, len(std))
    prior = np.maximum(std, _FIXED) ** -2.0
    return Setup(
        unknown_of,
        len(std),
        shift_column,
        1 + kinds,
        shift_column + 1 + kinds,
        sliver_column,
        paper_column,
        motions,
        frame_column,
        of_tips,
        (of_tips @ beforehand).tocsr(),
        beforehand,
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


def _frame(points_mm: Array) -> Array:
    """(V, 2, 8) mm: what the freedoms of a homography do to points (V, 2) of the plan, each by 1 mm at its reach."""
    return freedoms(points_mm, "homography")[0].reshape(len(points_mm), 2, -1)


def overturned(nominal: Nominal) -> Array:
    """(V, 2) mm per rad: what the vertices do when every twist turns farther than planned, in the sense of its hand. A
    pleat's lines go with the tips they start at, to the rim where they end there."""
    moved = np.zeros((len(nominal.vertices_mm), 2))
    for twist in nominal.twists:
        r = nominal.vertices_mm[list(twist.tips)]
        r = r - r.mean(0)
        moved[list(twist.tips)] = twist.hand * np.stack([-r[:, 1], r[:, 0]], 1)
    tips = np.isin(np.arange(len(moved)), [v for t in nominal.twists for v in t.tips])
    ends = nominal.creases.ends
    to_rim = np.flatnonzero((tips[ends].sum(1) == 1) & (nominal.creases.kind != "R"))
    tip, end = np.where(tips[ends[to_rim, :1]], ends[to_rim], ends[to_rim, ::-1]).T
    normal = left_normals(nominal, to_rim)
    np.add.at(moved, end, np.sum(moved[tip] * normal, 1)[:, None] * normal)
    return moved


def _with_frame(frame: Array, used: IntArray, frame_column: int, size: int) -> Any:
    """Sparse (size, size): every unknown itself, but of the used vertices only what they depart from their frame by."""
    from scipy import sparse

    moved = frame[used].reshape(2 * len(used), -1)
    row, k = np.indices(moved.shape).reshape(2, -1)
    by_frame = sparse.csr_matrix((moved.ravel(), (row, frame_column + k)), shape=(size, size))
    return (sparse.identity(size) - by_frame).tocsr()


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
    of_tips = sparse.csr_matrix(
        (np.concatenate(vals), (np.concatenate(rows), np.concatenate(cols))), shape=(count, size)
    )
    return of_tips

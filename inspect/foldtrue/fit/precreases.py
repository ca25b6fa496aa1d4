"""The grid's unused creases as equations of the network: where they lie, the paper of their facet lies.

A facet's corners are folded on the grid, more or less: how far a piece's folds miss the grid's creases the photo tells,
where edges and creases both show. So each facet's paper may have moved as a whole against its corners; how far that
usually is, is asked before anything rests on the creases. In a piece folded along them they tell more of a twist than
its own edges; where folds stray, they come to tell nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from foldtrue.fit.lines import LEAST_STD_MM
from foldtrue.fit.scatter import INLIER, fit_lines
from foldtrue.fit.turned import line_surplus
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import IntArray, Nominal
from foldtrue.handover_precreases import Precreases, PrecreaseSamples
from foldtrue.subpixel import robust_line

if TYPE_CHECKING:
    from foldtrue.fit.weak import Setup

ZERO_MM = 0.3
"""What light may shift all creases of a kind by, which have no zero but their mean place, one standard deviation."""
GRID = 100
"""Steps in which it is asked how far folds miss the grid."""
TRIMMED, FAR_OUT = 3, 16.0
"""How often facets far out are left out anew, and the square beyond which they are, of three freedoms."""


@dataclass(frozen=True)
class PrecreaseLines:
    """Straight lines (E,) through what creases show, offset_mm at t_mid and slope_mm per unit t, each with its std.

    creases (E,); planned_mm (E, 2, 2) their planned ends; normal (E, 2), left of these; kind (E,); own (E, 2, 3) mm per
    mm: what the three motions of its facet's paper move each end by along the normal, two shifts and a turn that moves
    the facet's corners by 1 mm; facet (E,): running number < facets. pixel_share (E, 2) as in EdgeLines.
    """

    creases: Precreases
    planned_mm: Array
    normal: Array
    kind: IntArray
    own: Array
    facet: IntArray
    facets: int
    t_mid: Array
    offset_mm: Array
    offset_std_mm: Array
    slope_mm: Array
    slope_std_mm: Array
    pixel_share: Array

    @property
    def kinds(self) -> int:
        return int(self.kind.max()) + 1


def precrease_lines(
    seen: PrecreaseSamples, nominal: Nominal, plane: PlaneMap, k1_change: float
) -> PrecreaseLines | None:
    """Condense the samples of each crease to a straight line; None where none shows. k1_change: of the map the samples
    were measured with, which is taken off them."""
    groups = len(seen.kind)
    ends = seen.creases.ends(nominal.vertices_mm)
    along = ends[:, 1] - ends[:, 0]
    normal = seen.creases.normals(nominal.vertices_mm)
    points = ends[seen.crease, 0] + along[seen.crease] * seen.t[:, None]
    value = seen.offset_mm - k1_change * np.sum(plane.radial_field(points) * normal[seen.crease], 1)
    trust = robust_line(seen.t, value, 1 / seen.std_mm**2, seen.crease, groups, spread=1e-4)[2]
    line = fit_lines(seen.t, value, seen.std_mm, trust > INLIER, seen.crease, seen.piece, groups)
    rows = np.flatnonzero(line.samples >= 3)
    if not len(rows):
        return None
    facets, facet = np.unique(seen.creases.facet[rows], return_inverse=True)
    facet = facet.astype(np.int64)
    corners = [nominal.vertices_mm[list(nominal.facets[f].vertices)] for f in facets]
    centre = np.array([c.mean(0) for c in corners])[facet]
    reach = np.array([np.sqrt(np.mean(np.sum((c - c.mean(0)) ** 2, 1))) for c in corners])[facet]
    arm = (ends[rows] - centre[:, None]) / reach[:, None, None]
    turn = arm[:, :, 0] * normal[rows, None, 1] - arm[:, :, 1] * normal[rows, None, 0]
    shift = np.repeat(normal[rows, None], 2, 1)
    return PrecreaseLines(
        creases=seen.creases.pick(rows),
        planned_mm=ends[rows],
        normal=normal[rows],
        kind=np.unique(seen.kind[rows], return_inverse=True)[1].astype(np.int64),
        own=np.concatenate([shift, turn[:, :, None]], 2),
        facet=facet,
        facets=len(facets),
        t_mid=line.t_mid[rows],
        offset_mm=line.offset[rows],
        offset_std_mm=np.maximum(line.offset_std[rows], LEAST_STD_MM),
        slope_mm=line.slope[rows],
        slope_std_mm=np.maximum(line.slope_std[rows], LEAST_STD_MM),
        pixel_share=line.pixel_share[rows],
    )


def precrease_equations(lines: PrecreaseLines, setup: Setup) -> Any:
    """Sparse (2 E, size): rows 2 e and 2 e + 1 predict offset and slope of line e, as its facet's corners and the paper
    between them lie; an offset has the shift of its kind on top."""
    from scipy import sparse

    every = np.arange(len(lines.t_mid))
    rows: list[IntArray] = [2 * every]
    cols: list[IntArray] = [setup.paper_column + 3 * lines.facets + lines.kind]
    vals: list[Array] = [np.ones(len(every))]
    for row, weights in ((0, (1 - lines.t_mid, lines.t_mid)), (1, (-np.ones(len(every)), np.ones(len(every))))):
        for end, weight in enumerate(weights):
            share = lines.creases.share[:, end]
            for side, part in enumerate((1 - share, share)):
                vertex = setup.unknown_of[lines.creases.corners[:, end, side]]
                for axis in (0, 1):
                    rows.append(2 * every + row)
                    cols.append(2 * vertex + axis)
                    vals.append(weight * part * lines.normal[:, axis])
            for motion in range(3):
                rows.append(2 * every + row)
                cols.append(setup.paper_column + 3 * lines.facet + motion)
                vals.append(weight * lines.own[:, end, motion])
    return sparse.csr_matrix(
        (np.concatenate(vals), (np.concatenate(rows), np.concatenate(cols))), shape=(2 * len(every), setup.size)
    )


def precrease_values(lines: PrecreaseLines, displacement_mm: Array) -> Array:
    """Offsets and slopes in turn (2 E,), less what is not linear in the vertices' displacements (V, 2)."""
    moved = lines.creases.ends(displacement_mm)
    seen = np.stack([lines.offset_mm, lines.slope_mm], 1)
    return np.asarray(seen - line_surplus(lines.planned_mm, moved, lines.normal, lines.t_mid)).ravel()


def astray_mm(found: Array, cov: Array, before_mm: float) -> float:
    """How far (mm, standard deviation) the paper of a facet lies off its corners.

    found (3 F,), cov (3 F, 3 F): motions of the facets' paper and their covariance, from a solution that took before_mm
    for each. Free of that prior they are one measurement of motions drawn from the wanted distribution, but for facets
    that lie far out of it, of which the creases or the folds were mistaken. The answer is the root of the mean square
    of what the others allow, all values up to before_mm being as likely before: what they cannot tell from nothing is
    not taken for nothing. Source: empirical Bayes estimation of a variance component (Efron and Morris, J. Am. Stat.
    Assoc. 68 (1973) 117 [from memory]), integrated as in Gelman, Bayesian Analysis 1 (2006) 515 [from memory].
    """
    variance, axes = np.linalg.eigh(0.5 * (cov + cov.T))
    own = 1 / np.maximum(1 / np.maximum(variance, 1e-12) - before_mm**-2.0, 1e-6 * before_mm**-2.0)
    measured = axes @ ((axes.T @ found) * own / np.maximum(variance, 1e-12))
    error = (axes * own) @ axes.T
    each = measured.reshape(-1, 3)
    blocks = np.stack([error[k : k + 3, k : k + 3] for k in range(0, len(found), 3)])
    kept = np.ones(len(each), bool)
    for _ in range(TRIMMED):
        rows = np.flatnonzero(np.repeat(kept, 3))
        astray = _spread_mm(measured[rows], error[np.ix_(rows, rows)], before_mm)
        away = np.linalg.solve(blocks + astray**2 * np.eye(3), each[:, :, None])[:, :, 0]
        before, kept = kept, np.sum(each * away, 1) < FAR_OUT
        if (kept == before).all() or kept.sum() < 0.5 * len(kept):
            break
    return astray


def _spread_mm(value: Array, error: Array, most_mm: float) -> float:
    """Root mean square of the standard deviation that values (N,), with errors of this covariance (N, N), allow; their
    principal axes make them independent."""
    own, axes = np.linalg.eigh(error)
    own, square = np.maximum(own, 1e-12), (axes.T @ value) ** 2
    tried = np.linspace(0.0, most_mm, GRID)
    spread = own[None] + tried[:, None] ** 2
    log = -0.5 * np.sum(square / spread + np.log(spread), 1)
    chance = np.exp(log - log.max())
    return float(np.sqrt(np.sum(chance * tried**2) / chance.sum()))

"""The network adjustment: every visible edge is a line between two vertices; one sparse least-squares solution gives
all vertices.

Unknowns are the displacements (mm) of the crease vertices from the plan and one edge shift per kind of step. An edge
observed at n places gives two equations, its offset and its slope, with the uncertainty its own scatter shows. Two
kinds of weak knowledge keep it solvable without pulling what is seen: that a vertex lies within twice the scatter of
the piece's vertices (against the light: within a wide prior), and that a twist is a piece of flat paper whose shape
departs from the plan's no more than the piece's other twists show. Source of the
method: adjustment by variation of coordinates, as in surveying networks.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from foldtrue.fit.beside import CREASE_ROW, EDGE_ROW, KINDS_OF_ROW, SLIVER_ROW, Beside, beside_of, paper_held
from foldtrue.fit.budget import Evidence, Spread, evidence_of
from foldtrue.fit.grooves import Claims, first_claims, foretell, telling_rows, usual_gap, weigh_claims
from foldtrue.fit.lines import EdgeLines
from foldtrue.fit.precreases import PrecreaseLines
from foldtrue.fit.silhouette import on_crease, outermost
from foldtrue.fit.slivers import SliverLines
from foldtrue.fit.turned import surplus
from foldtrue.fit.weak import Setup, Weak, set_up
from foldtrue.frames import Array
from foldtrue.handover import BoolArray, IntArray, Nominal

USUAL_SHAPE, USUAL_SHAPE_LIT, LEAST_SHAPE = 0.02, 0.015, 0.004
"""How far twists depart from the planned shape, per coordinate, in pitches: before the piece is known, loosely and,
where it decides which edges are believed, as careful work does; and at least (common practice, no source)."""

FIRST_SOLUTIONS = 3
"""How often the first equations are solved, each time about the last solution, before any edge is judged by them: a
twist thrown far must not cost its sides their say."""


@dataclass(frozen=True)
class Network:
    """Solution. displacement_mm (V, 2); unknown_of (V,) index of each vertex among the unknowns or -1; size: number of
    unknowns; factor: solves the normal equations, so factor.solve(G) gives covariances of linear functions G; loose:
    the same with vertices held as before anything was seen, which tells what the edges alone fix; noise:
    sparse (size, size), covariance of their right side from the lines' own scatter alone;
    shifts_mm (1 + K,) edge shift towards the dark side, shared and by kind of step, with stds; crease (E,) which
    crease each line was taken for; misfit_mm: how far lines that should meet miss each other beyond their noise;
    shape_mm: how far this piece's twists depart from the planned shape, per coordinate; frame_columns: the unknowns of
    the frame, 8 and the common overturn, or as many of them as are free; spread, evidence: what the solution rests on
    and how it weighed that, by source."""

    displacement_mm: Array
    unknown_of: IntArray
    size: int
    shifts_mm: Array
    shift_std_mm: Array
    factor: Any
    loose: Any
    noise: Any
    crease: IntArray
    misfit_mm: float
    shape_mm: float
    frame_columns: IntArray
    spread: Spread
    evidence: Evidence


ODD_SHAPE = 3.0
"""Standard deviations beyond which a twist's shape is out of the usual rather than its edges misread."""
NARROWED, LEAST_PLACE = 2.0, 0.015
"""Vertices are held to so many times what this piece's own are seen to scatter, so that little of what hardly shows is
drawn to the plan, and none is left to lie as far off as vertices of any piece may; and to no less than so many pitches,
for one twist may be off in a piece that is all true (what careful work shows; common practice, no source)."""
SCALED = 2
"""Rounds that find how far lines miss each other; later they are weighed by that. Found anew each time, it shrinks with
the lines that lose their say by it, until those that are left agree. Source: MM-estimates, a scale first and then
weights under it (Yohai, Ann. Stat. 15 (1987) 642 [from memory])."""
APART = 0.003
"""By how many pitches creases are taken to miss each other before that is known, so that the surest do not go
unchecked."""
FEW_CHECKED = 10
"""Equations that must be checked by others before they tell how far lines miss each other; where what is usual is
known, it counts as so many."""
FEW_SETTLED = 6
"""Shape equations that must be settled before they alone tell how flat twists are; with fewer, what is usual counts as
so many."""


def solve_network(
    lines: EdgeLines,
    nominal: Nominal,
    weak: Weak,
    rounds: int = 7,
    judge_by_shape: bool = False,
    slivers: SliverLines | None = None,
    unused: PrecreaseLines | None = None,
) -> Network:
    """Weighted least squares over all edge lines, reweighted so that an edge that disagrees with its vertices loses
    its say.

    weak: what is known before anything is seen. judge_by_shape: whether an edge loses its say when it does not go with
    the shape of its twist. Where many edges meet they judge each other, and a badly creased twist must not cost an
    honest edge its say; from the camera's side little else checks a twist's side, or tells which edge of a groove it
    is. slivers: what shows where two folds lie on one line; unused: creases of the grid that no fold uses.
    """
    from scipy import sparse

    setup = set_up(lines, nominal, weak, slivers, unused)
    beside = beside_of(slivers, unused, nominal, setup)
    told = _observed(lines, beside)
    std, value, edge = told.std, told.value.copy(), told.row == EDGE_ROW
    scale = np.tile([1.0, 2.0], len(value) // 2)
    shared, faint = np.zeros((2, len(value)), bool)
    shared[edge], faint[edge] = np.repeat(lines.shared, 2), np.repeat(~lines.stands_out, 2)
    # What lies between folds cannot count before: how bright a sliver of some width is, is found by the edges.
    trust: Array = np.where(shared | (told.row == SLIVER_ROW), 0.0, 1.0)
    x: Array = np.zeros(setup.size)
    crease = lines.crease
    doubt: Array = np.zeros(len(lines.crease))
    claims = first_claims(lines, 0.01 * nominal.pitch_mm)
    misfit: Array = np.zeros(len(KINDS_OF_ROW))
    misfit[CREASE_ROW] = APART * nominal.pitch_mm
    shape = (USUAL_SHAPE_LIT if judge_by_shape else USUAL_SHAPE) * nominal.pitch_mm
    least_shape = LEAST_SHAPE * nominal.pitch_mm if judge_by_shape else 0.0
    redundancy: Array = np.ones(len(value))
    costly = 2 if judge_by_shape or slivers is not None else 1  # rounds that find it anew; later it hardly changes
    eased = wide = setup
    for step in range(rounds):
        edges = _equations(lines, crease, claims.share, nominal, setup)
        design = sparse.vstack([edges, beside.rows(x)]).tocsr()
        value[~edge] = beside.values(_displacement(setup, x))
        apart, unsure = (scale * misfit[told.row]) ** 2, np.zeros(len(value))
        unsure[edge] = np.repeat(doubt, 2) ** 2 + claims.doubt**2
        variance = std**2 + apart + unsure
        weight = trust / variance
        for _ in range(FIRST_SOLUTIONS if step == 0 and not judge_by_shape else 1):
            if not judge_by_shape:  # there too little is known of how far edges have slid along themselves
                value[edge] = told.value[edge] - surplus(lines, crease, nominal, _displacement(setup, x)).ravel()
            factor, x = _solve(design, weight, value, eased, shape if judge_by_shape else weak.place_mm)
        resid = value - design @ x
        if (step < costly and rounds > 3) or (step == 0 and unused is not None):
            redundancy = _redundancy(design, factor, weight)
        if step < SCALED:
            asked = np.where((trust > 0) & ~shared & ~faint, told.row, -1)
            misfit = _misfits(resid / scale, std / scale, redundancy, asked, weak)
        if step == 0:
            if unused is not None:
                surely = _trust(resid, np.sqrt(variance), redundancy) / (
                    variance + np.where(edge, 0.0, scale * misfit[told.row]) ** 2
                )
                loosely = _solve(design, surely, value, wide, shape)
                held = paper_held(beside, wide, loosely, weak.place_mm, float(misfit[CREASE_ROW]))
                if held is None:
                    return solve_network(lines, nominal, weak, rounds, judge_by_shape, slivers)
                setup = held
            shape = max(_shape(wide, factor, x, shape), least_shape)
            if judge_by_shape:
                setup = _narrowed(setup, factor, x, weak.place_mm, nominal.pitch_mm)
            if lines.shared.any():
                factor, x = _solve(design, weight, value, setup, shape)
                crease, doubt = outermost(lines, nominal, setup.unknown_of, x, factor, shape)
        if judge_by_shape:
            eased = _eased(setup, x, shape)
        trust = _trust(resid, np.sqrt(variance), redundancy) if step else np.ones(len(value))
        if (lines.pair >= 0).any():
            own = np.sqrt(std**2 + (scale * misfit[EDGE_ROW]) ** 2)
            claims = _claims(lines, nominal, setup, claims, (factor, x), (value, own, weight))
    factor, x = _solve(design, weight, value, eased, shape)
    loose = factor
    if judge_by_shape:
        vertices = np.arange(setup.size) < setup.shift_column
        loose, _ = _solve(
            design, weight, value, replace(eased, prior=np.where(vertices, wide.prior, eased.prior)), shape
        )
    columns = setup.shift_column + np.arange(setup.shifts)
    unit = np.zeros((setup.size, len(columns)))
    unit[columns, np.arange(len(columns))] = 1
    shift_std = np.sqrt(np.diag(factor.solve(unit)[columns]))
    scatter = design.multiply((weight * std)[:, None]).tocsr()
    noise, shifts = scatter.T @ scatter, x[columns]
    spread = Spread(std**2, apart, unsure, weight)
    evidence = evidence_of(design, spread, told.pixel_share, eased, shape)
    return Network(
        _displacement(setup, x),
        setup.unknown_of,
        setup.size,
        shifts,
        shift_std,
        factor,
        loose,
        noise,
        crease,
        float(misfit[EDGE_ROW]),
        shape,
        np.arange(setup.frame_column, setup.size - 1),
        spread,
        evidence,
    )


@dataclass(frozen=True)
class _Observed:
    """Offsets and slopes in turn, (2 E,), of all edges and then of all that is beside them: value, std, the pixels'
    share of its variance, and the kind of row, those of one kind miss each other alike."""

    value: Array
    std: Array
    pixel_share: Array
    row: IntArray


def _observed(lines: EdgeLines, beside: Beside) -> _Observed:
    value = np.stack([lines.offset_mm, lines.slope_mm], 1).ravel()
    std = np.stack([lines.offset_std_mm, lines.slope_std_mm], 1).ravel()
    return _Observed(
        np.concatenate([value, np.zeros(len(beside.std))]),
        np.concatenate([std, beside.std]),
        np.concatenate([lines.pixel_share.ravel(), beside.pixel_share]),
        np.concatenate([np.full(len(value), EDGE_ROW), beside.row]),
    )


def _claims(
    lines: EdgeLines,
    nominal: Nominal,
    setup: Setup,
    claims: Claims,
    solution: tuple[Any, Array],
    told: tuple[Array, Array, Array],
) -> Claims:
    """told: value, std and weight of all equations that the solution was made from."""
    rows = telling_rows(lines)
    paired = lines.pair >= 0
    first, second = (
        _equations(lines, lines.crease, np.where(paired, share, 1.0), nominal, setup)[rows] for share in (1.0, 0.0)
    )
    foretold = foretell((first, second), claims.share[rows // 2], solution, *(each[rows] for each in told))
    return weigh_claims(lines, rows, foretold, claims, usual_gap(lines))


def _equations(lines: EdgeLines, crease: IntArray, first: Array, nominal: Nominal, setup: Setup) -> Any:
    """Sparse (2 E, size): rows 2 e and 2 e + 1 predict offset and slope of line e when it is the image of crease[e], or
    of the mean of that and its pair, the first counting first (E,); shifts and slopes of its kind on top."""
    from scipy import sparse

    rows: list[IntArray] = []
    cols: list[IntArray] = []
    vals: list[Array] = []
    paired = np.flatnonzero(lines.pair >= 0)
    every = np.arange(len(crease))
    for e, of, kind, share in (
        (every, crease, lines.kind, first),
        (paired, lines.pair[paired], lines.pair_kind[paired], 1 - first[paired]),
    ):
        own = lines if len(e) == len(every) else lines.pick(e)
        t, ratio = on_crease(own, of, nominal)
        ends = setup.unknown_of[nominal.creases.ends[of]]
        for k, (w0, w1) in enumerate(((1 - t, t), (-ratio, ratio))):
            for end, w in ((0, w0), (1, w1)):
                for axis in (0, 1):
                    rows.append(2 * e + k)
                    cols.append(2 * ends[:, end] + axis)
                    vals.append(share * w * own.normal[:, axis])
        for column in (np.zeros(len(e), np.int64), 1 + kind):
            rows.append(2 * e)
            cols.append(setup.shift_column + column)
            vals.append(share * own.dark)
        sense = setup.turn_sense[of]
        for k, w in ((0, t - 0.5), (1, ratio)):
            rows.append(2 * e + k)
            cols.append(setup.slope_column + kind)
            vals.append(share * w * sense)
    return sparse.csr_matrix(
        (np.concatenate(vals), (np.concatenate(rows), np.concatenate(cols))), shape=(2 * len(crease), setup.size)
    )


def _displacement(setup: Setup, x: Array) -> Array:
    """Displacements (V, 2) mm of all vertices, 0 for those that are no unknowns."""
    out = np.zeros((len(setup.unknown_of), 2))
    known = setup.unknown_of >= 0
    out[known] = x[: setup.shift_column].reshape(-1, 2)[setup.unknown_of[known]]
    return out


def _solve(design: Any, weight: Array, value: Array, setup: Setup, shape_mm: float) -> tuple[Any, Array]:
    return weighted_solution(design, weight, value, setup.known(shape_mm))


def _narrowed(setup: Setup, factor: Any, x: Array, before_mm: float, pitch_mm: float) -> Setup:
    """The setup with every vertex held to its frame as this piece's vertices are seen to keep to theirs: NARROWED times
    as far as they scatter, by the share of each that is seen (the evidence's own fixed point, MacKay, Neural
    Computation 4 (1992) 415, eq. 4.9 [from memory]). Some scatter farther: no square counts for more than 9."""
    count = setup.shift_column
    rows = setup.beforehand[:count]
    own = rows @ x
    variance = np.empty(count)
    for first in range(0, count, 512):
        part = rows[first : first + 512]
        variance[first : first + 512] = np.asarray(part.multiply(factor.solve(part.T.toarray()).T).sum(1)).ravel()
    told = np.maximum(1 - variance / before_mm**2, 0.0)
    seen = told > 0.5
    if seen.sum() < FEW_SETTLED:
        return setup
    usual = 1.4826 * float(np.median(np.abs(own[seen])))
    scatter = np.sqrt(np.sum(np.minimum(own**2, 9 * usual**2)) / told.sum())
    prior = setup.prior.copy()
    prior[:count] = np.clip(NARROWED * scatter, min(LEAST_PLACE * pitch_mm, before_mm), before_mm) ** -2.0
    return replace(setup, prior=prior)


def _eased(setup: Setup, x: Array, shape_mm: float) -> Setup:
    """The setup with shapes far beyond what is usual held less: some twists are creased badly (Cauchy's weights), and
    some folds are far from the grid's creases, or something else was taken for one."""
    from scipy import sparse

    far = (setup.shape @ x) / (ODD_SHAPE * shape_mm)
    prior = setup.prior.copy()
    prior[setup.paper] /= 1 + x[setup.paper] ** 2 * prior[setup.paper] / ODD_SHAPE**2
    return replace(setup, prior=prior, shape=sparse.diags(1 / np.sqrt(1 + far**2)) @ setup.shape)


def weighted_solution(design: Any, weight: Array, value: Array, known: Any) -> tuple[Any, Array]:
    """Least squares through sparse normal equations: their factor, and the unknowns (n,).

    design: sparse (M, n); weight, value: (M,); known: sparse (n, n), what is known of the unknowns beforehand, the
    inverse of its covariance. factor.solve(identity) is the covariance, for weights that are inverse variances.
    """
    from scipy import sparse
    from scipy.sparse.linalg import splu

    normal = design.T @ sparse.diags(weight) @ design + known
    factor = splu(normal.tocsc(), permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True})
    return factor, np.asarray(factor.solve(design.T @ (weight * value)))


def _redundancy(design: Any, factor: Any, weight: Array) -> Array:
    """1 - leverage of every equation: 0 = nothing else checks it, 1 = the others predict it fully."""
    out = np.empty(design.shape[0])
    for first in range(0, len(out), 512):
        part = design[first : first + 512]
        solved = factor.solve(part.T.toarray())
        out[first : first + 512] = np.asarray(part.multiply(solved.T).sum(1)).ravel()
    return np.clip(1 - out * weight, 0.0, 1.0)


def _misfits(resid: Array, std: Array, redundancy: Array, row: IntArray, weak: Weak) -> Array:
    """`_misfit` of every kind of row, row (N,) of the equations in use, -1 elsewhere."""
    usual = [weak.apart_mm if kind == EDGE_ROW else 0.0 for kind in KINDS_OF_ROW]
    return np.array([_misfit(resid, std, redundancy, row == kind, usual[kind]) for kind in KINDS_OF_ROW])


def _misfit(resid: Array, std: Array, redundancy: Array, used: BoolArray, usual_mm: float) -> float:
    """How far lines that should meet miss each other beyond their own noise (mm): robust weighted mean excess of
    squared residuals over the checked equations (method of moments), and what is usual, worth FEW_CHECKED of them.

    No test of significance stands before it: what is too small to be proven still widens the truth's scatter, and
    leaving it out makes intervals too narrow. Source: variance components are estimated, not tested away (as in
    random-effects pooling, DerSimonian and Laird, Control. Clin. Trials 7 (1986) 177 [from memory]).
    """
    seen = (redundancy > 0.15) & used
    if seen.sum() < FEW_CHECKED:
        return usual_mm
    square, own, share = resid[seen] ** 2 / redundancy[seen], std[seen] ** 2, redundancy[seen]
    excess = square - own
    tau = max(float(np.median(square)) / 0.455 - float(np.median(own)), 0.0)  # the median of chi square with 1 freedom
    for _ in range(8):
        weight = share**2 / (own + tau) ** 2
        kept = square < 16 * (own + tau)
        tau = max(float(np.sum((weight * excess)[kept]) / np.sum(weight[kept])), 0.0)
    worth = FEW_CHECKED if usual_mm else 0
    return float(np.sqrt((share.sum() * tau + worth * usual_mm**2) / (share.sum() + worth)))


def _shape(setup: Setup, factor: Any, x: Array, before: float) -> float:
    """Standard deviation of the twists' departures from rigid shape, from those the edges alone settle (prior
    overruled 3:1). How surely the frame's own part is known is no matter of a twist's edges."""
    found = setup.shape @ x
    variance = np.empty(len(found))
    for first in range(0, len(found), 512):
        part = setup.of_tips[first : first + 512]
        variance[first : first + 512] = np.asarray(part.multiply(factor.solve(part.T.toarray()).T).sum(1)).ravel()
    settled = variance < before**2 / 9
    if settled.sum() < FEW_SETTLED:
        told = np.maximum(1 - variance / before**2, 0.0)
        squares = np.minimum(found**2, 9 * before**2).sum() + FEW_SETTLED * before**2
        return float(np.sqrt(squares / (told.sum() + FEW_SETTLED)))
    return float(max(1.4826 * np.median(np.abs(found[settled])), 0.3 * np.std(found[settled]), 1e-4))


def _trust(resid: Array, std: Array, redundancy: Array) -> Array:
    """Tukey weights, one per edge (the worse of its two equations); unchecked edges keep full weight."""
    z = np.abs(resid) / (std * np.sqrt(np.maximum(redundancy, 0.05)))
    z = np.maximum(z[0::2], z[1::2]).repeat(2)
    weight = np.where(z < 6.0, (1 - (z / 6.0) ** 2) ** 2, 0.0)
    return np.where(redundancy > 0.02, np.maximum(weight, 1e-6), 1.0)

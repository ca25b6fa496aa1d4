"""The folded piece's outer boundary against the plan: where each side lies and how it turns.

Along a side several layers end on one line by the plan, and the silhouette is whichever sticks out most; that is what a
side is here, so nothing needs to say which layer it was. A side is the straight line that fits all of its silhouette
best, every mm of its length counting alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.fit.joint import Joint
from foldtrue.fit.lines import line_of
from foldtrue.fit.statement import Solution
from foldtrue.frames import Array
from foldtrue.handover import BoolArray, IntArray, Nominal
from foldtrue.handover_figures import Outline
from foldtrue.stretches import place_numbers, stretch_ends

LEAST_SEEN = 0.5
"""Share of a side's length that must be seen before the side is measured."""


@dataclass(frozen=True)
class Sides:
    """The planned sides (K): middle and outward normal (K, 2), along (K, 2) counter-clockwise, length_mm (K,)."""

    middle: Array
    along: Array
    normal: Array
    length_mm: Array


@dataclass(frozen=True)
class _Runs:
    """Measured runs of silhouette (R): line (R,) of the solution, side (R,), place (R, 2) mm along the side from its
    middle, of the run's ends, and offset (R, 2) mm there, outwards, after the whole piece's fit."""

    line: IntArray
    side: IntArray
    place: Array
    offset: Array


def planned_sides(outline_mm: Array) -> Sides:
    """The sides of an outline (K, 2), counter-clockwise."""
    step = np.roll(outline_mm, -1, 0) - outline_mm
    length = np.hypot(*step.T)
    along = step / length[:, None]
    return Sides(outline_mm + step / 2, along, np.stack([along[:, 1], -along[:, 0]], 1), length)


def measure_outline(nominal: Nominal, view: str, solution: Solution, joint: Joint) -> Outline:
    """Sides, distances across and corners from the silhouette's lines, edge shifts and the whole piece's fit taken
    off."""
    sides = planned_sides(nominal.outline_mm)
    count = len(sides.length_mm)
    runs = _runs(nominal, view, solution, sides)
    weight, seen = _weights(runs, sides)
    value = weight @ runs.offset.ravel()
    jog = _jog(runs, sides, value)
    cov = _covariance(nominal, solution, joint, sides, runs, weight, jog) + _unseen(runs, sides, jog)
    told = seen >= LEAST_SEEN
    across = opposite_sides(sides)
    rows = np.zeros((len(across), 2 * count))
    rows[np.arange(len(across))[:, None], across] = 1.0
    turn = np.concatenate([np.ones(count), np.full(count, -np.degrees(1.0))])
    spans = np.asarray(told[across].all(1))
    met = np.repeat(told & np.roll(told, 1), 2)
    corner, corner_cov = _applied(_corners(sides), value, cov, met)
    width, width_cov = _applied(rows, value, cov, spans)
    every = np.arange(count)
    return Outline(
        offset_mm=np.where(told, value[:count], np.nan),
        angle_deg=np.where(told, turn[count:] * value[count:], np.nan),
        cov=_only(cov * np.outer(turn, turn), np.tile(told, 2)),
        seen=seen,
        across=across,
        across_error_mm=width,
        across_cov_mm2=width_cov,
        corner_error_mm=corner.reshape(count, 2),
        corner_cov_mm2=corner_cov.reshape(count, 2, count, 2)[every, :, every, :],
        flags=tuple(() if ok else ("edge_not_seen",) for ok in told),
    )


def _only(cov: Array, told: BoolArray) -> Array:
    return np.where(np.outer(told, told), cov, np.nan)


def _applied(rows: Array, value: Array, cov: Array, told: BoolArray) -> tuple[Array, Array]:
    """Linear functions of the sides with their covariance; nan where not told."""
    return np.where(told, rows @ value, np.nan), _only(rows @ cov @ rows.T, told)


def opposite_sides(sides: Sides) -> IntArray:
    """Pairs (A, 2) of sides that face opposite ways, where each has no other such partner."""
    facing = np.abs(sides.normal @ sides.normal.T + 1) < 1e-9
    single = facing.sum(1) == 1
    pairs = [(i, int(facing[i].argmax())) for i in np.flatnonzero(single)]
    return np.array([(i, j) for i, j in pairs if i < j and single[j]], np.int64).reshape(-1, 2)


def _corners(sides: Sides) -> Array:
    """(2 K, 2 K) from all offsets and slopes to the places where each side meets the one before it."""
    count = len(sides.length_mm)
    rows = np.zeros((2 * count, 2 * count))
    for k in range(count):
        pair = ((k - 1) % count, k)
        solve = np.linalg.inv(sides.normal[list(pair)])
        for column, side, end in ((0, pair[0], 0.5), (1, pair[1], -0.5)):
            rows[2 * k : 2 * k + 2, side] = solve[:, column]
            rows[2 * k : 2 * k + 2, count + side] = solve[:, column] * end * sides.length_mm[side]
    return rows


def _runs(nominal: Nominal, view: str, solution: Solution, sides: Sides) -> _Runs:
    """The parts of the sides that lines of the solution show, each place once."""
    lines = solution.lines
    shift = lines.dark * (solution.network.shifts_mm[0] + solution.network.shifts_mm[1 + lines.kind])
    line, stretch = _silhouette(nominal, view, solution)
    s, place = nominal.views[view], place_numbers(nominal, view)
    ends = np.stack(stretch_ends(nominal, view), 1)
    reach = 1e-6 * nominal.pitch_mm
    rows: dict[int, tuple[int, int, Array, Array]] = {}
    for e, i in zip(line, stretch, strict=True):
        away = np.abs(np.einsum("ekj,kj->ek", ends[i][:, None] - sides.middle, sides.normal)).max(0)
        along = np.einsum("ekj,kj->ek", ends[i][:, None] - sides.middle, sides.along)
        on = (away < reach) & (np.abs(along).max(0) < sides.length_mm / 2 + reach)
        if on.any():
            k = int(on.argmax())
            off = lines.offset_mm[e] - shift[e] + lines.slope_mm[e] * (np.array([s.t0[i], s.t1[i]]) - lines.t_mid[e])
            moved = solution.after_fit(ends[i] + off[:, None] * lines.normal[e])
            rows.setdefault(int(place[i]), (int(e), k, along[:, k], (moved - ends[i]) @ sides.normal[k]))
    runs = list(rows.values())
    return _Runs(
        np.array([r[0] for r in runs], np.int64),
        np.array([r[1] for r in runs], np.int64),
        np.array([r[2] for r in runs]).reshape(-1, 2),
        np.array([r[3] for r in runs]).reshape(-1, 2),
    )


def _silhouette(nominal: Nominal, view: str, solution: Solution) -> tuple[IntArray, IntArray]:
    """Pairs of a line of the solution and a stretch that it lies on with no paper beyond."""
    s, lines = nominal.views[view], solution.lines
    bare = np.minimum(s.layers_left, s.layers_right) == 0
    of = line_of(nominal, view)
    pairs = [(e, int(i)) for e, k in enumerate(of[lines.stretch]) for i in np.flatnonzero(bare & (of == k))]
    return np.array([e for e, _ in pairs], np.int64), np.array([i for _, i in pairs], np.int64)


def _weights(runs: _Runs, sides: Sides) -> tuple[Array, Array]:
    """(2 K, 2 R) from the offsets at the runs' ends to each side's offset at its middle and its slope, and the share
    seen (K,): least squares over the runs' length, each run being straight."""
    count = len(sides.length_mm)
    weight = np.zeros((2 * count, 2 * len(runs.line)))
    seen = np.zeros(count)
    for k in range(count):
        mine = np.flatnonzero(runs.side == k)
        a, b = runs.place[mine].T
        length = np.abs(b - a)
        seen[k] = min(float(length.sum() / sides.length_mm[k]), 1.0)
        if seen[k] < LEAST_SEEN:
            continue
        middle, half = (a + b) / 2, (b - a) / 2
        first, second = np.sum(length * middle), np.sum(length * (middle**2 + half**2 / 3))
        solve = np.linalg.inv([[length.sum(), first], [first, second]])
        # Integrals of the run's straight offset, and of place times offset, by its values at both ends.
        for end, sign in ((0, -1.0), (1, 1.0)):
            moments = np.stack([length / 2, length * (middle / 2 + sign * half / 6)])
            weight[[[k], [count + k]], 2 * mine + end] = solve @ moments
    return weight, seen


def _jog(runs: _Runs, sides: Sides, value: Array) -> float:
    """RMS departure (mm) of the runs' middles from their side's line, freedoms counted."""
    count = len(sides.length_mm)
    rest = runs.offset.mean(1) - value[runs.side] - value[count + runs.side] * runs.place.mean(1)
    number = np.bincount(runs.side, minlength=count)
    told = (number > 2)[runs.side]
    if not told.any():
        return 0.0
    freedom = float(np.sum(number[number > 2] - 2))
    return float(np.sqrt(np.sum(rest[told] ** 2) / freedom))


def _covariance(
    nominal: Nominal, solution: Solution, joint: Joint, sides: Sides, runs: _Runs, weight: Array, jog: float
) -> Array:
    """(2 K, 2 K) of offsets and slopes: what fit, lens and edge shifts do to all sides, and each line's own noise.

    Where several layers end on one line a thin one that sticks out shows less than the rest, so the line seen may lie
    anywhere between them, and they lie no farther apart than the sides jog: a rectangular distribution (JCGM 100,
    4.3.7).
    """
    lines = solution.lines
    e, k = np.repeat(runs.line, 2), np.repeat(runs.side, 2)
    points = sides.middle[k] + runs.place.ravel()[:, None] * sides.along[k]
    outwards = np.sum(lines.normal[e] * sides.normal[k], 1)
    shift_rows = np.zeros((len(e), len(joint.shift_cov_mm2)))
    shift_rows[:, 0] = shift_rows[np.arange(len(e)), 1 + lines.kind[e]] = outwards * lines.dark[e]
    common = joint.of_places(points, sides.normal[k], shift_rows, nominal.vertices_mm)
    ends = nominal.vertices_mm[nominal.creases.ends[lines.crease[e]]]
    d = ends[:, 1] - ends[:, 0]
    t = np.sum((points - ends[:, 0]) * d, 1) / np.sum(d**2, 1)
    doubt = np.where(lines.shared[e], jog / np.sqrt(3.0), 0.0)
    every, run = np.arange(len(e)), np.repeat(np.arange(len(runs.line)), 2)
    own = np.zeros((len(e), 2 * len(lines.crease) + 2 * len(runs.line)))
    own[every, 2 * e] = np.hypot(lines.offset_std_mm[e], solution.network.misfit_mm)
    own[every, 2 * e + 1] = (t - lines.t_mid[e]) * lines.slope_std_mm[e]
    own[every, 2 * len(lines.crease) + 2 * run] = doubt
    own[every, 2 * len(lines.crease) + 2 * run + 1] = np.where(every % 2, 0.5, -0.5) * doubt
    noise = weight @ own
    return np.asarray(weight @ common @ weight.T + noise @ noise.T)


def _unseen(runs: _Runs, sides: Sides, jog: float) -> Array:
    """(2 K, 2 K) of offsets and slopes: what the unseen parts of a side may do to its line, if they depart from it as
    the seen ones do."""
    count = len(sides.length_mm)
    out = np.zeros((2 * count, 2 * count))
    for k in range(count):
        half = sides.length_mm[k] / 2
        ends = np.sort(runs.place[runs.side == k], 1)
        ends = ends[np.argsort(ends[:, 0])]
        gaps = np.stack([np.append(-half, ends[:, 1]), np.append(ends[:, 0], half)], 1)
        gap = np.maximum(gaps[:, 1] - gaps[:, 0], 0.0)
        # Over the whole length the normal equations of offset and slope are diagonal.
        effect = jog * np.stack([gap / (2 * half), gap * gaps.mean(1) / (2 * half**3 / 3)])
        out[np.ix_([k, count + k], [k, count + k])] = effect @ effect.T
    return out

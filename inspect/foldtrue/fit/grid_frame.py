"""The frame of an unfolded sheet and what is wrong in it: outline and grid lines in one least-squares adjustment.

A photo shows neither scale nor pose nor tilt. What it does show is compared with the plan up to a homography and one
lens term, whose nine unknowns the sheet's sides and all the lines determine together; the lines' own errors and the
sides' are taken as random about zero, with a spread that is estimated from the lines themselves. One systematic error
at a time is tried on top (a direction turned, a drift from one end of a direction, a side cut off): one that explains
the photo much better stays in, so that it does not bend the frame.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array, PlaneMap, warp_design
from foldtrue.handover import BoolArray, IntArray
from foldtrue.handover_grid import CauseCode, CreaseScan, PlannedGrid, SheetSides

CUT_STD_MM = 0.08
"""How true a sheet is cut by hand, standard deviation of a side's place at its middle and at its ends (common practice,
no source)."""
EDGE_SHIFT_STD_MM = 0.3
"""Light spills over an edge, or a shadow lies along it: all sides are shifted outward alike by up to this."""
LEAST_SCATTER_MM = 0.01
"""No hand creases truer than this; keeps the estimated spread from vanishing."""
GAIN = 12.0
"""Twice the log-likelihood that a systematic error must gain: two unknowns in 200 figures cost 10.6 by Schwarz's
criterion (Ann. Statist. 6 (1978) 461 [from memory])."""
MOST_EFFECTS = 3
TERMS = 13
"""Unknowns of the frame: eight of the homography, the lens term, the edges' common shift, and by direction the shift
that light gives to mountains one way and to valleys the other, or to all where the two cannot be told apart."""
SENSE_SHIFT_PX = 0.2
SENSE_SHIFT_SHARE = 0.5
"""Standard deviation of that shift as the learned looks leave it: pixels, and a share of what they allowed for."""


@dataclass(frozen=True)
class Observed:
    """Two shifts of every found line and seen side along their planned normals, at two places on them.

    index (N,): which line, or number of lines + which side. points (N, 2, 2): the planned places, mm; normals (N, 2);
    s (N, 2): places along the line; value (N, 2) shifts mm; cov (N, 2, 2) of them; design (N, 2, TERMS)."""

    index: IntArray
    points: Array
    normals: Array
    s: Array
    value: Array
    cov: Array
    design: Array
    is_line: BoolArray


@dataclass(frozen=True)
class Effect:
    """A systematic error as columns (N, 2, p) of the adjustment."""

    code: CauseCode
    family: int | None
    end: int | None
    side: int | None
    columns: Array


@dataclass(frozen=True)
class Adjusted:
    """terms (TERMS,) and their covariance; sizes: one array per effect, with sizes_cov; spread_mm, spread_rad: of the
    lines' own errors at their middle; loss: -2 log likelihood, up to a constant. rest (N, 2): residuals."""

    terms: Array
    terms_cov: Array
    sizes: tuple[Array, ...]
    sizes_cov: tuple[Array, ...]
    spread_mm: float
    spread_rad: float
    loss: float
    rest: Array


def observe(grid: PlannedGrid, scan: CreaseScan, sides: SheetSides, plane: PlaneMap) -> Observed:
    """Lines and sides as pairs of shifts in the frame of `plane`; scan and sides may be in any other."""
    lines = np.flatnonzero(scan.found)
    kept = np.flatnonzero(sides.seen)
    angle = np.deg2rad(np.concatenate([grid.normal_deg[lines], sides.normal_deg[kept]]))
    normals = np.stack([np.cos(angle), np.sin(angle)], 1)
    along = np.stack([-normals[:, 1], normals[:, 0]], 1)
    offset = np.concatenate([grid.offset_mm[lines], sides.planned_mm[kept]])
    # Two points at a third power of the span: a line's mean and slope weigh there as over the whole of it.
    middle = np.concatenate([0.5 * (grid.low_mm + grid.high_mm)[lines], 0 * kept])
    half = np.concatenate([0.5 * (grid.high_mm - grid.low_mm)[lines], sides.half_mm[kept]]) / np.sqrt(3)
    s = middle[:, None] + half[:, None] * np.array([-1.0, 1.0])
    figures = np.concatenate(
        [
            np.stack([scan.offset_mm, scan.angle_rad], 1)[lines],
            np.stack([sides.offset_error_mm, np.deg2rad(sides.angle_error_deg)], 1)[kept],
        ]
    )
    cov = np.concatenate([scan.cov[lines], sides.cov[kept]])
    to_pair = np.stack([np.ones_like(s), -s], 2)
    value = np.einsum("nij,nj->ni", to_pair, figures)
    planned = offset[:, None, None] * normals[:, None] + s[:, :, None] * along[:, None]
    if plane is not scan.map:
        value = _in_frame(scan.map, plane, planned, normals, value, s)
    is_line = np.arange(len(offset)) < len(lines)
    size = float(np.abs(grid.outline_mm).max())
    design = np.zeros((len(offset), 2, TERMS))
    own = grid.family[lines][:, None] == np.arange(3)
    senses = own * np.where(scan.odd, np.sign(scan.contrast[lines])[:, None], scan.sense_shift_mm > 0)
    for j in (0, 1):
        design[:, j, :8] = warp_design(planned[:, j], normals, size)
        design[:, j, 8] = np.sum(plane.radial_field(planned[:, j]) * normals, 1)
        design[:, j, 9] = ~is_line
        design[: len(lines), j, 10:] = senses
    index = np.concatenate([lines, len(grid.number) + kept])
    return Observed(index, planned, normals, s, value, to_pair @ cov @ to_pair.transpose(0, 2, 1), design, is_line)


def _in_frame(old: PlaneMap, new: PlaneMap, planned: Array, normals: Array, value: Array, s: Array) -> Array:
    """Shifts (N, 2) at the planned places, of lines measured in the old frame, in the new one."""
    places = planned + value[:, :, None] * normals[:, None]
    moved = new.to_mm(old.to_px(places.reshape(-1, 2))).reshape(places.shape)
    away = moved - planned
    across = np.sum(away * normals[:, None], 2)
    t = np.stack([-normals[:, 1], normals[:, 0]], 1)
    at = s + np.sum(away * t[:, None], 2)
    slope = (across[:, 1] - across[:, 0]) / (at[:, 1] - at[:, 0])
    return np.asarray(across + slope[:, None] * (s - at))


def adjust(observed: Observed, effects: tuple[Effect, ...], k1_std: float, sense_std_mm: Array) -> Adjusted:
    """Weighted least squares of frame and effects, the spread of the lines' errors estimated along (moments), single
    outliers damped (Huber at three standard deviations)."""
    design = np.concatenate([observed.design, *(e.columns for e in effects)], 2)
    prior = np.zeros(design.shape[2])
    prior[6:8], prior[8], prior[9] = 1e-6, 1.0 / k1_std**2, 1.0 / EDGE_SHIFT_STD_MM**2
    prior[10:13] = 1.0 / sense_std_mm**2
    span = observed.s[:, 1] - observed.s[:, 0]
    spread_mm, spread_rad = 0.05, 0.05 / float(np.median(span))
    damp = np.ones(len(observed.value))
    for _ in range(25):
        root, log_det = _whitening(observed, spread_mm, spread_rad)
        a = root @ design
        b = np.einsum("nij,nj->ni", root, observed.value)
        normal = np.einsum("n,nki,nkj->ij", damp, a, a) + np.diag(prior + 1e-12)
        found = np.linalg.solve(normal, np.einsum("n,nki,nk->i", damp, a, b))
        rest = observed.value - design @ found
        length = np.sqrt(np.sum((b - a @ found) ** 2, 1))
        damp = 1.0 / np.maximum(1.0, length / 3.0)
        spread_mm, spread_rad = _spreads(observed, rest, damp, spread_mm, spread_rad)
    cov = np.linalg.inv(normal)
    huber = np.where(length < 3.0, length**2, 6.0 * length - 9.0)
    loss = float(np.sum(huber + log_det)) + float(np.sum(prior * found**2))
    sizes, covs, at = [], [], TERMS
    for effect in effects:
        width = effect.columns.shape[2]
        sizes.append(found[at : at + width])
        covs.append(cov[at : at + width, at : at + width])
        at += width
    return Adjusted(found[:TERMS], cov[:TERMS, :TERMS], tuple(sizes), tuple(covs), spread_mm, spread_rad, loss, rest)


def _whitening(observed: Observed, spread_mm: float, spread_rad: float) -> tuple[Array, Array]:
    """Inverse Cholesky factors (N, 2, 2) of noise plus own errors, and log determinants of those covariances."""
    half = 0.5 * (observed.s[:, 1] - observed.s[:, 0])
    offset = np.where(observed.is_line, spread_mm, CUT_STD_MM)
    tilt = half * np.where(observed.is_line, spread_rad, CUT_STD_MM / (half * np.sqrt(3)))
    own = offset[:, None, None] ** 2 + (tilt**2)[:, None, None] * np.array([[1.0, -1.0], [-1.0, 1.0]])
    total = observed.cov + own + 1e-12 * np.eye(2)
    factor = np.linalg.cholesky(total)
    return np.linalg.inv(factor), 2 * np.log(factor[:, 0, 0] * factor[:, 1, 1])


def _spreads(observed: Observed, rest: Array, damp: Array, spread_mm: float, spread_rad: float) -> tuple[float, float]:
    """Standard deviations of the lines' own offsets and angles: moments of the residuals less their noise."""
    line = observed.is_line
    span = (observed.s[:, 1] - observed.s[:, 0])[line]
    to_both = np.stack([np.full((len(span), 2), 0.5), np.stack([1 / span, -1 / span], 1)], 1)
    both = np.einsum("nij,nj->ni", to_both, rest[line])
    noise = np.einsum("nij,njk,nik->ni", to_both, observed.cov[line], to_both)
    out = []
    floors = (LEAST_SCATTER_MM, LEAST_SCATTER_MM / float(np.median(span)))
    for k, (spread, floor) in enumerate(zip((spread_mm, spread_rad), floors, strict=True)):
        weight = damp[line] / (spread**2 + noise[:, k]) ** 2
        out.append(max(float(np.sum(weight * (both[:, k] ** 2 - noise[:, k])) / np.sum(weight)), floor**2) ** 0.5)
    return out[0], out[1]


def candidates(observed: Observed, grid: PlannedGrid, sides: SheetSides) -> list[Effect]:
    """Every single systematic error that is looked for, its size in mm or rad per unit."""
    lines = len(grid.number)
    family = np.where(observed.is_line, grid.family[np.minimum(observed.index, lines - 1)], -1)
    number = np.where(observed.is_line, grid.number[np.minimum(observed.index, lines - 1)], 0)
    out = []
    for f in range(3):
        own = (family == f)[:, None]
        all_numbers = grid.number[grid.family == f]
        if (family == f).sum() < max(3, 0.5 * len(all_numbers)):
            continue  # too few lines to speak for their direction
        out.append(Effect("direction_turned", f, None, None, np.where(own, -observed.s, 0.0)[:, :, None]))
        for end, start in ((-1, all_numbers.min()), (1, all_numbers.max())):
            grown = np.abs(number - start) / float(np.ptp(all_numbers))
            column = np.where(own, grown[:, None] * np.ones(2), 0.0)
            out.append(Effect("cumulative_drift", f, end, None, column[:, :, None]))
    for k in np.flatnonzero(sides.seen):
        own = (observed.index == lines + k)[:, None]
        columns = np.stack([np.where(own, 1.0, 0.0) * np.ones(2), np.where(own, -observed.s, 0.0)], 2)
        out.append(Effect("sheet_out_of_true", None, None, int(k), columns))
    return out


def explain(
    observed: Observed, grid: PlannedGrid, sides: SheetSides, scan: CreaseScan
) -> tuple[tuple[Effect, ...], Adjusted]:
    """The frame, and the systematic errors that stand out, added one by one while each gains enough."""
    chosen: tuple[Effect, ...] = ()
    step_mm = 1.0 / float(np.sqrt(abs(np.linalg.det(scan.map.jacobian(np.zeros((1, 2)))[0]))))
    known = (scan.k1_std, np.hypot(SENSE_SHIFT_PX * step_mm, SENSE_SHIFT_SHARE * scan.sense_shift_mm))
    best = adjust(observed, chosen, *known)
    left = candidates(observed, grid, sides)
    while len(chosen) < MOST_EFFECTS:
        trials = [(adjust(observed, (*chosen, e), *known), e) for e in left if not _same_place(e, chosen)]
        if not trials:
            break
        trial, effect = min(trials, key=lambda pair: pair[0].loss)
        if best.loss - trial.loss < GAIN:
            break
        chosen, best = (*chosen, effect), trial
    return chosen, best


def _same_place(effect: Effect, chosen: tuple[Effect, ...]) -> bool:
    """One drift for a direction, one turn, one entry for a side."""
    key = (effect.code, effect.family, effect.side)
    return any(key == (e.code, e.family, e.side) for e in chosen)

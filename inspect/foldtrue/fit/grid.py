"""fit_grid: from the scanned lines and sides to every line's error against the plan, with what explains them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from foldtrue.errors import NotThisPiece
from foldtrue.fit.grid_frame import Adjusted, Effect, Observed, explain, observe
from foldtrue.frames import Array, PlaneMap, warped
from foldtrue.handover import BoolArray
from foldtrue.handover_grid import CreaseScan, GridEffect, GridFit, LineStatus, PlannedGrid, SheetSides
from foldtrue.measured import COVERAGE_95

LEAST_LINES = 6
LEAST_SHARE = 0.5
"""Fewer found lines, in number or as a share of all planned ones and of two directions' own, are no grid of this plan.
One direction may be hidden: a lamp's light that runs along creases does not show them."""
_ADVICE = (
    "Check sheet height, divisions and kind of grid in the plan; a piece that is folded already is measured with "
    "foldtrue piece; light the sheet low from one side, or from behind."
)
FINER = 4.5
"""Evidence that half of all searches half-way between planned lines reach only where lines lie there too."""
FOLDED = 0.015
"""Share of turncoats: a sheet of creases has next to none, folded pieces of many kinds more than twice this."""
STEADY, CONTRADICTS, UNSURE_DEG = 3.0, 4.0, 0.15
NOTHING = ((2.8, 0.75), (3.6, 0.5))
"""Evidence up to the first figure, and at most so much of the faintest line's look, is no line: one in twenty and one
in several hundred searches beside lines reach that."""
SHOWS = 0.8
"""Share of a direction's lines that must show before one that does not is called missing."""
FAINTEST = 2.5
"""How far below the median of its direction, in standard deviations of the logarithm, a line may be faint."""
HARDLY, ALONE = 1 / 3, 10.0
"""A direction of which a smaller share of lines is found hardly shows; what is fainter there than ALONE (evidence) may
as well be what the swellings of the other directions' creases leave where they meet."""
STRAY_STD, CERTAIN = 5.0, 7.0
"""A line fainter than CERTAIN (evidence) counts only within STRAY_STD standard deviations of its place."""


def fit_grid(grid: PlannedGrid, scan: CreaseScan, sides: SheetSides) -> GridFit:
    """Adjust frame and errors. Raises NotThisPiece when too few of the planned lines show."""
    check_grid_shows(grid, scan)
    plane, seen = scan.map, scan.found
    scan = replace(scan, found=seen & ~_lone(grid, scan))
    for _ in range(2):
        observed = observe(grid, scan, sides, plane)
        effects, found = explain(observed, grid, sides, scan)
        scan = replace(scan, found=scan.found & ~_strays(observed, found, scan))
        plane = warped(plane, found.terms, float(np.abs(grid.outline_mm).max()))
    observed = observe(grid, scan, sides, plane)
    figures, cov = _figures(observed, found, grid)
    lines = observed.is_line
    normals, offset = observed.normals[lines], np.sum(observed.points[lines, 0] * observed.normals[lines], 1)
    gauge, keep_offset, keep_angle = _similarity(normals, offset, figures[lines])
    status, reason = _statuses(grid, scan, seen)
    count = len(grid.number)
    error, u95 = np.full((count, 2), np.nan), np.full((count, 2), np.nan)
    own = observed.index[lines]
    n = len(own)
    error[own, 0], error[own, 1] = keep_offset @ figures[lines, 0], np.degrees(keep_angle @ figures[lines, 1])
    cov_offset, cov_angle = cov[: 2 * n : 2, : 2 * n : 2], cov[1 : 2 * n : 2, 1 : 2 * n : 2]
    u95[own, 0] = COVERAGE_95 * np.sqrt(np.einsum("ij,jk,ik->i", keep_offset, cov_offset, keep_offset))
    u95[own, 1] = np.degrees(COVERAGE_95 * np.sqrt(np.einsum("ij,jk,ik->i", keep_angle, cov_angle, keep_angle)))
    shown, side_cov = _sides(observed, sides, figures, cov, found, len(grid.number))
    return GridFit(
        _gauged(plane, gauge),
        status,
        reason,
        error[:, 0],
        error[:, 1],
        u95[:, 0],
        u95[:, 1],
        shown,
        side_cov,
        found.spread_mm,
        float(np.degrees(found.spread_rad)),
        _noteworthy(effects, found, sides, bool(scan.odd.any())),
        gauge,
    )


def check_grid_shows(grid: PlannedGrid, scan: CreaseScan) -> None:
    """Raise NotThisPiece unless enough of the planned lines are there, in two of three directions at least."""
    if float(np.median(scan.decoys)) > FINER:
        raise NotThisPiece("There are creases half-way between the planned ones: this grid is finer.", _ADVICE)
    if scan.turncoats > FOLDED:
        raise NotThisPiece("The lines change sides along their way, as edges of folded paper do.", _ADVICE)
    share = sorted(float(np.mean(scan.found[grid.family == f])) for f in range(3))
    if scan.found.sum() >= LEAST_LINES and min(share[1], float(np.mean(scan.found))) >= LEAST_SHARE:
        return
    seen = int(scan.found.sum())
    if seen <= max(2, 0.05 * len(scan.found)):
        what = "The sheet shows no grid of creases."
    else:
        what = f"Only {seen} of the plan's {len(scan.found)} grid lines show: it is another grid, or too faint."
    raise NotThisPiece(what, _ADVICE)


def _figures(observed: Observed, found: Adjusted, grid: PlannedGrid) -> tuple[Array, Array]:
    """Offset at the foot and angle (N, 2), mm and rad, of lines and sides in the frame, and their joint covariance
    (2N, 2N): measuring noise of each, and the frame's, which is common. The shift of mountains against valleys is taken
    out."""
    s0, s1 = observed.s.T
    span = s1 - s0
    to_figures = np.stack([np.stack([s1 / span, -s0 / span], 1), np.stack([1 / span, -1 / span], 1)], 1)
    value = observed.value - observed.design[:, :, 10:] @ found.terms[10:]
    figures = np.einsum("nij,nj->ni", to_figures, value)
    lever = (to_figures @ observed.design).reshape(-1, observed.design.shape[2])
    cov = lever @ found.terms_cov @ lever.T
    own = to_figures @ observed.cov @ to_figures.transpose(0, 2, 1)
    family = grid.family[np.minimum(observed.index, len(grid.number) - 1)]
    for f in range(3):
        lines = observed.is_line & (family == f)
        figures[lines], own[lines] = _steadied(figures[lines], own[lines], found.spread_rad)
    for k in range(len(own)):
        cov[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] += own[k]
    return figures, cov


def _steadied(figures: Array, cov: Array, spread: float) -> tuple[Array, Array]:
    """Figures (n, 2) of one direction's lines where a line too short or faint to tell its own turn takes it from the
    others: angles scatter about the direction's median by STEADY times the lines' spread. A line that contradicts this
    by CONTRADICTS standard deviations keeps what it says, unless it is unsure of it by UNSURE_DEG: what so short or
    faint a line says is not spread like a normal error."""
    if len(figures) < 3:
        return figures, cov
    weight = 1.0 / (cov[:, 1, 1] + spread**2)
    order = np.argsort(figures[:, 1])
    middle = figures[order, 1][np.searchsorted(np.cumsum(weight[order]), 0.5 * weight.sum())]
    prior = (STEADY * spread) ** 2 + 1.0 / weight.sum()
    gain = cov[:, :, 1] / (cov[:, 1, 1] + prior)[:, None]
    away = figures[:, 1] - middle
    agrees = (away**2 < CONTRADICTS**2 * (cov[:, 1, 1] + prior)) | (cov[:, 1, 1] > np.deg2rad(UNSURE_DEG) ** 2)
    new = figures - np.where(agrees, away, 0.0)[:, None] * gain
    new_cov = cov - np.where(agrees, 1.0, 0.0)[:, None, None] * gain[:, :, None] * cov[:, 1][:, None, :]
    return new, new_cov


def _similarity(normals: Array, offset: Array, figures: Array) -> tuple[Array, Array, Array]:
    """The similarity of the lines: shift and scale by least squares on the offsets, turn the mean of the angles; and
    the matrices that take it out of offsets and of angles."""
    design = np.stack([normals[:, 0], normals[:, 1], offset], 1)
    solve = np.linalg.pinv(design)
    shift_x, shift_y, scale = solve @ figures[:, 0]
    n = len(figures)
    gauge = np.array([shift_x, shift_y, scale, np.degrees(figures[:, 1].mean())])
    return gauge, np.eye(n) - design @ solve, np.eye(n) - np.full((n, n), 1 / n)


def _gauged(plane: PlaneMap, gauge: Array) -> PlaneMap:
    """The map whose frame has the similarity taken out: planned places move with it."""
    turn, grow = np.deg2rad(gauge[3]), 1 + gauge[2]
    c, s = grow * np.cos(turn), grow * np.sin(turn)
    matrix = plane.homography @ np.array([[c, -s, gauge[0]], [s, c, gauge[1]], [0, 0, 1.0]])
    return replace(plane, homography=matrix / matrix[2, 2])


def _lone(grid: PlannedGrid, scan: CreaseScan) -> BoolArray:
    """(L,) faint lines of a direction that hardly shows: without neighbours to say where they should be, they are as
    likely flaws of the paper."""
    share = np.array([float(np.mean(scan.found[grid.family == f])) for f in range(3)])
    return np.asarray(scan.found & (share < HARDLY)[grid.family] & (scan.evidence < ALONE))


def _strays(observed: Observed, found: Adjusted, scan: CreaseScan) -> BoolArray:
    """(L,) faint lines far off where the frame and the effects have them, by what lines of this sheet scatter: rather a
    flaw of the paper than the line."""
    stray = np.zeros(len(scan.found), bool)
    lines = observed.is_line
    middle = found.rest[lines].mean(1)
    std = np.sqrt(observed.cov[lines].mean((1, 2)) + found.spread_mm**2)
    index = observed.index[lines]
    stray[index] = (np.abs(middle) > STRAY_STD * std) & (scan.evidence[index] < CERTAIN)
    return stray


def _statuses(grid: PlannedGrid, scan: CreaseScan, seen: BoolArray) -> tuple[tuple[LineStatus, ...], tuple[str, ...]]:
    """A line that is not found is missing where one as weak as the weakest of its direction would have been seen; seen:
    (L,) lines found at first."""
    status: list[LineStatus] = []
    reason = []
    size = np.abs(scan.contrast)
    for k in range(len(grid.number)):
        if scan.found[k]:
            status.append("measured")
            reason.append("")
            continue
        own = grid.family == grid.family[k]
        near = scan.found & own
        if near.sum() < max(2, HARDLY * own.sum()):
            status.append("not_measured")
            reason.append("hardly a line of this direction shows: turn the lamp, so that its light falls across them")
            continue
        if seen[k]:
            status.append("not_measured")
            reason.append("something faint lies too far off to be told from a flaw of the paper")
            continue
        log = np.log(size[near])
        middle, spread = float(np.median(log)), max(1.4826 * float(np.median(np.abs(log - np.median(log)))), 0.35)
        most = size[k] + 2 * scan.contrast_std[k]
        faintest = min(float(np.exp(middle - FAINTEST * spread)), 0.7 * float(size[near].min()))
        told = near.sum() >= SHOWS * own.sum() and scan.contrast_std[k] > 0
        if told and any(scan.evidence[k] < nothing and most < part * faintest for nothing, part in NOTHING):
            status.append("missing")
            reason.append("")
        else:
            status.append("not_measured")
            reason.append("too faint in this light to tell from a crease that is not there")
    return tuple(status), tuple(reason)


def _sides(
    observed: Observed, sides: SheetSides, figures: Array, cov: Array, found: Adjusted, lines: int
) -> tuple[SheetSides, Array]:
    """Sides in the frame, the edges' common shift taken out."""
    error, angle = np.full(len(sides.seen), np.nan), np.full(len(sides.seen), np.nan)
    side_cov = np.full((len(sides.seen), 2, 2), np.nan)
    for k in np.flatnonzero(~observed.is_line):
        side = int(observed.index[k]) - lines
        error[side], angle[side] = figures[k, 0] - found.terms[9], np.degrees(figures[k, 1])
        side_cov[side] = cov[2 * k : 2 * k + 2, 2 * k : 2 * k + 2]
    return replace(sides, offset_error_mm=error, angle_error_deg=angle), side_cov


TOLD_STD = 4.0
TOLD_SCATTER = 2.7
"""A systematic error is named when it is this many standard uncertainties and this many times the lines' scatter."""
LEAST_DRIFT_MM = 0.12
LEAST_TURN_DEG = 0.06
LEAST_SIDE_MM, LEAST_SHADED_MM, ROUGH = 0.3, 1.2, 1.8
"""What is smaller than these changes no fold that one can see (common practice, no source). A raking lamp's shadow
beside a sheet on a lighter table may be taken for its edge, farther out by up to LEAST_SHADED_MM; such
an edge is ROUGH times as uneven as the others."""


def _noteworthy(effects: tuple[Effect, ...], found: Adjusted, sides: SheetSides, raked: bool) -> tuple[GridEffect, ...]:
    """Effects large enough to be named, by the mm they move a line or a side."""
    out = []
    for effect, size, cov in zip(effects, found.sizes, found.sizes_cov, strict=True):
        std = float(np.sqrt(cov[0, 0]))
        value = float(size[0])
        if effect.code == "sheet_out_of_true":
            assert effect.side is not None
            swing = abs(float(size[1])) * float(sides.half_mm[effect.side])
            value = value if abs(value) >= swing else float(np.copysign(swing, value))
            rough = sides.straightness_mm[effect.side] > ROUGH * float(np.nanmedian(sides.straightness_mm))
            shadow = raked and sides.darker and value > 0 and rough
            told, moved = abs(value) >= (LEAST_SHADED_MM if shadow else LEAST_SIDE_MM), abs(value)
        elif effect.code == "cumulative_drift":
            told, moved = abs(value) >= max(LEAST_DRIFT_MM, TOLD_SCATTER * found.spread_mm), abs(value)
        else:
            told = abs(value) >= max(np.deg2rad(LEAST_TURN_DEG), TOLD_SCATTER * found.spread_rad)
            moved = abs(value) * float(np.median(sides.half_mm))
            value, std = float(np.degrees(value)), float(np.degrees(std))
        if told and abs(value) >= TOLD_STD * std:
            out.append((moved, GridEffect(effect.code, value, std, effect.family, effect.end, effect.side)))
    return tuple(effect for _, effect in sorted(out, key=lambda pair: -pair[0]))

"""Where each crease lies: places of its blocks by maximum likelihood, a straight line through them, the lens's bow."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from foldtrue.detect.crease_bands import Bands, Paths, Sheet, sample_bands
from foldtrue.detect.crease_looks import learn_look
from foldtrue.detect.crease_paths import Looks, Peaks, best_sense, deviation, path_noise
from foldtrue.frames import Array
from foldtrue.handover import BoolArray, IntArray
from foldtrue.handover_grid import CreaseScan, PlannedGrid

NARROW_ROWS = 0.1
NARROW_MM = 1.0
NARROW_DEG = 0.3
"""How far a line is looked for once its neighbours say where it should be."""
SEEN = 4.5
"""Least signal-to-noise of a whole line where its neighbours say where it should be: about 40 independent places are
looked at, among which Gaussian noise reaches 4.5 once in 3000 lines. Where the paper itself shows more than that beside
the lines, that counts (BESIDE)."""
BESIDE = 1.25
"""A line must stand out by this factor more than 99 of 100 searches half-way between lines."""
LOOK_MM, LEAST_LOOK_MM = 1.2, 0.5
"""Half-width of a look that is learned."""
LEAST_TILT_MM = 0.4
"""At the ends of the longest line its turn is worth at least this."""
APART_MM = 0.7
"""How far from a line as planned nothing of it may be seen: it may lie elsewhere, and has a width."""
FAINT_BLOCK = 0.2
"""A block fainter than this share of its line's mean says nothing of its place."""
CLEAR_BLOCK = 4.0
"""Signal-to-noise of a block whose sense is beyond doubt."""
UNTOLD_SHARE = 0.7
"""Standard deviation, in widths of the look, of a shift whose sign cannot be told."""
LEAST_BLOCKS = 3


@dataclass(frozen=True)
class Fitted:
    """Straight lines through blocks: offset at the foot and angle (L, 2), mm and rad, with covariance (L, 2, 2); ok
    (L,). used (N,) blocks, their shift_mm and std_mm, relative to the band's path; signal_to_noise (N,) of every block,
    negative where it looks the opposite way to its line."""

    figures: Array
    cov: Array
    ok: BoolArray
    used: BoolArray
    shift_mm: Array
    std_mm: Array
    signal_to_noise: Array


def follow_lines(sheet: Sheet, expected: Paths, looks: Looks, step: float) -> tuple[Paths, Looks, CreaseScan]:
    """Learn the looks along the expected lines, find the lines with them, and place their blocks."""
    grid, count = sheet.grid, len(sheet.grid.number)
    window, look, turn_deg = _reach(grid)
    half = window + look + 4 * step
    real = sample_bands(sheet, expected, half, step, beside=False, clip=12.0)
    beside = sample_bands(sheet, expected, half, step, beside=True, clip=12.0)
    looks = _learned(real, expected, looks, grid.family, int(look / step))
    peaks, signal = best_sense(real, looks, grid, window, turn_deg)
    decoys, nothing = best_sense(beside, looks, grid, window, turn_deg)
    noise = path_noise(beside, nothing, grid, window, turn_deg)
    evidence = np.abs(peaks.response) / noise
    beside_evidence = (np.abs(decoys.response) / noise)[decoys.blocks > 0]
    needed = np.full(count, max(SEEN, BESIDE * float(np.percentile(beside_evidence, 99))))
    fitted = _fit(real, signal, beside.line, nothing, peaks, looks, grid.family)
    found = (evidence > needed) & fitted.ok
    paths = Paths(
        np.where(found, expected.offset_mm + fitted.figures[:, 0], expected.offset_mm),
        np.where(found, expected.angle_rad + fitted.figures[:, 1], expected.angle_rad),
        found,
    )
    scale = np.array([look.height for look in looks])[grid.family] / np.sqrt(np.maximum(peaks.blocks, 1))
    used = fitted.used & found[real.line]
    line, s = real.line[used], real.s_mm[used]
    shift = expected.at(line, s) + fitted.shift_mm[used]
    blocks = {"line": line, "s_mm": s, "shift_mm": shift, "std_mm": fitted.std_mm[used]}
    contrast = {"contrast": peaks.response * scale, "contrast_std": noise * scale}
    searched = {"evidence": evidence, "needed": needed, "decoys": beside_evidence, **contrast}
    turncoats = _turncoats(fitted.signal_to_noise[found[real.line]])
    untold = _untold_mm(looks, step)
    cov = fitted.cov + (untold**2)[grid.family, None, None] * np.diag([1.0, 0.0])
    return paths, looks, _scan(sheet, paths, cov, looks, step, turncoats, **searched, **blocks)


def _untold_mm(looks: Looks, step: float) -> Array:
    """(3,) standard deviation of a shift of every line for itself, where a direction shows as plain lines and others as
    pairs of light and shade: the lamp shines nearly along it, the cores outshine the pairs, and these shift each line
    by part of its width, mountains and valleys opposite ways, without a sign of which is which."""
    width = np.array([step / np.sqrt(2 * look.curvature) for look in looks])  # of a Gaussian with this curvature
    plain = np.array([not look.odd for look in looks])
    return np.where(plain & ~plain.all(), UNTOLD_SHARE * width, 0.0)


def _scan(
    sheet: Sheet, paths: Paths, cov: Array, looks: Looks, step: float, turncoats: float, **arrays: Any
) -> CreaseScan:
    """The scan as it is handed on; the lens is not known yet."""
    return CreaseScan(
        map=sheet.map,
        k1_std=np.inf,
        offset_mm=paths.offset_mm,
        angle_rad=paths.angle_rad,
        cov=cov,
        found=paths.known,
        odd=np.array([look.odd for look in looks]),
        sense_shift_mm=step * np.array([look.core_shift for look in looks]) + _untold_mm(looks, step),
        turncoats=turncoats,
        **arrays,
    )


def _reach(grid: PlannedGrid) -> tuple[float, float, float]:
    """How far to the side (mm) and how far turned (deg) a line is looked for, and half the width (mm) of its look.

    In a dense grid less of all three, so that a search half-way between lines does not reach these."""
    window = min(NARROW_ROWS * grid.row_mm, NARROW_MM)
    room = 0.5 * grid.row_mm - APART_MM - window
    look = float(np.clip(room - LEAST_TILT_MM, LEAST_LOOK_MM, LOOK_MM))
    tilt = max(room - look, LEAST_TILT_MM) / (0.5 * float((grid.high_mm - grid.low_mm).max()))
    return window, look, min(NARROW_DEG, float(np.degrees(tilt)))


def _learned(bands: Bands, expected: Paths, looks: Looks, family: IntArray, half: int) -> Looks:
    """Looks from the photo, where a direction has three lines to learn from; else what served so far."""
    out = []
    weight = np.where(expected.known[bands.line], bands.share.mean(1), 0.0)
    for k, look in enumerate(looks):
        own = weight * (family[bands.line] == k)
        enough = len(np.unique(bands.line[own > 0])) >= 3
        out.append(learn_look(bands, own, look, half) if enough else look)
    return out[0], out[1], out[2]


def _fit(
    bands: Bands, signal: Array, beside: IntArray, nothing: Array, start: Peaks, looks: Looks, family: IntArray
) -> Fitted:
    """Gauss-Newton on the places of all blocks at once, each line straight, blocks robustly weighted (Tukey).

    A crease of response A, w off the path, has slope A curvature w there: that is the block's place; its standard
    uncertainty follows from the slopes found where there is no crease.
    """
    count = len(family)
    curvature = np.array([look.curvature for look in looks])[family][bands.line]
    slope = np.gradient(signal, axis=1)
    of = family[bands.line]
    empty = [nothing[family[beside] == f] for f in range(3)]
    level_noise = np.array([deviation(part) for part in empty])[of]
    slope_noise = np.array([deviation(np.gradient(part, axis=1)) for part in empty])[of]
    x = bands.s_mm - start.pivot_mm[bands.line]
    figures = np.stack([start.offset_mm, start.angle_rad], 1)
    for _ in range(5):
        place = figures[bands.line, 0] - figures[bands.line, 1] * x
        height, seen = _heights(_at(bands, signal, place), bands.line, level_noise, count)
        safe = np.where(seen, height, 1.0)
        shift = np.clip(_at(bands, slope, place) / (curvature * safe), -3.0, 3.0) * bands.step_mm
        std = np.where(seen, slope_noise / (curvature * safe) * bands.step_mm, np.inf)
        change, cov, trust, ok = _straight(x, shift, std, bands.line, count)
        figures = figures + np.where(ok[:, None], change, 0.0)
    to_foot = np.zeros((count, 2, 2))
    to_foot[:, 0, 0] = to_foot[:, 1, 1] = 1.0
    to_foot[:, 0, 1] = start.pivot_mm
    at_foot = np.einsum("lij,lj->li", to_foot, figures)
    used = seen & (trust > 0.1) & ok[bands.line]
    ratio = _at(bands, signal, place) / level_noise
    return Fitted(at_foot, to_foot @ cov @ to_foot.transpose(0, 2, 1), ok, used, place + shift, std, ratio)


def _turncoats(signal_to_noise: Array) -> float:
    """Share of the clear blocks whose sense is not their line's."""
    clear = np.abs(signal_to_noise) > CLEAR_BLOCK
    return float(np.mean(signal_to_noise[clear] < 0)) if clear.any() else 0.0


def _at(bands: Bands, values: Array, place_mm: Array) -> Array:
    """Values (B, U) at one place (B,) across each band, linearly between columns."""
    at = np.clip((place_mm - bands.u_mm[0]) / bands.step_mm, 0.0, len(bands.u_mm) - 1.001)
    low = at.astype(np.int64)
    rows = np.arange(len(values))
    return np.asarray(values[rows, low] * (1 - at + low) + values[rows, low + 1] * (at - low))


def _heights(response: Array, line: IntArray, noise: Array, count: int) -> tuple[Array, BoolArray]:
    """How strong each block's crease is, and whether it shows: its own response, smoothed along the line, as far as it
    stands out of the noise, else the whole line's mean."""
    mean = np.bincount(line, response, count) / np.maximum(np.bincount(line, minlength=count), 1)
    own = mean[line] ** 2 / (mean[line] ** 2 + noise**2)
    height = own * _smooth_along(response, line) + (1 - own) * mean[line]
    return height, (mean[line] > 0) & (height > FAINT_BLOCK * mean[line])


def _smooth_along(value: Array, line: IntArray) -> Array:
    """Mean with the neighbouring blocks of the same line, weights 1, 2, 1."""
    before = np.where(np.roll(line, 1) == line, np.roll(value, 1), value)
    after = np.where(np.roll(line, -1) == line, np.roll(value, -1), value)
    return np.asarray(0.25 * before + 0.5 * value + 0.25 * after)


def _straight(x: Array, shift: Array, std: Array, line: IntArray, count: int) -> tuple[Array, Array, Array, BoolArray]:
    """Lines shift = e - angle x by weighted least squares with Tukey's weights; changes (L, 2), covariances (L, 2, 2)
    widened where residuals exceed their stds, block weights, and which lines have enough blocks."""
    trust = np.ones_like(x)
    weight0 = np.where(np.isfinite(std), 1.0 / std**2, 0.0)
    ok = np.bincount(line, weight0 > 0, count) >= LEAST_BLOCKS
    figures, cov = np.zeros((count, 2)), np.tile(np.eye(2), (count, 1, 1))
    for _ in range(6):
        w = weight0 * trust
        s0, s1, s2 = (np.bincount(line, w * f, count) for f in (np.ones_like(x), -x, x * x))
        normal = np.stack([np.stack([s0, s1], 1), np.stack([s1, s2], 1)], 1)
        ok = ok & (s0 * s2 - s1 * s1 > 1e-9 * np.maximum(s0, 1e-12) * np.maximum(s2, 1e-12))
        normal[~ok] = np.eye(2)
        right = np.stack([np.bincount(line, w * shift, count), np.bincount(line, -w * shift * x, count)], 1)
        figures = np.where(ok[:, None], np.linalg.solve(normal, right[:, :, None])[:, :, 0], 0.0)
        rest = (shift - figures[line, 0] + figures[line, 1] * x) * np.sqrt(weight0)
        scale = np.maximum(1.0, _spread(rest, weight0 > 0, line, count))
        z = rest / (4.685 * scale[line])
        trust = np.where(np.abs(z) < 1, (1 - z * z) ** 2, 0.0)
    free = np.maximum(np.bincount(line, (weight0 > 0) * trust, count) - 2, 1.0)
    excess = np.maximum(1.0, np.bincount(line, trust * rest**2, count) / free)
    cov[ok] = np.linalg.inv(normal[ok]) * excess[ok, None, None]
    return figures, cov, trust, ok


def _spread(rest: Array, used: BoolArray, line: IntArray, count: int) -> Array:
    """Robust standard deviation of each line's normalised residuals."""
    from foldtrue.subpixel import group_median

    return 1.4826 * group_median(np.abs(rest[used]), line[used], count)

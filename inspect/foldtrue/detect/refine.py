"""Refine each acquired edge to sub-pixel accuracy: maximum-likelihood step fits, block by block, on the photo's own
pixels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.detect.scan import CrossLines, Targets, block_mean, cross_lines_at
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import BoolArray, IntArray
from foldtrue.subpixel import Image, StepFits, cross_lines, fit_steps, group_median, robust_line

FOOT = 0.01
"""Share of its own step that a neighbour's blurred foot may add to a profile: shifts it by a hundredth of the blur."""
LEAST_CLEAR, MOST_CLEAR = 1.5, 3.5
"""Limits of the distance kept from a neighbour, in blurs."""


@dataclass(frozen=True)
class Refined:
    """Edge arrays (E,): offset_mm, slope_mm, contrast (left minus right), evidence (contrast / its uncertainty),
    blur_px. Block arrays (B,): edge, interval, t, place_mm (measured offset), std_mm, px_per_mm; trust (B,) robustness
    weight of the line fit. clipped (I,): the interval's bright side is over-exposed."""

    offset_mm: Array
    slope_mm: Array
    contrast: Array
    evidence: Array
    blur_px: Array
    edge: IntArray
    interval: IntArray
    t: Array
    place_mm: Array
    std_mm: Array
    px_per_mm: Array
    trust: Array
    clipped: BoolArray


@dataclass(frozen=True)
class _Profiles:
    """Block-averaged profiles (B, K) at u (K,) px, which samples are usable (B, K), and what the blocks belong to."""

    value: Array
    usable: BoolArray
    u: Array
    px_per_mm: Array
    lines: CrossLines
    wanted: Array
    clipped: BoolArray


@dataclass(frozen=True)
class _Round:
    """One round of step fits: every edge's line in px (offset, slope) and blur (E,); blocks' places px, stds, trust."""

    offset: Array
    slope: Array
    blur: Array
    place: Array
    std: Array
    trust: Array
    relative: Array
    relative_std: Array


def refine(
    image: Image,
    targets: Targets,
    plane: PlaneMap,
    start: tuple[Array, Array],
    expected: Array,
    blur_px: Array,
    clip_level: float,
    spacing_px: float,
    rounds: int = 2,
) -> Refined:
    """Maximum-likelihood places of every block of every edge, started from the lines start = (offset, slope) (E,) mm.

    expected: (I,) planned steps, their sign and rough size; blur_px: (E,) first guess. Samples at or above clip_level
    carry no place and are left out. spacing_px: between cross-lines; 1 uses every pixel once.
    """
    edges = len(targets.crease)
    profiles = _sample(image, targets, plane, start, expected, float(np.median(blur_px)), clip_level, spacing_px)
    lines = profiles.lines
    now = _Round(np.zeros(edges), np.zeros(edges), blur_px, *([np.zeros(0)] * 5))
    for _ in range(rounds if len(lines.block_edge) else 0):
        now = _one_round(profiles, now, edges)
    if not len(lines.block_edge):
        nothing = np.zeros(edges)
        none = np.zeros(0)
        index = np.zeros(0, np.int64)
        return Refined(*start, nothing, nothing, blur_px, index, index, none, none, none, none, none, profiles.clipped)
    evidence, contrast = _evidence(now, profiles, edges)
    count = np.maximum(np.bincount(lines.block_edge, minlength=edges), 1)
    scale = np.bincount(lines.block_edge, profiles.px_per_mm, edges) / count
    mm = np.where(scale > 0, 1 / np.where(scale > 0, scale, 1), 0)
    base = start[0][lines.block_edge] + start[1][lines.block_edge] * (lines.block_t - 0.5)
    return Refined(
        offset_mm=start[0] + now.offset * mm,
        slope_mm=start[1] + now.slope * mm,
        contrast=contrast,
        evidence=evidence,
        blur_px=now.blur,
        edge=lines.block_edge,
        interval=lines.block_interval,
        t=lines.block_t,
        place_mm=base + now.place / profiles.px_per_mm,
        std_mm=now.std / profiles.px_per_mm,
        px_per_mm=profiles.px_per_mm,
        trust=now.trust,
        clipped=profiles.clipped,
    )


def _sample(
    image: Image,
    targets: Targets,
    plane: PlaneMap,
    start: tuple[Array, Array],
    expected: Array,
    blur: float,
    clip_level: float,
    spacing_px: float,
) -> _Profiles:
    half = int(np.ceil(2.5 * blur + 2.5))
    middle = 0.5 * (targets.start_mm + targets.end_mm)
    scale = float(np.median(np.hypot(*plane.jacobian(middle)[:, :, 0].T)))
    lines = cross_lines_at(
        targets,
        plane,
        *start,
        margin_mm=(1.5 * blur + 1.0) / scale,
        clear_mm=3.0 * blur / scale,
        spacing_px=spacing_px,
        half_width_px=half,
        block_px=6.0 * spacing_px,
    )
    blocks = len(lines.block_edge)
    u = np.arange(-half, half + 1, dtype=float)
    if not blocks:
        empty = np.zeros((0, len(u)))
        return _Profiles(empty, empty > 0, u, np.zeros(0), lines, np.zeros(0), np.zeros(len(targets.edge), bool))
    raw = cross_lines(image, lines.low_px, lines.high_px, len(u))
    clipped = block_mean((raw >= clip_level).astype(np.float32), lines.block, blocks)
    value = block_mean(raw, lines.block, blocks).astype(float)
    # Where one whole side is full (the lamp beside the piece, thin paper over-exposed) its plateau is kept: such a
    # step is shifted, but all of its kind alike, and the fit takes that out. Single full samples carry no place and
    # are dropped.
    in_interval = np.maximum(np.bincount(lines.block_interval, minlength=len(targets.edge)), 1)
    one_side = (clipped > 0.5).mean(1) > 0.3
    full = np.bincount(lines.block_interval, one_side, len(targets.edge)) > 0.5 * in_interval
    usable = np.isfinite(value) & ((clipped < 0.02) | full[lines.block_interval][:, None])
    usable &= np.abs(u)[None, :] <= _room(lines, targets, _clear_px(targets, expected, blur))[:, None]
    px_per_mm = np.bincount(lines.block, lines.px_per_mm, blocks) / np.bincount(lines.block, minlength=blocks)
    return _Profiles(value, usable, u, px_per_mm, lines, expected[lines.block_interval], full)


def _clear_px(targets: Targets, expected: Array, blur: float) -> Array:
    """How far (I, 2) px each interval must keep from the edges that meet it at either end, so that their blurred feet
    add no more than a hundredth of its own step: a large step next to a small one reaches farther."""
    from scipy.special import ndtri

    step = np.zeros(int(max(targets.stretch.max(initial=-1), targets.rival.max(initial=-1))) + 1)
    np.maximum.at(step, targets.stretch, np.abs(expected))
    rival = np.where(targets.rival >= 0, step[targets.rival], 0.0)
    ratio = rival / np.maximum(np.abs(expected), 1e-12)[:, None]
    return np.asarray(blur * np.clip(ndtri(1 - FOOT / np.maximum(ratio, 2 * FOOT)), LEAST_CLEAR, MOST_CLEAR))


def _room(lines: CrossLines, targets: Targets, clear_px: Array) -> Array:
    """How far (px) each block may look to either side before the edges that meet at its interval's ends come within
    clear_px (I, 2)."""
    cotangent = targets.sharpness[lines.block_interval]
    sine = 1.0 / np.sqrt(1.0 + cotangent**2)
    room = (lines.block_ends_px * sine - clear_px[lines.block_interval]) / np.maximum(cotangent * sine, 1e-9)
    return np.asarray(room.min(1))


def _one_round(profiles: _Profiles, before: _Round, edges: int) -> _Round:
    """Step fits about the current lines, one contrast per edge, then new lines and blurs."""
    edge, t = profiles.lines.block_edge, profiles.lines.block_t
    limit = 0.6 * profiles.u[-1]
    blur = before.blur[edge]
    enough = profiles.usable.sum(1) >= np.minimum(0.6 * len(profiles.u), 2.6 * blur + 1.0)
    place = np.clip(before.offset[edge] + before.slope[edge] * (t - 0.5), -limit, limit)
    fit = fit_steps(profiles.value, profiles.u, place, blur, None, profiles.usable)
    relative = fit.contrast / profiles.wanted
    height = group_median(relative[enough], edge[enough], edges)
    # One block's own contrast is noisy, the edge's is not: what a block shifts is its moment over the edge's contrast.
    common = height[edge] * profiles.wanted
    ratio = fit.contrast / np.where(np.abs(common) < 1e-12, 1e-12, common)
    shift = fit.shift * ratio
    good = enough & (ratio > 0.4) & (ratio < 2.0) & (np.abs(shift) < 1.5 * blur + 1.0)
    noise = _noise(fit, good, edge, edges)
    std = noise * np.sqrt(fit.shift_var) * np.abs(ratio)
    measured = place + np.clip(shift, -2 * blur, 2 * blur)
    offset, slope, trust = robust_line(t, measured, good / np.maximum(std, 1e-6) ** 2, edge, edges, spread=0.02)
    used = good & (trust > 0.3)
    new_blur = _updated_blur(before.blur, fit, ratio, used, edge, edges)
    spread = noise * np.sqrt(fit.contrast_var) / np.abs(profiles.wanted)
    return _Round(offset, slope, new_blur, measured, std, trust * good, np.where(enough, relative, np.nan), spread)


def _noise(fit: StepFits, good: BoolArray, edge: IntArray, edges: int) -> Array:
    """Noise (B,) of a sample in each block: its own, drawn towards its edge's as far as blocks differ by chance alone.

    A block knows its noise poorly, from ten samples or so; weights by it make a line a tenth less sure than equal ones
    where all pixels are alike, since what seems quiet by chance gets the most say. But on textured paper some blocks
    are truly quieter. How much more the logarithms of the variances scatter than chance makes them (trigamma of half
    the degrees of freedom) tells how many samples the edge's noise counts for. Source: moderated variances, Smyth,
    Stat. Appl. Genet. Mol. Biol. 3 (2004) 3 [from memory].
    """
    from scipy.special import polygamma

    own = fit.rss / np.maximum(fit.dof, 1.0)
    usual = group_median(own[good], edge[good], edges)[edge]
    told = good & (fit.dof >= 4) & (own > 0) & (usual > 0)
    apart = np.log(own[told] / usual[told])
    excess = float(np.var(apart) - np.mean(polygamma(1, fit.dof[told] / 2))) if told.any() else 0.0
    count = 2 / max(excess, 1e-3)
    return np.asarray(np.sqrt((fit.rss + count * usual) / (fit.dof + count)))


def _updated_blur(blur: Array, fit: StepFits, ratio: Array, used: BoolArray, edge: IntArray, edges: int) -> Array:
    """Each edge's blur after one Gauss-Newton step, pulled towards the piece's median where few blocks tell."""
    change = group_median(np.clip((fit.blur_change * ratio)[used], -0.5, 0.5), edge[used], edges)
    count = np.bincount(edge[used], minlength=edges)
    overall = float(np.median(blur * (1 + change))) if len(blur) else 1.0
    shrunk = (count * blur * (1 + 0.7 * change) + 6 * overall) / (count + 6)
    return np.asarray(np.clip(shrunk, 0.45, 8.0))


def _evidence(now: _Round, profiles: _Profiles, edges: int) -> tuple[Array, Array]:
    """Signal to noise and size of each edge's step in the planned sense, from the spread between its own blocks."""
    ok = np.isfinite(now.relative)
    edge = profiles.lines.block_edge
    n = np.bincount(edge[ok], minlength=edges)
    middle = group_median(now.relative[ok], edge[ok], edges)
    spread = 1.4826 * group_median(np.abs(now.relative - middle[edge])[ok], edge[ok], edges)
    pixel = group_median(now.relative_std[ok], edge[ok], edges)
    std = np.sqrt(spread**2 + pixel**2 + 1e-12) / np.sqrt(np.maximum(n, 1))
    wanted = np.bincount(edge, profiles.wanted, edges) / np.maximum(np.bincount(edge, minlength=edges), 1)
    return np.where(n >= 2, middle / std, 0.0), middle * wanted

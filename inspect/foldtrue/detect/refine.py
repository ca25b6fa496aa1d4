"""Refine each acquired edge to sub-pixel accuracy: maximum-likelihood step fits, block by block, on the photo's own
pixels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.detect.scan import CrossLines, Targets, block_mean, cross_lines_at
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import BoolArray
from foldtrue.subpixel import Image, StepFits, cross_lines, fit_steps, group_median, robust_line


@dataclass(frozen=True)
class Refined:
    """Edge arrays (E,): offset_mm, slope_mm, contrast (left minus right), evidence (contrast / its uncertainty),
    blur_px.
    Block arrays (B,): edge, t, offset_mm (measured), std_mm, px_per_mm; trust (B,) robustness weight of the line fit.
    clipped (I,): the interval's bright side is over-exposed."""

    offset_mm: Array
    slope_mm: Array
    contrast: Array
    evidence: Array
    blur_px: Array
    edge: Array
    interval: Array
    t: Array
    place_mm: Array
    std_mm: Array
    px_per_mm: Array
    trust: Array
    clipped: BoolArray


def refine(
    image: Image,
    targets: Targets,
    plane: PlaneMap,
    start: tuple[Array, Array],
    expected: Array,
    blur_px: Array,
    clip_level: float,
    spacing_px: float,
    rounds: int = 3,
) -> Refined:
    """Maximum-likelihood places of every block of every edge, started from the lines start = (offset, slope) (E,) mm.

    expected: (I,) planned steps, their sign and rough size; blur_px: (E,) first guess. Samples at or above clip_level
    carry no place and are left out. spacing_px: between cross-lines; 1 uses every pixel once.
    """
    edges = len(targets.crease)
    blur = float(np.median(blur_px))
    half = int(np.ceil(2.5 * blur + 2.5))
    scale = float(np.median(np.hypot(*plane.jacobian(0.5 * (targets.start_mm + targets.end_mm))[:, :, 0].T)))
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
    if not blocks:
        empty = np.zeros(0)
        none = np.zeros(edges)
        return Refined(
            *start,
            none,
            none,
            blur_px,
            np.zeros(0, np.int64),
            np.zeros(0, np.int64),
            *([empty] * 5),
            np.zeros(len(targets.edge), bool),
        )
    raw = cross_lines(image, lines.low_px, lines.high_px, 2 * half + 1)
    clipped = block_mean((raw >= clip_level).astype(np.float32), lines.block, blocks)
    profile = block_mean(raw, lines.block, blocks).astype(float)
    # Where one whole side is full (the lamp beside the piece, thin paper over-exposed) its plateau is kept: such a
    # step is shifted, but all of its kind alike, and the fit takes that out. Single full samples carry no place and
    # are dropped.
    full = np.bincount(lines.block_interval, (clipped > 0.5).mean(1) > 0.3, len(targets.edge)) > 0.5 * np.maximum(
        np.bincount(lines.block_interval, minlength=len(targets.edge)), 1
    )
    usable = np.isfinite(profile) & ((clipped < 0.02) | full[lines.block_interval][:, None])
    u = np.arange(-half, half + 1, dtype=float)
    room = _room(lines, targets, blur)
    usable &= np.abs(u)[None, :] <= room[:, None]
    px_per_mm = np.bincount(lines.block, lines.px_per_mm, blocks) / np.bincount(lines.block, minlength=blocks)
    return _iterate(profile, usable, u, px_per_mm, lines, targets, start, expected, blur_px, rounds, full)


def _room(lines: CrossLines, targets: Targets, blur: float) -> Array:
    """How far (px) each block may look to either side before the edges that meet at its interval's ends come within
    1.8 blurs."""
    cotangent = targets.sharpness[lines.block_interval]
    sine = 1.0 / np.sqrt(1.0 + cotangent**2)
    with np.errstate(divide="ignore"):
        room = (lines.block_ends_px * sine - 1.8 * blur) / np.maximum(cotangent * sine, 1e-9)
    return np.asarray(room.min(1))


def _iterate(
    profile: Array,
    usable: BoolArray,
    u: Array,
    px_per_mm: Array,
    lines: CrossLines,
    targets: Targets,
    start: tuple[Array, Array],
    expected: Array,
    blur_px: Array,
    rounds: int,
    full: BoolArray,
) -> Refined:
    edges = len(targets.crease)
    edge = lines.block_edge
    wanted = expected[lines.block_interval]
    enough = usable.sum(1) >= np.minimum(0.6 * len(u), 2.6 * blur_px[edge] + 1.0)
    offset, slope = np.zeros(edges), np.zeros(edges)
    blur = blur_px.copy()
    limit = 0.6 * u[-1]
    for _ in range(rounds):
        place = np.clip(offset[edge] + slope[edge] * (lines.block_t - 0.5), -limit, limit)
        height = _pooled_contrast(fit_steps(profile, u, place, blur[edge], wanted, usable), wanted, edge, enough, edges)
        fit = fit_steps(profile, u, place, blur[edge], height[edge] * wanted, usable)
        ratio = fit.contrast / np.where(height[edge] == 0, 1, height[edge]) / wanted
        good = enough & (ratio > 0.4) & (ratio < 2.0) & (np.abs(fit.shift) < 1.5 * blur[edge] + 1.0)
        noise = np.sqrt(fit.rss / np.maximum(fit.dof, 1.0))
        noise = np.maximum(noise, 0.3 * group_median(noise, edge, edges)[edge])
        std = noise * np.sqrt(fit.shift_var)
        weight = good / np.maximum(std, 1e-6) ** 2
        measured = place + np.clip(fit.shift, -2 * blur[edge], 2 * blur[edge])
        offset, slope, trust = robust_line(lines.block_t, measured, weight, edge, edges, spread=0.02)
        blur = _updated_blur(blur, fit, good & (trust > 0.3), edge, edges)
    evidence, contrast = _evidence(fit, wanted, noise, edge, enough, edges)
    mean_scale = np.bincount(edge, px_per_mm, edges) / np.maximum(np.bincount(edge, minlength=edges), 1)
    back = np.where(mean_scale > 0, 1 / np.where(mean_scale > 0, mean_scale, 1), 0)
    base = start[0][edge] + start[1][edge] * (lines.block_t - 0.5)
    return Refined(
        start[0] + offset * back,
        start[1] + slope * back,
        contrast,
        evidence,
        blur,
        edge,
        lines.block_interval,
        lines.block_t,
        base + measured / px_per_mm,
        std / px_per_mm,
        px_per_mm,
        trust * good,
        full,
    )


def _pooled_contrast(fit: StepFits, wanted: Array, edge: Array, enough: BoolArray, edges: int) -> Array:
    """Step height of each edge relative to the planned one: the median over its blocks."""
    return group_median((fit.contrast / wanted)[enough], edge[enough], edges)


def _updated_blur(blur: Array, fit: StepFits, good: BoolArray, edge: Array, edges: int) -> Array:
    change = group_median(np.clip(fit.blur_change[good], -0.5, 0.5), edge[good], edges)
    count = np.bincount(edge[good], minlength=edges)
    overall = float(np.median(blur * (1 + change))) if len(blur) else 1.0
    own = blur * (1 + 0.7 * change)
    shrunk = (count * own + 6 * overall) / (count + 6)
    return np.clip(shrunk, 0.45, 8.0)


def _evidence(
    fit: StepFits, wanted: Array, noise: Array, edge: Array, enough: BoolArray, edges: int
) -> tuple[Array, Array]:
    """Signal to noise and size of each edge's step in the planned sense, from the spread between its own blocks."""
    relative = np.where(enough, fit.contrast / wanted, 0.0)
    n = np.bincount(edge, enough, edges)
    middle = group_median(relative[enough], edge[enough], edges)
    spread = 1.4826 * group_median(np.abs(relative - middle[edge])[enough], edge[enough], edges)
    pixel = group_median((noise * np.sqrt(fit.contrast_var) / np.abs(wanted))[enough], edge[enough], edges)
    std = np.sqrt(spread**2 + pixel**2 + 1e-12) / np.sqrt(np.maximum(n, 1))
    size = np.bincount(edge, np.abs(wanted), edges) / np.maximum(np.bincount(edge, minlength=edges), 1)
    sign = np.sign(np.bincount(edge, wanted, edges))
    return np.where(n >= 2, middle / std, 0.0), middle * size * sign

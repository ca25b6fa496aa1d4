"""Refine each acquired edge to sub-pixel accuracy: maximum-likelihood step fits, block by block, on the photo's own
pixels."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from foldtrue.detect.scan import CrossLines, Targets, block_mean, cross_lines_at
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import BoolArray, IntArray
from foldtrue.subpixel import (
    Image,
    StepFits,
    cross_lines,
    fit_steps,
    group_median,
    interpolated_step,
    robust_line,
)

FOOT = 0.01
"""Share of its own step that a neighbour's blurred foot may add to a profile: shifts it by a hundredth of the blur."""
LEAST_CLEAR, MOST_CLEAR = 1.5, 3.5
"""Limits of the distance kept from a neighbour, in blurs."""
USUAL_REACH, LONG_REACH = (2.5, 2.5), (4.0, 1.5)
"""How far to either side of an edge is read: so many blurs and so many px. The usual one, where an edge is only
approached; and the longest of those that are tried where it is measured: at 3 px of blur not knowing the two levels
then costs 1.26 times the limit, at the usual one 1.36."""
FOOT_REACH = 3.0
"""How many blurs a reach beyond the usual one stays away from edges alongside."""
LEAST_REACH = (1.6, 0.5)
LEAST_REACH_PX = 4.0
"""The shortest reach that is tried, so many of the edge's own blurs and px, and px: nearer in, levels, blur and place
can hardly be told apart."""
SHARP = 1.3
"""Below this blur (px) what interpolation does to a step is taken off: above, it moves no edge by 0.005 px."""
ALIKE = 1.02
"""Of reaches whose blocks scatter alike, to this factor, the longest is taken."""
_TRIED = 6
_TELLING = 600
"""Numbers of reaches that are tried, and of blocks of each kind of step that are asked."""


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
    """Block-averaged profiles (B, K) at u (K,) px, which samples are usable (B, K), and what the blocks (B,) belong to:
    edge, place t on it, interval, planned step. lines: the cross-lines averaged in them. clipped: (I,) as in
    `Refined`."""

    value: Array
    usable: BoolArray
    u: Array
    px_per_mm: Array
    edge: IntArray
    t: Array
    interval: IntArray
    wanted: Array
    clipped: BoolArray
    lines: CrossLines

    def pick(self, rows: IntArray) -> _Profiles:
        """These blocks alone."""
        per_block = ("value", "usable", "px_per_mm", "edge", "t", "interval", "wanted")
        return replace(self, **{name: getattr(self, name)[rows] for name in per_block})

    def within(self, place: Array, reach: Array) -> _Profiles:
        """The same with no samples farther than reach (B,) px from place (B,)."""
        return replace(self, usable=self.usable & (np.abs(self.u - place[:, None]) <= reach[:, None]))


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

    def at(self, edge: IntArray, t: Array) -> Array:
        """Where (N,) px the lines of these edges lie."""
        return np.asarray(self.offset[edge] + self.slope[edge] * (t - 0.5))


def refine(
    image: Image,
    targets: Targets,
    plane: PlaneMap,
    start: tuple[Array, Array],
    expected: Array,
    blur_px: Array,
    clip_level: float,
    spacing_px: float,
    last: bool = False,
) -> Refined:
    """Maximum-likelihood places of every block of every edge, started from the lines start = (offset, slope) (E,) mm.

    expected: (I,) planned steps, their sign and rough size; blur_px: (E,) first guess. Samples at or above clip_level
    carry no place and are left out. spacing_px: between cross-lines; 1 uses every pixel once. last: the start is close,
    its blur known, and the targets end where the edges meet; each kind of step is then read as far out as serves it
    best, see `_best_reach`.
    """
    edges = len(targets.crease)
    guess = float(np.median(blur_px))
    profiles = _sample(image, targets, plane, start, expected, guess, clip_level, spacing_px, last)
    now = _Round(np.zeros(edges), np.zeros(edges), blur_px, *([np.zeros(0)] * 5))
    if not len(profiles.edge):
        nothing = np.zeros(edges)
        none = np.zeros(0)
        index = np.zeros(0, np.int64)
        return Refined(*start, nothing, nothing, blur_px, index, index, none, none, none, none, none, profiles.clipped)
    now = _one_round(profiles, now, edges)
    if last:
        if guess < SHARP:
            profiles = _without_interpolation(profiles, now, edges)
        layers = np.sort(np.stack([targets.layers_left, targets.layers_right], 1), 1)
        kind = np.unique(layers, axis=0, return_inverse=True)[1].ravel()[profiles.interval]
        reach = _best_reach(profiles, now, kind, edges)
        narrow = profiles.within(now.at(profiles.edge, profiles.t), reach)
        now = replace(_one_round(narrow, now, edges), blur=now.blur)
    else:
        now = _one_round(profiles, now, edges)
    evidence, contrast = _evidence(now, profiles, edges)
    edge, t = profiles.edge, profiles.t
    count = np.maximum(np.bincount(edge, minlength=edges), 1)
    scale = np.bincount(edge, profiles.px_per_mm, edges) / count
    mm = np.where(scale > 0, 1 / np.where(scale > 0, scale, 1), 0)
    base = start[0][edge] + start[1][edge] * (t - 0.5)
    return Refined(
        offset_mm=start[0] + now.offset * mm,
        slope_mm=start[1] + now.slope * mm,
        contrast=contrast,
        evidence=evidence,
        blur_px=now.blur,
        edge=edge,
        interval=profiles.interval,
        t=t,
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
    last: bool,
) -> _Profiles:
    middle = 0.5 * (targets.start_mm + targets.end_mm)
    scale = float(np.median(np.hypot(*plane.jacobian(middle)[:, :, 0].T)))
    usual, long = (int(np.ceil(blurs * blur + px)) for blurs, px in (USUAL_REACH, LONG_REACH))
    half = long if last else usual
    unsure_px = 0.0 if last else 1.0  # where edges meet is known once the network has been adjusted
    lines = cross_lines_at(
        targets,
        plane,
        *start,
        margin_mm=(1.5 * blur + unsure_px) / scale,
        clear_mm=3.0 * blur / scale,
        spacing_px=spacing_px,
        half_width_px=half,
        block_px=6.0 * spacing_px,
    )
    blocks = len(lines.block_edge)
    u = np.arange(-half, half + 1, dtype=float)
    if not blocks:
        empty = np.zeros((0, len(u)))
        none, index = np.zeros(0), np.zeros(0, np.int64)
        return _Profiles(empty, empty > 0, u, none, index, none, index, none, np.zeros(len(targets.edge), bool), lines)
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
    px_per_mm = np.bincount(lines.block, lines.px_per_mm, blocks) / np.bincount(lines.block, minlength=blocks)
    room = _room(lines, targets, _clear_px(targets, expected, blur))
    beside = targets.beside_mm[lines.block_interval] * px_per_mm - FOOT_REACH * blur
    usable &= np.abs(u)[None, :] <= np.minimum(room, np.maximum(beside, usual))[:, None]
    edge, t, interval = lines.block_edge, lines.block_t, lines.block_interval
    return _Profiles(value, usable, u, px_per_mm, edge, t, interval, expected[interval], full, lines)


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
    edge, t = profiles.edge, profiles.t
    limit = 0.6 * profiles.u[-1]
    blur = before.blur[edge]
    enough = profiles.usable.sum(1) >= np.minimum(0.6 * len(profiles.u), 2.6 * blur + 1.0)
    place = np.clip(before.at(edge, t), -limit, limit)
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


def _without_interpolation(profiles: _Profiles, now: _Round, edges: int) -> _Profiles:
    """The profiles with that taken off which linear interpolation between pixels makes of a sharp step, beyond
    widening its blur: on an edge along the pixels' rows it is the same all along, and moves the edge."""
    lines = profiles.lines
    ok = np.isfinite(now.relative)
    height = group_median(now.relative[ok], profiles.edge[ok], edges)
    place, blur = now.at(lines.edge, lines.t), now.blur[lines.edge]
    more = interpolated_step(lines.low_px, lines.high_px, lines.growth, place, blur, profiles.u)
    step = (height[profiles.edge] * profiles.wanted)[:, None]
    return replace(profiles, value=profiles.value - step * block_mean(more, lines.block, len(profiles.edge)))


def _best_reach(profiles: _Profiles, now: _Round, kind: IntArray, edges: int) -> Array:
    """How far (B,) px from its edge each block is best read: as far as makes the blocks of its kind (B,) of step
    scatter least about the straight lines of their edges.

    Against white noise far samples help, since they tell the levels on both sides; but the clouds of real paper make
    the levels differ from one place to the next, and the more so the farther out. Which of the two rules depends on
    paper, light, camera and step, and shows in the photo itself.
    """
    least = np.maximum(LEAST_REACH[0] * now.blur + LEAST_REACH[1], LEAST_REACH_PX)[profiles.edge]
    most = float(profiles.u[-1])
    reach = np.full(len(kind), most)
    tried = np.unique(np.round(np.linspace(min(float(np.median(least)), most), most, _TRIED)))
    for k in np.unique(kind):
        rows = _some_edges(profiles.edge, np.flatnonzero(kind == k))
        some = profiles.pick(rows)
        number, edge = np.unique(some.edge, return_inverse=True)
        some = replace(some, edge=edge.astype(np.int64))
        line = replace(now, offset=now.offset[number], slope=now.slope[number], blur=now.blur[number])
        place = line.at(some.edge, some.t)
        fits = [_one_round(some.within(place, np.maximum(least[rows], r)), line, len(number)) for r in tried]
        good = np.all([fit.trust > 0.3 for fit in fits], 0)
        if good.sum() < 30:
            continue
        rest = [fit.place - fit.at(some.edge, some.t) for fit in fits]
        scatter = np.array([np.mean(np.abs(r[good])) for r in rest])
        reach[kind == k] = tried[scatter <= ALIKE * scatter.min()][-1]
    return np.asarray(np.maximum(reach, least))


def _some_edges(edge: IntArray, rows: IntArray) -> IntArray:
    """Of these rows those of every so manieth edge, about as many as are asked."""
    every = -(-len(rows) // _TELLING)
    number = np.unique(edge[rows], return_inverse=True)[1].ravel()
    return np.asarray(rows[number % every == 0])


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
    edge = profiles.edge
    n = np.bincount(edge[ok], minlength=edges)
    middle = group_median(now.relative[ok], edge[ok], edges)
    spread = 1.4826 * group_median(np.abs(now.relative - middle[edge])[ok], edge[ok], edges)
    pixel = group_median(now.relative_std[ok], edge[ok], edges)
    std = np.sqrt(spread**2 + pixel**2 + 1e-12) / np.sqrt(np.maximum(n, 1))
    wanted = np.bincount(edge, profiles.wanted, edges) / np.maximum(np.bincount(edge, minlength=edges), 1)
    return np.where(n >= 2, middle / std, 0.0), middle * wanted

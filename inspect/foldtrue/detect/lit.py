"""Edges seen from the camera's side: found and measured by how their kind looks in this photo (looks.py)."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from foldtrue.detect.acquire import Lines, best_lines, quick_profiles, shrink, to_small
from foldtrue.detect.brink import brink_shifts, find_brinks
from foldtrue.detect.decoys import (
    DECOYS_PITCH,
    DECOYS_WINDOWS,
    above_chance,
    clear_of_plan,
    decoy_blocks,
    planned_points,
)
from foldtrue.detect.looks import (
    Looks,
    fit_looks,
    flank_weights,
    learn_looks,
    look_kernels,
    look_responses,
    others_kernels,
    relative_light,
    without_tone,
)
from foldtrue.detect.scan import CrossLines, Targets, block_mean, cross_lines_at
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import BoolArray, IntArray, Nominal
from foldtrue.stretches import OUTER, PLEAT, RIM, SIDE, lit_kinds, stretch_ends
from foldtrue.subpixel import Image, cross_lines, group_median, robust_line

LEAST_AMPLITUDE = 0.2
"""Of the kind's usual look that a part of an edge must show to be measured."""
FLANK_LOOKS = 0.35
"""Reach of a look's flank, as a share of half the look's width."""
LEAST_STD_MM, MOST_MM = 1e-4, 1e3
"""No block is read better than the one, no kind worse than the other."""
DRAWN_MM = 0.3
"""No change of tone draws an edge farther."""
FEW_BLOCKS = 5
"""Blocks that an edge must have left before they tell how steady a way of reading is: two always lie on a line."""


@dataclass(frozen=True, kw_only=True)
class LitPass:
    """One search: window_pitch, half its width; look_pitch, half the width of a look; max_slope, steepest edge error,
    rad; prior_pitch, usual size of an error, breaks ties. All in pitches but the slope."""

    window_pitch: float
    look_pitch: float
    max_slope: float
    prior_pitch: float


@dataclass(frozen=True)
class LitTargets:
    """What to look for: targets; of every interval (I,) its kind and the sense of its facing (+1 = along the normal);
    of every edge (E,) its kind and the other crease in its groove, the edge's own elsewhere; of every kind (K,) whether
    its edges are steps from paper down to paper; plan: tree of points on all planned edges; bare: (E,) no paper beyond
    the edge."""

    targets: Targets
    kind: IntArray
    facing: Array
    kind_of_edge: IntArray
    other: IntArray
    kinds: int
    steps: BoolArray
    plan: Any
    bare: BoolArray

    def pick_edges(self, edges: IntArray) -> LitTargets:
        """The targets of these edges alone, numbered in the order given; kinds stay as they are."""
        targets, intervals = self.targets.pick_edges(edges)
        return replace(
            self,
            targets=targets,
            kind=self.kind[intervals],
            facing=self.facing[intervals],
            kind_of_edge=self.kind_of_edge[edges],
            other=self.other[edges],
            bare=self.bare[edges],
        )


@dataclass(frozen=True)
class LitLines:
    """State of all edges (E,): offset and slope mm as in `Lines`, found, and the kinds (K,) that show in this light."""

    offset_mm: Array
    slope_mm: Array
    found: BoolArray
    shows: BoolArray


@dataclass(frozen=True)
class LitBlocks:
    """Measured blocks (B,) of the lines: place_mm, std_mm, trust; of every edge (E,) the height of its look, relative
    light, and its evidence, strength over its uncertainty."""

    lines: CrossLines
    place_mm: Array
    std_mm: Array
    trust: Array
    height: Array
    evidence: Array


def lit_targets(targets: Targets, nominal: Nominal, view: str) -> LitTargets:
    """Targets of a front or back view with the kind of every interval."""
    kinds = lit_kinds(nominal, view)
    kind, facing = kinds.kind[targets.stretch], kinds.facing[targets.stretch].astype(float)
    first = targets.first_stretch
    other = np.where(kinds.partner[first] >= 0, kinds.partner[first], targets.crease)
    count = int(kinds.kind.max(initial=-1)) + 1
    steps = np.zeros(count, bool)
    steps[kinds.kind[np.isin(kinds.kind_type, (SIDE, PLEAT))]] = True
    plan = planned_points(*stretch_ends(nominal, view), nominal.pitch_mm)
    bare = np.isin(kinds.kind_type[first], (RIM, OUTER))
    return LitTargets(targets, kind, facing, kinds.kind[first], other, count, steps, plan, bare)


def search(image: Image, lit: LitTargets, plane: PlaneMap, now: LitLines, wanted: LitPass, pitch_mm: float) -> LitLines:
    """Look for every edge within a window about its current line, with looks learned at the current lines.

    An edge counts as found when its match stands out of what the same search finds beside it, where nothing is planned;
    a kind shows when its edges together do (decoys.py).
    """
    targets = lit.targets
    window, half_look = wanted.window_pitch * pitch_mm, wanted.look_pitch * pitch_mm
    scale = px_per_mm(targets, plane)
    factor = max(1, int(window * scale / 16))
    small, step = shrink(image, factor), factor / scale
    half, margin = max(int(np.ceil(window / step)), 4), max(int(np.ceil(half_look / step)), 3)
    looks: Looks | None = None
    found: list[Lines] = []
    prior = wanted.prior_pitch * pitch_mm
    away = max(DECOYS_PITCH, DECOYS_WINDOWS * wanted.window_pitch)
    for beside in (0.0, -away, away):
        start = (now.offset_mm + beside * pitch_mm, now.slope_mm)
        lines, profile, inside = coarse_profiles(small, lit, plane, start, factor, half + margin, step, window)
        kind = lit.kind[lines.block_interval]
        if looks is None:
            middle = profile[:, half : half + 2 * margin + 1]
            looks = learn_looks(middle[inside], kind[inside], lit.kinds, step)
            seen = middle[inside], kind[inside], lines.block_edge[inside]
            others = others_kernels(looks, *seen, lit.kind_of_edge)
        if beside:
            clear = clear_of_plan(lines, targets, start, (half + margin) * step, lit.plan, pitch_mm)
            inside &= decoy_blocks(clear, lines, lit.kind_of_edge, lit.kinds)
        rest = (lines, targets, (now.offset_mm, now.slope_mm), 1.0 / step, half, wanted.max_slope, prior, inside)
        found.append(best_lines(_responses(profile, others, lines, lit, inside), *rest))
        if not beside:
            all_of_kind = look_kernels(looks)[lit.kind_of_edge]
            at = best_lines(_responses(profile, all_of_kind, lines, lit, inside), *rest)
    assert looks is not None
    # Whether an edge is there the others' look says; where it is, the look of all, whose zero is their mean.
    stands_out, shows = above_chance(found[0], found[1:], lit.kind_of_edge, looks.known)
    return LitLines(at.offset_mm, at.slope_mm, stands_out, shows)


def _responses(profile: Array, filters: Array, lines: CrossLines, lit: LitTargets, inside: BoolArray) -> Array:
    """Responses (B, W) of relative profiles to the filters (E, N) of their edges, along the left normal."""
    response = np.clip(look_responses(profile, filters, lines.block_edge), -0.5, 1.3)  # no block outvotes the others
    response[~inside] = 0.0
    flipped = lit.facing[lines.block_interval] < 0
    response[flipped] = response[flipped, ::-1]
    return response


def coarse_profiles(
    small: Image,
    lit: LitTargets,
    plane: PlaneMap,
    start: tuple[Array, Array],
    factor: int,
    half: int,
    step: float,
    window: float,
) -> tuple[CrossLines, Array, BoolArray]:
    """Relative profiles (B, 2 half + 1) along the facing, block by block, on the reduced picture."""
    lines = cross_lines_at(
        lit.targets,
        plane,
        *start,
        margin_mm=0.15 * window,
        clear_mm=0.2 * window,
        spacing_px=1.6 * factor,
        half_width_px=half * factor,
        block_px=8.0 * factor,
        half_width_mm=half * step,
    )
    raw = quick_profiles(small, to_small(lines.low_px, factor), to_small(lines.high_px, factor), 2 * half + 1)
    return lines, *oriented(raw, lines, lit)


def oriented(raw: Image, lines: CrossLines, lit: LitTargets) -> tuple[Array, BoolArray]:
    """Block means of raw profiles as relative light along the facing, and which blocks lie wholly on the photo."""
    value = block_mean(raw, lines.block, len(lines.block_edge)).astype(float)
    inside = np.isfinite(value).all(axis=1)
    profile = relative_light(np.where(inside[:, None], value, 1.0))
    flipped = lit.facing[lines.block_interval] < 0
    profile[flipped] = profile[flipped, ::-1]
    return profile, np.asarray(inside)


def measure(
    image: Image,
    lit: LitTargets,
    plane: PlaneMap,
    now: LitLines,
    look_pitch: float,
    pitch_mm: float,
    spacing_px: float,
    rounds: int = 3,
    level: bool = False,
) -> tuple[LitLines, LitBlocks]:
    """Fit the found edges block by block on the photo's own pixels, learning the looks anew at every round.

    level: take off, at the end, what a change of tone across each edge has drawn it by: the whole edge, for how it
    turns is told better without. Not before, since the change is taken to lie where the edge is found.
    """
    targets, edges = lit.targets, len(lit.targets.crease)
    scale = px_per_mm(targets, plane)
    half, step = max(int(np.ceil(look_pitch * pitch_mm * scale)), 5), 1.0 / scale
    result: LitBlocks | None = None
    for _ in range(rounds):
        laid = now
        lines = cross_lines_at(
            targets,
            plane,
            now.offset_mm,
            now.slope_mm,
            margin_mm=(3.0 + 0.3 * half) * step,
            clear_mm=0.8 * half * step,
            spacing_px=spacing_px,
            half_width_px=half,
            block_px=6.0 * spacing_px,
            half_width_mm=half * step,
        )
        profile, inside = oriented(cross_lines(image, lines.low_px, lines.high_px, 2 * half + 1), lines, lit)
        use = inside & now.found[lines.block_edge]
        result = _fit_blocks(profile, use, lines, lit, now, step, half)
        result, (offset, slope) = _lined(result, edges, step)
        edge = lines.block_edge
        keep = now.found & (np.bincount(edge[result.trust > 0], minlength=edges) >= 4)
        now = replace(
            now,
            offset_mm=np.where(keep, offset, now.offset_mm),
            slope_mm=np.where(keep, slope, now.slope_mm),
            found=keep,
        )
    assert result is not None
    if level:
        drawn = _drawn_by_tone((profile, use, lines), lit, laid, step, half, offset)
        drawn = np.where(now.found, drawn, 0.0)
        now = replace(now, offset_mm=now.offset_mm - drawn)
        result = replace(result, place_mm=result.place_mm - drawn[edge])
    return now, result


def _lined(blocks: LitBlocks, edges: int, step: float) -> tuple[LitBlocks, tuple[Array, Array]]:
    """The blocks with those off their edge's own straight line trusted less, and these lines: offset, slope (E,)."""
    edge, weight = blocks.lines.block_edge, blocks.trust / blocks.std_mm**2
    offset, slope, steady = robust_line(blocks.lines.block_t, blocks.place_mm, weight, edge, edges, spread=0.02 * step)
    return replace(blocks, trust=blocks.trust * steady), (offset, slope)


def _drawn_by_tone(
    seen: tuple[Array, BoolArray, CrossLines],
    lit: LitTargets,
    now: LitLines,
    step: float,
    half: int,
    offset_mm: Array,
) -> Array:
    """How far (E,) mm along its normal a change of tone has drawn each edge, which comes out at offset_mm (E,) with it;
    0 beside the table, where that change is the edge itself. seen: profiles, those in use, where they lie; now: the
    lines they were laid across."""
    profile, use, lines = seen
    edge, edges = lines.block_edge, len(offset_mm)
    even = np.where(lit.bare[edge][:, None], profile, without_tone(profile, edge, use, edges))
    _, (level, _) = _lined(_fit_blocks(even, use, lines, lit, now, step, half), edges, step)
    drawn = offset_mm - level
    return np.where((np.abs(drawn) < DRAWN_MM) & ~lit.bare, drawn, 0.0)


def _fit_blocks(
    profile: Array, use: BoolArray, lines: CrossLines, lit: LitTargets, now: LitLines, step: float, half: int
) -> LitBlocks:
    """Blocks read in several ways, averaged kind by kind: each way counts by how steady it leaves the places along
    their edges. Of a step from paper to paper the far side of its shadow does not count: how wide a shadow is may
    change along an edge as steadily as the edge itself."""
    kind, edge = lit.kind[lines.block_interval], lines.block_edge
    looks = learn_looks(profile[use], kind[use], lit.kinds, step)
    whole, fall, rise = (
        _fit_one_way(profile, use, lines, lit, now, looks, weight, half)
        for weight in flank_weights(looks, FLANK_LOOKS * half * step)
    )
    brink = _fit_brinks(profile, use, lines, lit, now, looks, fall)
    ways = (whole, fall, rise, brink)
    every = np.ones(lit.kinds, bool)
    counts = np.stack([every, every, ~lit.steps, lit.steps])
    steady = np.array([_unsteadiness(way, lines, lit) ** -2 for way in ways])
    by_edge = np.where(counts, steady, 0.0)
    by_edge = (by_edge / by_edge.sum(axis=0))[:, lit.kind_of_edge]
    height, evidence = (np.sum([getattr(w, f) for w in ways] * by_edge, 0) for f in ("height", "evidence"))
    # A block that a way could not read has no say in it.
    share = by_edge[:, edge] * np.array([w.trust for w in ways])
    trust = share.sum(axis=0)
    share = share / np.maximum(trust, 1e-300)
    place, std = (np.sum([getattr(w, f) for w in ways] * share, 0) for f in ("place_mm", "std_mm"))
    return LitBlocks(lines, place, np.maximum(std, LEAST_STD_MM), trust, height, evidence)


def _unsteadiness(way: LitBlocks, lines: CrossLines, lit: LitTargets) -> Array:
    """Per kind (K,): median over its blocks of how far they lie off their edge's own straight line, mm, by the root of
    their number; large where blocks were dropped, or too few are left of every edge to lie off it."""
    edge, edges = lines.block_edge, len(lit.kind_of_edge)
    kind = lit.kind[lines.block_interval]
    number = np.bincount(edge[way.trust > 0], minlength=edges)[edge]
    used = (way.trust > 0) & (number >= FEW_BLOCKS)
    offset, slope, _ = robust_line(lines.block_t, way.place_mm, way.trust / way.std_mm**2, edge, edges)
    off = np.abs(way.place_mm - offset[edge] - slope[edge] * (lines.block_t - 0.5))
    off = off * np.sqrt(number / np.maximum(number - 2.0, 1.0))
    count = np.bincount(kind[used], minlength=lit.kinds)
    typical = np.maximum(group_median(off[used], kind[used], lit.kinds), LEAST_STD_MM)
    return np.asarray(np.where(count > 0, typical / np.sqrt(np.maximum(count, 1)), MOST_MM))


def _fit_one_way(
    profile: Array,
    use: BoolArray,
    lines: CrossLines,
    lit: LitTargets,
    now: LitLines,
    looks: Looks,
    weight: Array,
    half: int,
) -> LitBlocks:
    edge, edges = lines.block_edge, len(lit.targets.crease)
    kind, step = lit.kind[lines.block_interval], looks.step_mm
    fit = fit_looks(profile, kind, looks, weight)
    # One block's own amplitude is noisy, the edge's is not: what a block shifts is its moment over the edge's. It may
    # grow along the edge, as the shadow of a facet that stands off at one end does.
    level, growth, _ = robust_line(lines.block_t, fit.amplitude, use.astype(float), edge, edges, spread=0.05)
    usual = np.maximum(level[edge] + growth[edge] * (lines.block_t - 0.5), LEAST_AMPLITUDE)
    scatter = 1.4826 * group_median(np.abs(fit.amplitude - usual)[use], edge[use], edges)
    count = np.bincount(edge[use], minlength=edges)
    evidence = np.where(count >= 2, level / (scatter / np.sqrt(np.maximum(count, 1)) + 1e-3), 0.0)
    shift, ratio = fit.shift_mm / usual, fit.amplitude / usual
    alike = ((ratio > 0.3) & (ratio < 2.5)) | (np.abs(fit.amplitude - usual) < 2.5 * scatter[edge])
    good = use & looks.known[kind] & alike & (np.abs(shift) < 0.5 * half * step)
    std = np.maximum(fit.noise * np.sqrt(fit.shift_var) / usual, 1e-4)
    facing = lit.facing[lines.block_interval]
    base = now.offset_mm[edge] + now.slope_mm[edge] * (lines.block_t - 0.5)
    place = base + facing * np.clip(shift, -half * step, half * step)
    return LitBlocks(lines, place, std, good.astype(float), level * looks.height[lit.kind_of_edge], evidence)


def _fit_brinks(
    profile: Array, use: BoolArray, lines: CrossLines, lit: LitTargets, now: LitLines, looks: Looks, fitted: LitBlocks
) -> LitBlocks:
    """Blocks read where the paper on top ends; fitted: what the look's own fit says of the edges."""
    edge, edges = lines.block_edge, len(lit.targets.crease)
    kind = lit.kind[lines.block_interval]
    shift, clear = brink_shifts(profile, kind, find_brinks(looks))
    good = use & looks.known[kind] & clear
    base = now.offset_mm[edge] + now.slope_mm[edge] * (lines.block_t - 0.5)
    place = base + lit.facing[lines.block_interval] * shift * looks.step_mm
    offset, slope, _ = robust_line(lines.block_t, place, good.astype(float), edge, edges)
    off = np.abs(place - offset[edge] - slope[edge] * (lines.block_t - 0.5))
    scatter = 1.4826 * group_median(off[good], edge[good], edges)
    std = np.maximum(np.nan_to_num(scatter, nan=0.0), LEAST_STD_MM)[edge]
    return replace(fitted, place_mm=place, std_mm=std, trust=good.astype(float))


def px_per_mm(targets: Targets, plane: PlaneMap) -> float:
    """Median px per mm over the edges."""
    middle = 0.5 * (targets.start_mm + targets.end_mm)
    return float(np.median(np.hypot(*plane.jacobian(middle)[:, :, 0].T)))

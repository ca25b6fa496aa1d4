"""The grid's unused creases on the twists that lie on top, measured as lines of the paper itself.

From the camera's side half of a twist's own edges hardly show, and a groove does not say whose edge it is. The creases
that cross a twist show from side to side, light or dark, and are the paper: where they lie, it lies. What they look
like is learned from the photo as for edges (looks.py), but for the sense: each line of the grid was creased to one side
or the other, so a look's strength has a sign of its own on every crease.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.detect.acquire import PRIOR_COUNTS, best_lines
from foldtrue.detect.grain import Grain, grain_of
from foldtrue.detect.lit import px_per_mm
from foldtrue.detect.looks import LookFits, Looks, fit_looks_in_grain, look_responses, look_slopes, relative_light
from foldtrue.detect.scan import CrossLines, Targets, block_mean, cross_lines_at, cut, seen_stretches
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import BoolArray, IntArray, Nominal
from foldtrue.handover_precreases import Precreases, PrecreaseSamples
from foldtrue.precreases import precreases
from foldtrue.stretches import stretch_ends
from foldtrue.subpixel import Image, cross_lines, group_mean, group_median, robust_line

LOOK_PITCH = 0.12
"""Half the width of a look, in pitches: creases are looked for no farther from where the network has them."""
LEAST_PITCH = 0.75
"""Length that a crease must have, in pitches, to be looked for."""
LEAST_OF_KIND = 8
"""Creases of one direction that a look can be learned from."""
SEARCHES, READINGS, ROUGHLY = 3, 2, 2.0
"""How often creases are looked for and then read, each time about the last lines; all but the last so much coarser."""
MOST_SLOPE, ASTRAY_PITCH = 0.05, 0.02
"""Steepest error of a direction that is looked for, rad, and usual error of a place, pitches, of a network without
creases."""
NARROWER = 6
"""Of what is looked at across a crease so small a part, at either side, is where else it may lie."""
MOST_RESPONSE = 2.0
"""No block counts for more than so many usual creases."""
LEAST_EVIDENCE = 5.0
"""How many times its uncertainty a crease's strength must be."""
LOPSIDED, NO_CHANCE = 0.35, 3.0
"""Reach of what is asked which side of a crease is the lighter one, as a share of half a look, and how many times what
grain makes of it the difference must be."""
LEAST_STRENGTH = 0.1
"""Of the usual one; only keeps faint ones from dividing by zero."""
BLOCK_LINES, LEAST_BLOCKS = 4.0, 5
"""Cross-lines to a block, where they lie closest, and blocks that a crease must have left."""
LEAST_STD_MM = 1e-4
"""No block is read better."""


@dataclass(frozen=True)
class PrecreaseTargets:
    """What to look for: creases (G,), one target edge each, and their kind (G,)."""

    creases: Precreases
    kind: IntArray
    targets: Targets


def find_precreases(nominal: Nominal, view: str) -> PrecreaseTargets | None:
    """The unused creases of the twists' polygons that nothing covers in this view, cut where edges and other creases
    meet them; None where there are too few."""
    covered = nominal.above[:, 1 if view == "front" else 0]
    on_top = np.array([f.kind == "twist" for f in nominal.facets]) & ~np.isin(np.arange(len(nominal.facets)), covered)
    if not on_top.any():
        return None
    every = precreases(nominal)
    ends = every.ends(nominal.vertices_mm)
    length = np.hypot(*(ends[:, 1] - ends[:, 0]).T)
    use = np.flatnonzero(on_top[every.facet] & (length > LEAST_PITCH * nominal.pitch_mm))
    if len(use) < LEAST_OF_KIND:
        return None
    chosen, ends = every.pick(use), ends[use]
    along = ends[:, 1] - ends[:, 0]
    kind = np.rint(np.degrees(np.arctan2(along[:, 1], along[:, 0])) / 30.0).astype(np.int64) % 6
    a, b = stretch_ends(nominal, view)
    seen = seen_stretches(nominal, view)
    a, b = np.concatenate([a[seen], ends[:, 0]]), np.concatenate([b[seen], ends[:, 1]])
    targets = cut(_whole(ends, chosen.normals(nominal.vertices_mm)), a, b, nominal.pitch_mm)
    return PrecreaseTargets(chosen, kind, targets)


def _whole(ends: Array, normal: Array) -> Targets:
    """Every crease, ends (G, 2, 2) mm, normal (G, 2), as one interval."""
    count = len(ends)
    number, none = np.arange(count), np.full(count, -1)
    return Targets(
        crease=none,
        start_mm=ends[:, 0],
        end_mm=ends[:, 1],
        normal=normal,
        length_mm=np.hypot(*(ends[:, 1] - ends[:, 0]).T),
        edge=number,
        stretch=none,
        t0=np.zeros(count),
        t1=np.ones(count),
        sharpness=np.zeros((count, 2)),
        rival=np.full((count, 2), -1),
        layers_left=np.ones(count, np.int64),
        layers_right=np.ones(count, np.int64),
        silhouette=np.zeros(count, bool),
        beside_mm=np.full(count, np.inf),
    )


def measure_precreases(
    image: Image, wanted: PrecreaseTargets, plane: PlaneMap, nominal: Nominal, vertices_mm: Array, spacing_px: float
) -> PrecreaseSamples:
    """Samples of the creases that show, looked for where an adjusted network vertices_mm (V, 2) has the facets."""
    targets = wanted.targets
    moved = wanted.creases.ends(vertices_mm - nominal.vertices_mm)
    start, end = (np.sum(moved[:, k] * targets.normal, 1) for k in (0, 1))
    reader = _Reader(image, wanted, plane, nominal.pitch_mm, BLOCK_LINES * spacing_px)
    about = now = (0.5 * (start + end), end - start)
    for _ in range(SEARCHES):
        now = reader.search(now, about, ROUGHLY * spacing_px)
    for spacing in (*[ROUGHLY * spacing_px] * (READINGS - 1), spacing_px):
        read = reader.read(now, spacing)
        offset, slope, _ = robust_line(
            read.lines.block_t, read.place_mm, read.good / read.std_mm**2, read.lines.block_edge, len(start)
        )
        near = read.enough & (np.abs(offset - about[0]) < LOOK_PITCH * nominal.pitch_mm)
        near &= np.abs(slope - about[1]) < MOST_SLOPE * targets.length_mm
        now = np.where(near, offset, now[0]), np.where(near, slope, now[1])
    found = near & (read.evidence > LEAST_EVIDENCE)
    rows = np.flatnonzero(read.good & found[read.lines.block_edge])
    return PrecreaseSamples(
        creases=wanted.creases,
        kind=read.kind,
        crease=read.lines.block_edge[rows],
        t=read.lines.block_t[rows],
        offset_mm=read.place_mm[rows],
        std_mm=read.std_mm[rows],
        piece=read.lines.block_interval[rows],
    )


@dataclass(frozen=True)
class _Read:
    """Blocks (B,): lines, place_mm, std_mm, good; of every crease (G,): evidence, the strength of its look over its
    uncertainty, whether there are enough good blocks, and its kind."""

    lines: CrossLines
    place_mm: Array
    std_mm: Array
    good: BoolArray
    evidence: Array
    enough: BoolArray
    kind: IntArray


@dataclass(frozen=True)
class _Learned:
    """What profiles across creases (G,) tell: the mean (G, N) of each over its blocks (G,), the paper's grain, and the
    looks."""

    mean: Array
    blocks: IntArray
    grain: Grain
    looks: Looks

    @property
    def use(self) -> BoolArray:
        """Which creases (G,) have enough blocks."""
        return self.blocks >= LEAST_BLOCKS


@dataclass(frozen=True)
class _Reader:
    """Where creases are read, and how: block_px, length of a block along them."""

    image: Image
    wanted: PrecreaseTargets
    plane: PlaneMap
    pitch_mm: float
    block_px: float

    def search(self, now: tuple[Array, Array], about: tuple[Array, Array], spacing_px: float) -> tuple[Array, Array]:
        """The lines near those now, offset and slope (G,) mm, along which most of the creases' look is seen, in either
        sense; about: where they are expected."""
        kind = self.wanted.kind
        lines, profile, inside = self._profiles(now, spacing_px)
        edge, window = lines.block_edge, profile.shape[1] // NARROWER
        learned = self._learn(profile[:, window:-window], edge, inside)
        looks, grain = learned.looks, learned.grain
        if not looks.known.any():
            return now
        kernels = looks.value @ grain.free_of_even()
        kernels /= np.maximum(np.sum(kernels * looks.value, 1, keepdims=True), 1e-12)
        strength = np.abs(np.sum(learned.mean * kernels[kind], 1))
        kernels /= np.maximum(group_median(strength[learned.use], kind[learned.use], len(kernels)), 1e-9)[:, None]
        response = np.clip(look_responses(profile, kernels[kind], edge), -MOST_RESPONSE, MOST_RESPONSE)
        response[~inside] = 0.0
        # The surer the usual crease is, in standard deviations, the less what was expected counts.
        chance = np.einsum("kn,nm,km->k", kernels, grain.cov, kernels)[looks.known]
        sure = float(np.sqrt(np.median(learned.blocks[learned.use]) / np.median(chance)))
        prior = np.sqrt(PRIOR_COUNTS) * sure * ASTRAY_PITCH * self.pitch_mm
        start = (now[0] - about[0], now[1] - about[1])
        rest = (lines, self.wanted.targets, start, 1.0 / looks.step_mm, window, MOST_SLOPE, prior, inside)
        light, dark = (best_lines(sense * response, *rest) for sense in (1.0, -1.0))
        better, use = light.score >= dark.score, looks.known[kind] & learned.use
        offset = about[0] + np.where(better, light.offset_mm, dark.offset_mm)
        slope = about[1] + np.where(better, light.slope_mm, dark.slope_mm)
        return np.where(use, offset, now[0]), np.where(use, slope, now[1])

    def read(self, now: tuple[Array, Array], spacing_px: float) -> _Read:
        """Read all creases about their lines, offset and slope (G,) mm."""
        kind = self.wanted.kind
        lines, profile, inside = self._profiles(now, spacing_px)
        edge, count = lines.block_edge, len(kind)
        learned = self._learn(profile, edge, inside)
        looks = learned.looks
        fit = fit_looks_in_grain(profile, kind[edge], looks, learned.grain)
        strength, evidence = _strengths(fit, edge, inside, count)
        usual = group_median(np.abs(strength), kind, len(looks.known))[kind]
        least = np.maximum(LEAST_STRENGTH * usual, 1e-9)
        sure = np.where(strength < 0, -1.0, 1.0) * np.maximum(np.abs(strength), least)
        shift = fit.shift_mm / sure[edge]
        good = inside & looks.known[kind[edge]] & (np.abs(shift) < 0.5 * LOOK_PITCH * self.pitch_mm)
        base = now[0][edge] + now[1][edge] * (lines.block_t - 0.5)
        std = np.maximum(fit.noise * np.sqrt(fit.shift_var) / np.abs(sure[edge]), LEAST_STD_MM)
        enough = np.bincount(edge[good], minlength=count) >= LEAST_BLOCKS
        sense = 3 * (strength < 0) + _lit_side(learned, kind)
        return _Read(lines, base + shift, std, good, evidence, enough, 6 * kind + sense)

    def _learn(self, profile: Array, edge: IntArray, inside: BoolArray) -> _Learned:
        """From profiles (B, N) of blocks of creases (B,), those inside (B,) the photo."""
        kind = self.wanted.kind
        mean = mean_profiles(profile, edge, inside, len(kind))
        blocks = np.bincount(edge[inside], minlength=len(kind))
        grain = grain_of(profile, edge, inside, len(kind))
        step = 1.0 / px_per_mm(self.wanted.targets, self.plane)
        return _Learned(mean, blocks, grain, learn_signed_looks(mean, blocks >= LEAST_BLOCKS, kind, step, grain))

    def _profiles(self, now: tuple[Array, Array], spacing_px: float) -> tuple[CrossLines, Array, BoolArray]:
        """Relative profiles (B, N) along the left normal, and which blocks lie on the photo."""
        targets = self.wanted.targets
        scale = px_per_mm(targets, self.plane)
        half = max(int(np.ceil(LOOK_PITCH * self.pitch_mm * scale)), 5)
        lines = cross_lines_at(
            targets,
            self.plane,
            *now,
            margin_mm=(3.0 + 0.3 * half) / scale,
            clear_mm=0.8 * half / scale,
            spacing_px=spacing_px,
            half_width_px=half,
            block_px=self.block_px,
            half_width_mm=half / scale,
        )
        raw = cross_lines(self.image, lines.low_px, lines.high_px, 2 * half + 1)
        value = block_mean(raw, lines.block, len(lines.block_edge)).astype(float)
        inside = np.isfinite(value).all(axis=1)
        return lines, relative_light(np.where(inside[:, None], value, 1.0)), np.asarray(inside)


def learn_signed_looks(mean: Array, use: BoolArray, kind: IntArray, step_mm: float, grain: Grain) -> Looks:
    """The look (K, N) that creases of each kind (G,) have in common but for its strength and sense: the first principal
    component of their mean profiles (G, N), of those in use (G,), in the grain's terms. None counts for much more than
    the usual one."""
    kinds = int(kind.max()) + 1
    value, known = np.zeros((kinds, mean.shape[1])), np.zeros(kinds, bool)
    for k in range(kinds):
        own = mean[(kind == k) & use] @ grain.root
        if len(own) < LEAST_OF_KIND:
            continue
        size = np.sqrt(np.sum(own**2, 1))
        own = own / np.sqrt(size**2 + np.median(size) ** 2 + 1e-30)[:, None]
        look = np.linalg.svd(own, full_matrices=False)[2][0] @ grain.unroot
        value[k], known[k] = look / np.linalg.norm(look), True
    return Looks(value, np.ones_like(value), step_mm, np.ptp(value, axis=1), known)


def mean_profiles(profile: Array, edge: IntArray, use: BoolArray, creases: int) -> Array:
    """Mean profile (G, N) of the blocks in use of every crease, freed of an even slope of light."""
    count = profile.shape[1]
    mean = group_mean(profile[use], edge[use], creases)
    even = np.stack([np.ones(count), np.linspace(-1, 1, count)], 1)
    return np.asarray(mean - (mean @ even) @ np.linalg.inv(even.T @ even) @ even.T)


def _lit_side(learned: _Learned, kind: IntArray) -> IntArray:
    """Whether there is more light on the right (1) of a crease's own place (G,) or on the left (2), near it; 0 where
    grain could make the difference.

    One side of a crease faces the lamp and one does not: where the look is that of one side, creases of opposite sense
    are read on opposite sides of their middle.
    """
    looks, grain = learned.looks, learned.grain
    away_mm = fit_looks_in_grain(learned.mean, kind, looks, grain).shift_mm  # for unit strength
    there = learned.mean + away_mm[:, None] * look_slopes(looks)[kind]
    place = np.linspace(-1, 1, there.shape[1])
    weight = place * np.exp(-0.5 * (place / LOPSIDED) ** 2)
    more = there @ weight
    chance = np.sqrt(weight @ grain.cov @ weight / np.maximum(learned.blocks, 1))
    return np.where(np.abs(more) > NO_CHANCE * chance, np.where(more > 0, 2, 1), 0)


def _strengths(fit: LookFits, edge: IntArray, use: BoolArray, count: int) -> tuple[Array, Array]:
    """Strength (G,) of the look in each crease, with its sign, and that over its uncertainty by the blocks' scatter."""
    level = group_median(fit.amplitude[use], edge[use], count)
    scatter = 1.4826 * group_median(np.abs(fit.amplitude - level[edge])[use], edge[use], count)
    number = np.maximum(np.bincount(edge[use], minlength=count), 1)
    return level, np.abs(level) / (1.25 * scatter / np.sqrt(number) + 1e-9)

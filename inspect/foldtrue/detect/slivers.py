"""What shows where two folds lie on one line against the light: bright or dark slivers, measured as thin bars.

A bar thinner than the blur has no edges of its own to be found, but the light it adds or takes away has: height times
width. From the photo's own levels follows how much brighter a place with two layers less is, and how much darker one
with two more, so the width follows; where enough light is added or taken, so does the place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.detect.scan import Targets, block_mean, cross_lines_at, split_at_crossings, targets_of
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import BoolArray, IntArray, Nominal
from foldtrue.handover_slivers import WIDEST, Slivers
from foldtrue.stretches import left_normals, partners, place_numbers
from foldtrue.subpixel import BarFits, Image, cross_lines, fit_bands, fit_bars, group_median, robust_line
from foldtrue.transmission import stack_transmittance

BESIDE = 3.0
"""Half of what is looked at across a sliver, in blurs, and the bar itself."""
PLACED = 4.0
"""How many times its uncertainty the light of a sliver must be for it to have a place."""
USUAL = {-2: 2.0, 2: 0.6}
"""Light through two layers less and two more over that through three, white copying paper (common practice, no
source)."""
ABSORBED = 0.02
"""Share of the light that a sheet of white paper keeps (common practice, no source)."""
PAPERS = np.linspace(0.02, 0.95, 94)
"""Share of the light that it lets through, thick to thin."""


@dataclass(frozen=True)
class SliverTargets:
    """Where to look: targets, every stretch a line of its own; second: (G,) the other crease on each; sense (G,)."""

    targets: Targets
    second: IntArray
    sense: Array


def find_slivers(nominal: Nominal) -> SliverTargets | None:
    """The lines on which exactly two folds lie, their papers on opposite sides and three layers or more beside them,
    cut where other edges cross; None where the plan has none."""
    s = nominal.views["backlit"]
    fold = nominal.creases.kind[s.crease] != "R"
    use = fold & (s.shared == 2) & (s.layers_left == s.layers_right) & (s.layers_left > 2) & (s.t1 > s.t0)
    partner = partners(nominal, "backlit", use)
    use &= partner >= 0
    rows = np.flatnonzero(use)
    rows = np.sort(rows[np.unique(place_numbers(nominal, "backlit")[rows], return_index=True)[1]])
    normal = left_normals(nominal, s.crease[rows])
    own, other = (_paper_side(nominal, crease, normal) for crease in (s.crease[rows], partner[rows]))
    rows, sense = rows[own * other < 0], own[own * other < 0]
    if not len(rows):
        return None
    targets = targets_of(nominal, "backlit", rows, np.arange(len(use)))
    return SliverTargets(split_at_crossings(targets, nominal, "backlit"), partner[rows], sense)


def _paper_side(nominal: Nominal, crease: IntArray, normal: Array) -> Array:
    """+1 where the paper at each fold (N,) lies on the side its normal (N, 2) points to, else -1."""
    side = np.empty(len(crease))
    for k, c in enumerate(crease):
        facet = int(nominal.creases.facets[c].max())
        middle = nominal.vertices_mm[nominal.creases.ends[c]].mean(0)
        paper = nominal.vertices_mm[list(nominal.facets[facet].vertices)].mean(0)
        side[k] = 1.0 if float((paper - middle) @ normal[k]) > 0 else -1.0
    return side


def measure_slivers(
    image: Image,
    wanted: SliverTargets,
    plane: PlaneMap,
    nominal: Nominal,
    lines: tuple[Array, Array],
    widths_mm: Array,
    light: dict[int, float],
    blur_px: float,
    clip_level: float,
    spacing_px: float,
) -> Slivers:
    """Light and place of the sliver in every block of every line.

    lines: offset and slope (G,) mm of the middle between the two folds, where it is looked for; widths_mm: (G,) of
    each there, > 0 a gap. light: through each number of layers, as from `light_by_layers`; blur_px: of the photo's
    edges. Blocks with a sample at or above clip_level are left out: what is lost of a burnt-out sliver cannot be told.
    """
    targets = wanted.targets
    layers = np.zeros(len(targets.crease), np.int64)
    layers[targets.edge] = targets.layers_left
    open_, lapped = (np.array([light_ratio(light, n, n + step) for n in layers.tolist()]) - 1 for step in (-2, 2))
    middle = 0.5 * (targets.start_mm + targets.end_mm)
    scale = float(np.median(np.hypot(*plane.jacobian(middle)[:, :, 0].T)))
    broad = np.abs(widths_mm) * scale >= WIDEST * blur_px
    parts = []
    for which, told in ((~broad, _thin), (broad, _wide)):
        look = _Look(image, targets, plane, lines, np.where(which, widths_mm, 0.0) * scale, scale, blur_px, clip_level)
        blocks = _sampled(look, which, spacing_px)
        parts.append((blocks, told(blocks, (open_, lapped), blur_px)))

    def both(name: str, of: int) -> Array:
        return np.concatenate([getattr(part[of], name) for part in parts])

    return Slivers(
        creases=np.stack([targets.crease, wanted.second], 1),
        sense=wanted.sense,
        layers=layers,
        blur_mm=blur_px / scale,
        open=open_,
        lapped=lapped,
        resolved=broad,
        line=both("line", 0).astype(np.int64),
        t=both("t", 0),
        area_mm=both("area", 1) / both("px_per_mm", 0),
        area_std_mm=both("area_std", 1) / both("px_per_mm", 0),
        middle_mm=both("base_mm", 0) + both("place", 1) / both("px_per_mm", 0),
        middle_std_mm=both("place_std", 1) / both("px_per_mm", 0),
        piece=both("piece", 0).astype(np.int64),
    )


@dataclass(frozen=True)
class _Look:
    """What to look at, and how: widths_px (G,) of the slivers, > 0 a gap; scale: px per mm."""

    image: Image
    targets: Targets
    plane: PlaneMap
    lines: tuple[Array, Array]
    widths_px: Array
    scale: float
    blur_px: float
    clip_level: float


@dataclass(frozen=True)
class _Blocks:
    """Block-averaged profiles value (M, K) at u (K,) px, none of it over-exposed: line, t, piece (M,), px_per_mm (M,),
    base_mm (M,) where u = 0 lies, from the planned line; width_px (M,) that is expected; lines: how many there are."""

    value: Array
    u: Array
    line: IntArray
    t: Array
    piece: IntArray
    px_per_mm: Array
    base_mm: Array
    width_px: Array
    lines: int


@dataclass(frozen=True)
class _Told:
    """Of every block (M,), px: signed area and place, with stds."""

    area: Array
    area_std: Array
    place: Array
    place_std: Array


def _sampled(look: _Look, which: BoolArray, spacing_px: float) -> _Blocks:
    """Profiles across the lines `which` (G,), far enough to either side, and clear of other edges."""
    blur, scale, targets = look.blur_px, look.scale, look.targets
    half = int(np.ceil(BESIDE * blur + 2.5 + 0.5 * np.abs(look.widths_px).max(initial=0.0)))
    edges = np.flatnonzero(which)
    some, _ = targets.pick_edges(edges)
    at = cross_lines_at(
        some,
        look.plane,
        look.lines[0][edges],
        look.lines[1][edges],
        margin_mm=(1.5 * blur + 1.0) / scale,
        clear_mm=(half + 2.0 * blur) / scale,
        spacing_px=spacing_px,
        half_width_px=half,
        block_px=6.0 * spacing_px,
    )
    u = np.arange(-half, half + 1, dtype=float)
    raw = cross_lines(look.image, at.low_px, at.high_px, len(u))
    blocks = len(at.block_edge)
    value = block_mean(raw, at.block, blocks).astype(float)
    full = block_mean((raw >= look.clip_level).astype(np.float32), at.block, blocks)
    keep = np.flatnonzero(np.isfinite(value).all(1) & (full == 0).all(1))
    px_per_mm = (np.bincount(at.block, at.px_per_mm, blocks) / np.bincount(at.block, minlength=blocks))[keep]
    line, t = edges[at.block_edge[keep]], at.block_t[keep]
    base = look.lines[0][line] + look.lines[1][line] * (t - 0.5)
    piece = np.flatnonzero(which[targets.edge])[at.block_interval[keep]]
    return _Blocks(value[keep], u, line, t, piece, px_per_mm, base, look.widths_px[line], len(which))


def _thin(blocks: _Blocks, ratios: tuple[Array, Array], blur_px: float) -> _Told:
    """Slivers without edges of their own: by their light."""
    line = blocks.line
    fit, place, area = _bars(blocks, ratios, blur_px)
    noise = _noise(fit.rss, fit.dof, line, blocks.lines)
    area_std = noise * np.sqrt(fit.area_var)
    count = np.maximum(np.bincount(line, minlength=blocks.lines), 1)[line]
    faint = np.abs(area) < PLACED * area_std / np.sqrt(count)
    safe = np.where(faint | (area == 0), 1.0, area)
    return _Told(
        fit.area,
        area_std,
        np.where(faint, 0.0, place + fit.moment / safe),
        np.where(faint, np.inf, noise * np.sqrt(fit.moment_var) / np.abs(safe)),
    )


def _wide(blocks: _Blocks, ratios: tuple[Array, Array], blur_px: float) -> _Told:
    """Slivers with two edges: by where these lie; their width times the light that is expected of them is their area.
    What does not show half of that light, or comes out less than a blur wide, is none."""
    line, t = blocks.line, blocks.t
    place, width = np.zeros(len(line)), np.abs(blocks.width_px)
    for again in (True, True, True, False):
        fit = fit_bands(blocks.value, blocks.u, place, width, blur_px)
        if again:
            weight = 1 / np.maximum(fit.width_var, 1e-12)
            level, slope, _ = robust_line(t, fit.width, weight, line, blocks.lines)
            reach = blocks.u[-1] - BESIDE * blur_px
            width = np.clip(level[line] + slope[line] * (t - 0.5), 0.3 * blur_px, 2 * reach)
            level, slope, _ = robust_line(t, fit.place, 1 / np.maximum(fit.place_var, 1e-12), line, blocks.lines)
            place = np.clip(level[line] + slope[line] * (t - 0.5), -reach, reach)
    noise = _noise(fit.rss, fit.dof, line, blocks.lines)
    ratio = np.where(blocks.width_px > 0, ratios[0][line], ratios[1][line])
    good = (fit.height / ratio > 0.5) & (width > blur_px)
    size = np.abs(ratio)
    return _Told(
        np.where(good, fit.width * ratio, 0.0),
        np.where(good, noise * np.sqrt(fit.width_var) * size, np.inf),
        np.where(good, fit.place, 0.0),
        np.where(good, noise * np.sqrt(fit.place_var), np.inf),
    )


def _bars(blocks: _Blocks, ratios: tuple[Array, Array], blur_px: float) -> tuple[BarFits, Array, Array]:
    """Bars fitted to every block, three times, each line's width and place from the last; the place (M,) px they were
    fitted about and the line's own area (M,) px there."""
    line, t = blocks.line, blocks.t
    place, width = np.zeros(len(line)), np.full(len(line), 0.3 * blur_px)
    for again in (True, True, False):
        fit = fit_bars(blocks.value, blocks.u, place, width, blur_px)
        level, slope, _ = robust_line(t, fit.area, 1 / fit.area_var, line, blocks.lines)
        area = level[line] + slope[line] * (t - 0.5)
        if again:
            width = np.abs(area / np.where(area > 0, ratios[0][line], ratios[1][line]))
            place = place + _shift(fit, area, line, t, blur_px, blocks.lines)
    return fit, place, area


def _shift(fit: BarFits, area: Array, line: IntArray, t: Array, blur_px: float, lines: int) -> Array:
    """How far (M,) px the bars of each line lie from where they were taken to be, where they are strong enough."""
    strong = np.abs(area) > PLACED * np.sqrt(fit.rss / np.maximum(fit.dof, 1) * fit.area_var)
    away = fit.moment / np.where(strong, area, 1.0)
    level, slope, _ = robust_line(t, np.where(strong, away, 0.0), strong * area**2 / fit.moment_var, line, lines)
    return np.asarray(np.clip(level[line] + slope[line] * (t - 0.5), -blur_px, blur_px))


def _noise(rss: Array, dof: Array, line: IntArray, lines: int) -> Array:
    """Noise (M,) of a sample relative to the light beside the sliver, alike for all blocks of a line."""
    return np.sqrt(group_median(rss / np.maximum(dof, 1.0), line, lines))[line]


def light_ratio(light: dict[int, float], here: int, there: int) -> float:
    """Light through `there` layers over that through `here`: from the photo's levels where it shows both, else from a
    Kubelka-Munk stack of white paper whose two levels next to it have the photo's ratio; where the photo's light falls
    off faster than any such paper's, as a power."""
    if here in light and there in light:
        return light[there] / light[here]
    known = sorted((n for n in light if n > 0), key=lambda n: (abs(n - here), n))[:2]
    if len(known) < 2:
        return USUAL[there - here]
    low, high = sorted(known)
    ratio = light[low] / light[high]
    through = np.array([stack_transmittance(1 - ABSORBED - t, t, max(high, here, there)) for t in PAPERS])
    falls = through[:, low] / through[:, high]
    if ratio > falls[0]:
        return float(ratio ** ((here - there) / (high - low)))
    return float(np.interp(-ratio, -falls, through[:, there] / through[:, here]))

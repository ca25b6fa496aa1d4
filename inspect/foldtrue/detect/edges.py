"""detect_features: the plan's visible edges, found and measured on the photo's own pixels, in linear light."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from foldtrue.detect.acquire import Lines, acquire, expected_steps, light_by_layers
from foldtrue.detect.ends import moved_ends
from foldtrue.detect.faint import faint_edges, read_faint
from foldtrue.detect.lit import LitTargets, lit_targets
from foldtrue.detect.lit_edges import LitScene, find_lit, lit_features, place_lit, remeasure_lit
from foldtrue.detect.precreases import PrecreaseTargets, find_precreases, measure_precreases
from foldtrue.detect.refine import Refined, refine
from foldtrue.detect.scan import Targets, find_targets, planned_lines, split_at_crossings
from foldtrue.detect.slivers import find_slivers, measure_slivers
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import BoolArray, Features, IntArray, Nominal, Photo, Plane
from foldtrue.handover_faint import ExpectedLines
from foldtrue.handover_slivers import Slivers
from foldtrue.subpixel import Image, linear_grey


@dataclass(frozen=True, kw_only=True)
class DetectOptions:
    """One pass of the search. window_pitch: half the search window, in pitches; max_slope: steepest edge error looked
    for, rad; prior_pitch: usual size of an error, breaks ties; least_score: share of an edge's planned step that must
    be collected;
    least_evidence: signal to noise an edge must have to count as seen; lines_per_pitch: how densely edges are sampled,
    None = every pixel once."""

    window_pitch: float = 0.13
    max_slope: float = 0.09
    prior_pitch: float = 0.05
    least_score: float = 0.35
    least_evidence: float = 6.0
    lines_per_pitch: float | None = None

    def __post_init__(self) -> None:
        if not 0 < self.window_pitch <= 0.45 or not 0 <= self.max_slope < 0.5:
            raise ValueError("window_pitch must lie in (0, 0.45], max_slope in [0, 0.5)")


FIRST = DetectOptions(lines_per_pitch=40.0)
AGAIN = DetectOptions(window_pitch=0.06, max_slope=0.03, prior_pitch=0.03, lines_per_pitch=120.0)


@dataclass(frozen=True)
class Light:
    """Linear grey light of the part of the photo that holds the piece. image: (h, w) float32; origin_px: (2,) photo px
    of its first pixel; clip_level: at and above it the sensor was full; targets: what to look for, with crossings cut
    out; lit: the same with what the view from the camera's side adds, None against the light; unused: the grid's
    creases on twists that lie on top there, None where they are too few."""

    image: Image
    origin_px: Array
    clip_level: float
    targets: Targets
    lit: LitTargets | None = None
    unused: PrecreaseTargets | None = None


def read_light(photo: Photo, plane: Plane, nominal: Nominal) -> Light:
    """Linearise the piece's part of the photo, once for all passes. Colour channels that are clipped there far more
    often than the others are left out, since a clipped step has no place."""
    px = plane.map.to_px(nominal.outline_mm)
    margin = 0.4 * nominal.pitch_mm * float(np.hypot(*plane.map.jacobian(np.zeros((1, 2)))[0, :, 0]))
    h, w = photo.pixels.shape[:2]
    low = np.clip(np.floor(px.min(0) - margin), 0, [w - 2, h - 2]).astype(int)
    high = np.clip(np.ceil(px.max(0) + margin) + 1, low + 2, [w, h]).astype(int)
    part = photo.pixels[low[1] : high[1], low[0] : high[0]]
    weights = _channel_weights(part)
    targets = split_at_crossings(find_targets(nominal, plane.view), nominal, plane.view)
    return Light(
        linear_grey(part, photo.linear, weights),
        low.astype(float),
        0.97 * float(photo.linear[-1]),
        targets,
        None if plane.view == "backlit" else lit_targets(targets, nominal, plane.view),
        None if plane.view == "backlit" else find_precreases(nominal, plane.view),
    )


def _channel_weights(part: NDArray[Any]) -> tuple[float, ...]:
    sample = part[::7, ::7].reshape(-1, 3)
    clipped = (sample >= 0.99 * np.iinfo(part.dtype).max).mean(0)
    weights = np.where(clipped > clipped.min() + 0.02, 0.0, [0.3, 0.5, 0.2])
    return tuple(float(w) for w in weights / weights.sum())


def place_edges(light: Light, plane: Plane, nominal: Nominal, window_pitch: float = 0.3) -> Features:
    """Find the edges roughly, within window_pitch pitches of the plan: two samples each, enough to shift the whole
    plan onto them."""
    targets = light.targets
    local = _shifted(plane.map, light.origin_px)
    if light.lit is not None:
        rough = place_lit(LitScene(light.image, light.lit, local, nominal.pitch_mm))
        lines = Lines(rough.offset_mm, rough.slope_mm, rough.found.astype(float), np.ones(len(targets.crease)))
        return _coarse(lines, rough.found, targets, nominal, plane)
    start = (np.zeros(len(targets.crease)), np.zeros(len(targets.crease)))
    pitch = nominal.pitch_mm
    lines = acquire(
        light.image,
        targets,
        local,
        window_pitch * pitch,
        start,
        _expected(light, local, nominal),
        0.04,
        0.5 * window_pitch * pitch,
    )
    return _coarse(lines, lines.score > FIRST.least_score, targets, nominal, plane)


def find_features(light: Light, plane: Plane, nominal: Nominal, options: DetectOptions = FIRST) -> Features:
    """Search the visible edges around the places the plan gives them, and measure those found.

    An edge that shows too little of its planned step is kept with found = False and its samples get trust 0.
    """
    targets = light.targets
    local = _shifted(plane.map, light.origin_px)
    if light.lit is not None:
        return lit_features(find_lit(LitScene(light.image, light.lit, local, nominal.pitch_mm)), nominal, plane.view)
    start = (np.zeros(len(targets.crease)), np.zeros(len(targets.crease)))
    expected = _expected(light, local, nominal)
    lines = _acquire_twice(light, local, nominal, start, expected, options)
    seen = lines.score > options.least_score
    begin = (np.where(seen, lines.offset_mm, 0.0), np.where(seen, lines.slope_mm, 0.0))
    return _measure(light, plane, local, nominal, begin, seen, expected, np.full(len(seen), 1.2), options)


def remeasure_features(
    light: Light, plane: Plane, nominal: Nominal, before: Features, vertices_mm: Array, options: DetectOptions = AGAIN
) -> Features:
    """Measure again where an adjusted network vertices_mm (V, 2) now puts the edges, those missed before (in a narrow
    search) included."""
    targets = light.targets
    local = _shifted(plane.map, light.origin_px)
    if light.lit is not None:
        lines = planned_lines(targets, nominal, vertices_mm, light.lit.other)
        scene = LitScene(light.image, light.lit, local, nominal.pitch_mm)
        features = lit_features(remeasure_lit(scene, *lines), nominal, plane.view)
        return with_precreases(light, plane, nominal, features, vertices_mm)
    start = planned_lines(targets, nominal, vertices_mm)
    expected = _expected(light, local, nominal)
    first = targets.first_stretch
    seen = before.found[first].copy()
    blur = np.where(np.isfinite(before.blur_px[first]) & (before.blur_px[first] > 0), before.blur_px[first], 1.2)
    lost = np.flatnonzero(~seen)
    if len(lost):
        some, intervals = targets.pick_edges(lost)
        begin = (start[0][lost], start[1][lost])
        window, prior = options.window_pitch * nominal.pitch_mm, options.prior_pitch * nominal.pitch_mm
        again = acquire(light.image, some, local, window, begin, expected[intervals], options.max_slope, prior)
        late = again.score > options.least_score
        start[0][lost[late]], start[1][lost[late]] = again.offset_mm[late], again.slope_mm[late]
        seen[lost[late]] = True
    moved = replace(light, targets=moved_ends(targets, nominal, plane.view, vertices_mm))
    features = _measure(moved, plane, local, nominal, start, seen, expected, blur, options, last=True)
    return replace(features, slivers=_slivers(light, local, nominal, features, vertices_mm, options))


def with_precreases(
    light: Light, plane: Plane, nominal: Nominal, features: Features, vertices_mm: Array, options: DetectOptions = AGAIN
) -> Features:
    """The features with what shows of the grid's unused creases where a network vertices_mm (V, 2), in the frame of
    this plane, has the facets; as they are where the view shows too few."""
    if light.unused is None:
        return features
    local = _shifted(plane.map, light.origin_px)
    spacing = _spacing(local, nominal, options)
    seen = measure_precreases(light.image, light.unused, local, nominal, vertices_mm, spacing)
    return replace(features, precreases=seen)


def missed_creases(light: Light, plane: Plane, features: Features) -> IntArray:
    """The creases of a front whose edges `with_faint` reads: those of all kinds of which some were not found. None
    against the light; nor of a back, whose edges lie on lines of the grid, so that unused creases are taken for them.
    """
    if light.lit is None or plane.view != "front":
        return np.zeros(0, np.int64)
    return light.targets.crease[faint_edges(light.lit, _found(light, features))]


def with_faint(
    light: Light,
    plane: Plane,
    nominal: Nominal,
    features: Features,
    expected: ExpectedLines,
    options: DetectOptions = AGAIN,
) -> Features:
    """The features with what shows of edges that were not found, where the network expects them; expected: of those of
    `missed_creases`, or fewer."""
    if light.lit is None:
        return features
    found = _found(light, features)
    edges = faint_edges(light.lit, found)
    edges = edges[np.isin(light.targets.crease[edges], expected.crease)]
    if not len(edges):
        return features
    scene = LitScene(light.image, light.lit, _shifted(plane.map, light.origin_px), nominal.pitch_mm)
    seen = read_faint(scene, found, edges, expected, _spacing(scene.plane, nominal, options))
    return replace(features, faint=seen)


def _found(light: Light, features: Features) -> BoolArray:
    return features.found[light.targets.first_stretch]


def _slivers(
    light: Light, local: PlaneMap, nominal: Nominal, features: Features, vertices_mm: Array, options: DetectOptions
) -> Slivers | None:
    """The slivers where an adjusted network vertices_mm (V, 2) puts them; None where the plan has none, or the photo
    does not tell how blurred it is."""
    wanted = find_slivers(nominal)
    blurred = features.found & np.isfinite(features.blur_px)
    if wanted is None or not blurred.any():
        return None
    (first, slope), (second, other) = (
        planned_lines(replace(wanted.targets, crease=crease), nominal, vertices_mm)
        for crease in (wanted.targets.crease, wanted.second)
    )
    apart = wanted.sense * (first - second)
    apart = np.sign(apart) * (np.abs(apart) + 0.5 * np.abs(slope - other))  # at its wider end
    return measure_slivers(
        light.image,
        wanted,
        local,
        nominal,
        (0.5 * (first + second), 0.5 * (slope + other)),
        apart,
        light_by_layers(light.image, light.targets, local, 0.12 * nominal.pitch_mm),
        float(np.median(features.blur_px[blurred])),
        light.clip_level,
        _spacing(local, nominal, options),
    )


def _spacing(local: PlaneMap, nominal: Nominal, options: DetectOptions) -> float:
    """Distance of cross-lines, px."""
    if options.lines_per_pitch is None:
        return 1.0
    pitch_px = nominal.pitch_mm * float(np.hypot(*local.jacobian(np.zeros((1, 2)))[0, :, 0]))
    return max(1.0, pitch_px / options.lines_per_pitch)


def _expected(light: Light, local: PlaneMap, nominal: Nominal) -> Array:
    """Planned step (I,) of every interval in this photo's light. More layers are darker, whatever the regression said
    of a level seen only once; steps too faint to tell get a floor."""
    targets = light.targets
    steps = expected_steps(light.image, targets, local, 0.12 * nominal.pitch_mm)
    sign = np.where(targets.layers_left < targets.layers_right, 1.0, -1.0)
    floor = 0.15 * float(np.median(np.abs(steps))) if len(steps) else 0.0
    return np.asarray(sign * np.where(steps * sign > 0, np.maximum(np.abs(steps), floor), max(floor, 1e-6)))


def _measure(
    light: Light,
    plane: Plane,
    local: PlaneMap,
    nominal: Nominal,
    begin: tuple[Array, Array],
    seen: BoolArray,
    expected: Array,
    blur: Array,
    options: DetectOptions,
    last: bool = False,
) -> Features:
    spacing = _spacing(local, nominal, options)
    for _ in range(1 if last else 2):
        fine = refine(light.image, light.targets, local, begin, expected, blur, light.clip_level, spacing, last)
        kept = seen & (fine.evidence > options.least_evidence)
        begin = (np.where(kept, fine.offset_mm, begin[0]), np.where(kept, fine.slope_mm, begin[1]))
        blur = fine.blur_px
    return _features(fine, kept, light.targets, nominal, plane)


def _shifted(plane: PlaneMap, origin: Array) -> PlaneMap:
    shift = np.eye(3)
    shift[:2, 2] = -origin
    return replace(plane, homography=shift @ plane.homography, centre_px=plane.centre_px - origin)


def _acquire_twice(
    light: Light,
    local: PlaneMap,
    nominal: Nominal,
    start: tuple[Array, Array],
    expected: Array,
    options: DetectOptions,
) -> Lines:
    """A narrow search for all edges; those it does not find are searched again three times as wide (a gross error)."""
    pitch, targets = nominal.pitch_mm, light.targets
    window, prior = options.window_pitch * pitch, options.prior_pitch * pitch
    lines = acquire(light.image, targets, local, window, start, expected, options.max_slope, prior)
    lost = np.flatnonzero((lines.score < options.least_score) & (lines.seen > 0))
    wide = min(3 * options.window_pitch, 0.42)
    if not len(lost) or wide <= options.window_pitch:
        return lines
    some, intervals = targets.pick_edges(lost)
    begin = (start[0][lost], start[1][lost])
    slope = min(3 * options.max_slope, 0.3)
    again = acquire(light.image, some, local, wide * pitch, begin, expected[intervals], slope, 3 * prior)
    better = lost[again.score > options.least_score]
    pick = again.score > options.least_score
    offset, slope_mm, score = lines.offset_mm.copy(), lines.slope_mm.copy(), lines.score.copy()
    offset[better], slope_mm[better] = again.offset_mm[pick], again.slope_mm[pick]
    score[better] = again.score[pick]
    return Lines(offset, slope_mm, score, lines.seen)


def _coarse(lines: Lines, seen: BoolArray, targets: Targets, nominal: Nominal, plane: Plane) -> Features:
    """Two samples per found edge, a quarter in from its ends: enough to place the whole plan."""
    e = np.flatnonzero(seen)
    first = targets.first_stretch
    t = np.tile([0.25, 0.75], len(e))
    edge = np.repeat(e, 2)
    count = len(nominal.views[plane.view].crease)
    scale = np.hypot(*plane.map.jacobian(targets.start_mm[edge])[:, :, 0].T)
    evidence = np.zeros(count)
    evidence[targets.stretch] = lines.score[targets.edge]
    found = np.zeros(count, bool)
    found[targets.stretch] = seen[targets.edge]
    return Features(
        evidence,
        np.zeros(count),
        np.full(count, np.nan),
        found,
        first[edge],
        t,
        lines.offset_mm[edge] + lines.slope_mm[edge] * (t - 0.5),
        1.0 / scale,
        scale,
        np.ones(len(t)),
        edge,
        np.zeros(count, bool),
    )


def _features(fine: Refined, kept: BoolArray, targets: Targets, nominal: Nominal, plane: Plane) -> Features:
    count = len(nominal.views[plane.view].crease)
    evidence, contrast, blur = np.zeros(count), np.zeros(count), np.full(count, np.nan)
    found = np.zeros(count, bool)
    evidence[targets.stretch] = fine.evidence[targets.edge]
    contrast[targets.stretch] = fine.contrast[targets.edge]
    blur[targets.stretch] = fine.blur_px[targets.edge]
    found[targets.stretch] = kept[targets.edge]
    clipped = np.zeros(count, bool)
    np.logical_or.at(clipped, targets.stretch, fine.clipped)
    trust = fine.trust * kept[fine.edge]
    return Features(
        evidence,
        contrast,
        blur,
        found,
        targets.stretch[fine.interval],
        fine.t,
        fine.place_mm,
        fine.std_mm,
        fine.px_per_mm,
        np.where(trust > 0.02, trust, 0.0),
        fine.interval,
        clipped,
    )

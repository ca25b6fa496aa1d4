"""Find each expected edge near its planned place: the line, within a search window, that collects most step response.

A slant stack (a local Radon transform restricted to small slopes): block-averaged responses of a matched step filter
are summed along every candidate line; each block's say is clipped, so one bright sliver cannot outvote the whole edge.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.detect.scan import CrossLines, Targets, block_mean, cross_lines_at
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import BoolArray, IntArray
from foldtrue.subpixel import Image, group_median, step_kernel

PRIOR_COUNTS = 0.1
"""Half of this, of an edge's planned response, is taken off a line a usual error away from where it is expected."""


@dataclass(frozen=True)
class Lines:
    """Current straight line of each target edge: offset + slope (t - 0.5), mm along the left normal; score (E,) mean
    clipped response relative to the expected step (1 = as planned); seen (E,) inside the photo."""

    offset_mm: Array
    slope_mm: Array
    score: Array
    seen: Array


def shrink(image: Image, factor: int) -> Image:
    """Area-average by a whole factor; pixel (x, y) of the result is centred at ((x + 0.5) factor - 0.5) of the
    source."""
    if factor == 1:
        return image
    import cv2

    h, w = (n // factor * factor for n in image.shape)
    return np.asarray(cv2.resize(image[:h, :w], (w // factor, h // factor), interpolation=cv2.INTER_AREA), np.float32)


def to_small(px: Array, factor: int) -> Array:
    return (px + 0.5) / factor - 0.5


def acquire(
    image: Image,
    targets: Targets,
    plane: PlaneMap,
    window_mm: float,
    start: tuple[Array, Array],
    expected: Array,
    max_slope: float,
    prior_mm: float,
    samples: int = 14,
) -> Lines:
    """Search every edge within +- window_mm of its start line and +- max_slope (rad).

    image: linear light. start: offset and slope (E,) mm. expected: (I,) planned step, left minus right, in linear
    light. prior_mm: how far off an edge is expected to be at all; breaks ties between equal candidates.
    """
    scale = float(np.median(np.hypot(*plane.jacobian(0.5 * (targets.start_mm + targets.end_mm))[:, :, 0].T)))
    factor = max(1, int(window_mm * scale / samples))
    small = shrink(image, factor)
    half = max(int(np.ceil(window_mm * scale / factor)), 6)
    kernel = step_kernel(1.4)
    pad = len(kernel) // 2
    n_u = 2 * (half + pad) + 1
    lines = cross_lines_at(
        targets,
        plane,
        *start,
        margin_mm=0.15 * window_mm,
        clear_mm=0.2 * window_mm,
        spacing_px=1.6 * factor,
        half_width_px=(half + pad) * factor,
        block_px=8.0 * factor,
    )
    edges = len(targets.crease)
    if not len(lines.edge):
        return Lines(*start, np.zeros(edges), np.zeros(edges))
    profile = quick_profiles(small, to_small(lines.low_px, factor), to_small(lines.high_px, factor), n_u)
    blocks = block_mean(profile, lines.block, len(lines.block_edge))
    inside: BoolArray = np.asarray(np.isfinite(blocks).all(axis=1))
    view = np.lib.stride_tricks.sliding_window_view(np.where(inside[:, None], blocks, 0.0), len(kernel), axis=1)
    response = view @ kernel.astype(np.float32)
    relative = np.clip(response / expected[lines.block_interval][:, None], -0.5, 1.1)
    relative[~inside] = 0.0
    return best_lines(relative, lines, targets, start, scale / factor, half, max_slope, prior_mm, inside)


def quick_profiles(image: Image, low_px: Array, high_px: Array, count: int) -> Image:
    """Cross-line samples (N, count) by OpenCV's table-driven warp: its 1/32 px steps do not matter for finding."""
    import cv2

    f = np.linspace(0.0, 1.0, count, dtype=np.float32)
    low, span = low_px.astype(np.float32), (high_px - low_px).astype(np.float32)
    out = np.empty((len(low), count), np.float32)
    for first in range(0, len(low), 30000):  # the warp takes no more than 32767 rows
        rows = slice(first, first + 30000)
        x = low[rows, :1] + span[rows, :1] * f
        y = low[rows, 1:] + span[rows, 1:] * f
        out[rows] = cv2.remap(image, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=float("nan"))
    return out


def best_lines(
    relative: Array,
    lines: CrossLines,
    targets: Targets,
    start: tuple[Array, Array],
    px_per_mm: float,
    half: int,
    max_slope: float,
    prior_mm: float,
    inside: BoolArray,
) -> Lines:
    """Of all lines within the window the one with the largest mean response along it.

    relative: (B, W) responses of the blocks at W = 2 half + 1 places across, 1 = as expected, about the lines start;
    inside: (B,) blocks that count.
    """
    edges = len(targets.crease)
    weight = np.bincount(lines.block_edge, inside, edges)
    slopes_mm = targets.length_mm[:, None] * np.linspace(
        -max_slope, max_slope, 2 * _slope_steps(targets, max_slope, px_per_mm) + 1
    )
    first = np.searchsorted(lines.block_edge, np.arange(edges))
    has = np.bincount(lines.block_edge, minlength=edges) > 0
    columns = np.arange(2 * half + 1)
    offset = (columns - half) / px_per_mm
    best = np.full((edges, 2 * half + 1), -np.inf)
    which = np.zeros((edges, 2 * half + 1), int)
    rows = np.arange(len(relative))[:, None]
    for k in range(slopes_mm.shape[1]):
        tilt = slopes_mm[lines.block_edge, k] * (lines.block_t - 0.5) * px_per_mm
        at = columns[None, :] + np.rint(tilt).astype(int)[:, None]
        ok = (at >= 0) & (at <= 2 * half)
        picked = np.where(ok, relative[rows, np.clip(at, 0, 2 * half)], 0.0)
        value = np.zeros((edges, 2 * half + 1))
        value[has] = np.add.reduceat(picked, first[has], axis=0)
        value /= np.maximum(weight, 1)[:, None]
        away = (start[0][:, None] + offset) ** 2 + (slopes_mm[:, k : k + 1] / 2.0) ** 2
        value -= 0.5 * PRIOR_COUNTS * away / prior_mm**2
        better = value > best
        best[better] = value[better]
        which[better] = k
    peak = best.argmax(1)
    e = np.arange(edges)
    found = offset[peak]
    return Lines(start[0] + found, start[1] + slopes_mm[e, which[e, peak]], best[e, peak], weight.astype(float))


def _slope_steps(targets: Targets, max_slope: float, px_per_mm: float) -> int:
    """Half the number of slopes so that neighbours differ by under two pixels at the ends of a median edge."""
    reach = float(np.median(targets.length_mm)) * 0.5 * max_slope * px_per_mm
    return int(np.clip(np.ceil(reach / 1.7), 1, 16))


def expected_steps(image: Image, targets: Targets, plane: PlaneMap, reach_mm: float) -> Array:
    """Planned step (left minus right, linear light) of every interval, from the photo's own levels.

    The light through n layers is modelled as exp(g_n + smooth illumination); g and a quadratic illumination come from
    the plateaus beside all intervals by robust regression, so nothing is assumed about paper or lamp. Returns (I,).
    """
    fitted = np.exp(_levels(image, targets, plane, reach_mm)[2]).reshape(2, -1).T
    return np.asarray(fitted[:, 0] - fitted[:, 1])


def light_by_layers(image: Image, targets: Targets, plane: PlaneMap, reach_mm: float) -> dict[int, float]:
    """Light through each number of layers that the plan has beside its edges, up to a common factor, as in
    `expected_steps`."""
    counts, levels, _ = _levels(image, targets, plane, reach_mm)
    return dict(zip(counts.tolist(), np.exp(levels).tolist(), strict=True))


def _levels(image: Image, targets: Targets, plane: PlaneMap, reach_mm: float) -> tuple[IntArray, Array, Array]:
    """Numbers of layers, the logarithm of each one's light, and that of all plateaus (2 I,) left then right."""
    p = targets.start_mm[targets.edge]
    d = targets.end_mm[targets.edge] - p
    mid = p + d * (0.5 * (targets.t0 + targets.t1))[:, None]
    along = d * (0.25 * (targets.t1 - targets.t0))[:, None]
    n = targets.normal[targets.edge]
    level = np.empty((len(mid), 2))
    for side, sign in enumerate((1.0, -1.0)):
        points = np.concatenate([mid + s * along + sign * r * reach_mm * n for s in (-1, 0, 1) for r in (0.6, 1.0)])
        px = plane.to_px(points)
        samples = _box_values(image, px).reshape(6, -1)
        seen = np.isfinite(samples).any(0)
        level[:, side] = np.nan
        level[seen, side] = np.nanmedian(samples[:, seen], axis=0)
    layers = np.stack([targets.layers_left, targets.layers_right], 1)
    xy = np.concatenate([mid + reach_mm * 0.8 * n, mid - reach_mm * 0.8 * n])
    values = np.log(np.maximum(level.T.ravel(), 1e-5))
    return _level_model(values, layers.T.ravel(), xy / max(float(np.abs(xy).max()), 1e-9))


def _box_values(image: Image, px: Array) -> Array:
    x = np.clip(np.rint(px[:, 0]).astype(int), 1, image.shape[1] - 2)
    y = np.clip(np.rint(px[:, 1]).astype(int), 1, image.shape[0] - 2)
    inside = (np.abs(px[:, 0] - x) < 2) & (np.abs(px[:, 1] - y) < 2)
    total = np.sum([image[y + dy, x + dx] for dy in (-1, 0, 1) for dx in (-1, 0, 1)], axis=0) / 9.0
    return np.where(inside, total, np.nan)


def _level_model(values: Array, layers: IntArray, xy: Array, rounds: int = 5) -> tuple[IntArray, Array, Array]:
    """Robust regression of log light on layer count (a free level each) and a quadratic in place; the counts, their
    levels, fitted values (N,)."""
    counts, index = np.unique(layers, return_inverse=True)
    x, y = xy.T
    dummies = (index[:, None] == np.arange(len(counts))).astype(float)
    design = np.concatenate([dummies, np.stack([x, y, x * x - y * y, x * y, x * x + y * y], 1)], 1)
    ok = np.isfinite(values)
    weight = ok.astype(float)
    y0 = np.where(ok, values, 0.0)
    coef = np.zeros(design.shape[1])
    for _ in range(rounds):
        w = np.sqrt(weight)
        coef = np.linalg.lstsq(design * w[:, None], y0 * w, rcond=None)[0]
        resid = np.abs(y0 - design @ coef)
        scale = 1.4826 * group_median(resid[ok], np.zeros(int(ok.sum()), np.int64), 1)[0] + 1e-4
        weight = ok * np.where(resid < 4.685 * scale, (1 - (resid / (4.685 * scale)) ** 2) ** 2, 0.0)
    return counts, coef[: len(counts)], np.asarray(design @ coef)

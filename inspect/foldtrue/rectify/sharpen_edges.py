"""Lay the plan's edges on the photo's edges, and say how many of them are there.

Every sample along a planned edge looks across it for the centre of the edge energy under a Gaussian window; a
homography is fitted to the offsets, robustly, and the window narrows (a mean shift in the space of homographies; mean
shift: Comaniciu and Meer, IEEE Trans. PAMI 24 (2002) 603).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from foldtrue.frames import Array, apply_homography, rotation
from foldtrue.handover import IntArray
from foldtrue.rectify.by_edges import DIRECTIONS, Edges
from foldtrue.rectify.place import Canvas

WINDOWS = (0.22, 0.22, 0.16, 0.12, 0.09, 0.07, 0.06, 0.06)
"""Standard deviations of the window, in pitches, one round each."""
REACH = 0.45
SHOWS = 0.05
"""Contrast from which an edge counts as showing."""


@dataclass(frozen=True)
class Samples:
    """Points along the planned edges. xy: (N, 2) mm; normal: (N, 2) left normal; direction, edge: (N,); third: (N,) 0,
    1 or 2, of the edge's length."""

    xy: Array
    normal: Array
    direction: IntArray
    edge: IntArray
    third: IntArray


def edge_samples(edges: Edges, step_mm: float) -> Samples:
    """Samples at about step_mm, the ends of every edge left out."""
    span = edges.end_mm - edges.start_mm
    length = np.hypot(*span.T)
    count = np.maximum(1, np.rint(length / step_mm).astype(int))
    which = np.repeat(np.arange(len(span)), count)
    running = np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count)
    f = (running + 0.5) / count[which]
    tangent = span / np.maximum(length, 1e-9)[:, None]
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], 1)
    place = edges.start_mm[which] + span[which] * f[:, None]
    return Samples(place, normal[which], edges.direction[which], which, (3 * f).astype(np.int64))


def turned(samples: Samples, turn_deg: float) -> Samples:
    """The samples of the plan turned by a multiple of 30 degrees."""
    turn = rotation(turn_deg).T
    direction = (samples.direction + round(turn_deg / 30.0)) % DIRECTIONS
    return Samples(samples.xy @ turn, samples.normal @ turn, direction, samples.edge, samples.third)


def profiles(energy: NDArray[np.float32], field: Canvas, samples: Samples, moved: Array, offsets_mm: Array) -> Array:
    """(N, K) edge energy across every sample, at offsets along its normal; moved: 3x3 mm -> mm of the canvas. nan off
    the photo."""
    at = apply_homography(moved, samples.xy)[:, None] + samples.normal[:, None] * offsets_mm[None, :, None]
    px = at * [field.px_per_mm, -field.px_per_mm] + field.origin_px
    x, y = px[..., 0], px[..., 1]
    h, w = field.mask.shape
    inside = (x >= 0) & (y >= 0) & (x < w - 1) & (y < h - 1)
    x0, y0 = np.where(inside, x, 0).astype(int), np.where(inside, y, 0).astype(int)
    fx, fy = x - x0, y - y0
    k = samples.direction[:, None]
    value = (energy[k, y0, x0] * (1 - fx) + energy[k, y0, x0 + 1] * fx) * (1 - fy)
    value += (energy[k, y0 + 1, x0] * (1 - fx) + energy[k, y0 + 1, x0 + 1] * fx) * fy
    seen = inside & (field.mask[y0, x0] > 0)
    return np.where(seen, value, np.nan)


def sharpen_on_edges(
    energy: NDArray[np.float32], field: Canvas, samples: Samples, start: Array, pitch_mm: float
) -> Array:
    """Homography (plan mm -> canvas mm) that lays the samples on the energy's ridges, from a start within about a
    quarter of a pitch."""
    offsets = np.linspace(-REACH, REACH, 21) * pitch_mm
    matrix = start
    for sigma in WINDOWS:
        value = np.nan_to_num(profiles(energy, field, samples, matrix, offsets))
        value = np.maximum(value - np.median(value, 1, keepdims=True), 0.0) ** 2
        window = np.exp(-0.5 * (offsets / (sigma * pitch_mm)) ** 2)
        mass = value @ window
        shift = (value @ (window * offsets)) / np.maximum(mass, 1e-9)
        matrix = matrix @ _homography_step(samples, shift, mass, 0.5 * sigma * pitch_mm)
    return matrix


def _homography_step(samples: Samples, shift: Array, weight: Array, scale_mm: float) -> Array:
    """Small homography (plan mm -> plan mm) whose normal displacements fit `shift`, Cauchy-weighted at scale_mm."""
    size = float(np.abs(samples.xy).max())
    x, y = (samples.xy / size).T
    nx, ny = samples.normal.T
    along = nx * x + ny * y
    design = np.stack([nx, ny, nx * x, nx * y, ny * x, ny * y, -along * x, -along * y], 1)
    ridge = 0.02 * float(weight.sum()) * np.diag([0, 0, 0, 0, 0, 0, 1.0, 1.0]) * 0.05
    c = np.zeros(8)
    for _ in range(3):
        w = weight / (1 + ((shift - design @ c) / scale_mm) ** 2)
        wd = design * w[:, None]
        c = np.linalg.solve(wd.T @ design + ridge + 1e-9 * (w.sum() + 1e-9) * np.eye(8), wd.T @ shift)
    return np.array(
        [
            [1 + c[2] / size, c[3] / size, c[0]],
            [c[4] / size, 1 + c[5] / size, c[1]],
            [c[6] / size**2, c[7] / size**2, 1.0],
        ]
    )


@dataclass(frozen=True)
class Evidence:
    """How clearly the planned edges are there. contrast: mean energy on them less that beside them, 0..1. share: of the
    edges that show, less the gaps, of thirds that do not show in edges that do: where edges of another pattern lie
    across the plan's, these show in part."""

    contrast: float
    share: float


def clearness(energy: NDArray[np.float32], field: Canvas, samples: Samples, matrix: Array, pitch_mm: float) -> Array:
    """(N,) energy on every sample less the mean of that 0.2 to 0.4 pitches beside it; nan off the photo."""
    beside = np.array([0.2, 0.27, 0.33, 0.4]) * pitch_mm
    value = profiles(energy, field, samples, matrix, np.concatenate([[0.0], -beside, beside]))
    return np.asarray(value[:, 0] - value[:, 1:].mean(1))


def evidence(energy: NDArray[np.float32], field: Canvas, samples: Samples, matrix: Array, pitch_mm: float) -> Evidence:
    """What the samples' clearness amounts to; all of it 0 when hardly a sample lies on the photo."""
    clear = clearness(energy, field, samples, matrix, pitch_mm)
    seen = np.isfinite(clear)
    if seen.sum() < 10:
        return Evidence(0.0, 0.0)
    part = 3 * samples.edge[seen] + samples.third[seen]
    size = 3 * (int(samples.edge.max()) + 1)
    count = np.bincount(part, minlength=size).reshape(-1, 3)
    total = np.bincount(part, clear[seen], minlength=size).reshape(-1, 3)
    there = count.sum(1) > 0
    by_edge = total.sum(1)[there] / count.sum(1)[there]
    shows = by_edge > SHOWS
    whole = (count[there].min(1) > 1) & (by_edge > max(SHOWS, float(by_edge[shows].mean()) if shows.any() else 1.0))
    thirds = total[there][whole] / count[there][whole]
    gaps = float(np.mean(thirds < 0.3 * by_edge[whole, None])) if whole.any() else 0.0
    return Evidence(float(clear[seen].mean()), float(np.mean(shows)) - gaps)

"""Slide the plan's look over the photo in the plan's own scale: every shift and turn at once, by masked correlation.

Normalised cross-correlation with masks through the Fourier transform: D. Padfield, "Masked object registration in the
Fourier domain", IEEE Trans. Image Process. 21 (2012) 2706.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from foldtrue.frames import Array, rotation
from foldtrue.handover import Nominal
from foldtrue.rectify.look import Small, layer_raster


@dataclass(frozen=True)
class Canvas:
    """The photo seen in the plan's frame. value, mask: (h, w); px_per_mm; origin_px: (2,) canvas px of the plan's
    origin (y down)."""

    value: NDArray[np.float32]
    mask: NDArray[np.float32]
    px_per_mm: float
    origin_px: Array


@dataclass(frozen=True)
class Place:
    """A placement on a canvas: turn_deg (ccw) then shift_mm (2,), and its correlation."""

    turn_deg: float
    shift_mm: Array
    correlation: float


def canvas(small: Small, matrix: Array, reach_mm: float, px_per_mm: float) -> Canvas:
    """Resample the small photo into the plan's frame, a square of half side reach_mm about the plan's origin.

    matrix: plan mm -> small px. Only for deciding where the piece is; nothing is measured on it.
    """
    import cv2

    half = int(np.ceil(reach_mm * px_per_mm))
    size = 2 * half + 1
    to_mm = np.array([[1 / px_per_mm, 0, -half / px_per_mm], [0, -1 / px_per_mm, half / px_per_mm], [0, 0, 1.0]])
    to_px = matrix @ to_mm
    shrink = max(1.0, float(np.sqrt(abs(np.linalg.det(to_px[:2, :2] / to_px[2, 2])))))
    source = cv2.GaussianBlur(small.log, (0, 0), 0.45 * shrink) if shrink > 1.3 else small.log
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    value = cv2.warpPerspective(source, to_px, (size, size), flags=flags)
    inside = cv2.warpPerspective(np.ones_like(small.log), to_px, (size, size), flags=flags)
    # Points behind the camera come out mirrored; the depth tells.
    yy, xx = np.mgrid[0:size, 0:size]
    depth = to_px[2, 0] * xx + to_px[2, 1] * yy + to_px[2, 2]
    mask = ((inside > 0.99) & (depth * to_px[2, 2] > 0)).astype(np.float32)
    return Canvas(np.asarray(value * mask, np.float32), mask, px_per_mm, np.array([half, half], float))


def template(
    nominal: Nominal, levels: dict[int, float], turn_deg: float, px_per_mm: float, margin_mm: float, mirrored: bool
) -> tuple[NDArray[np.float32], NDArray[np.float32], Array]:
    """The plan's look turned by turn_deg: value and mask (h, w), and the px of the plan's origin. levels: log light by
    layers."""
    import cv2

    reach = float(np.hypot(*nominal.vertices_mm.T).max()) + margin_mm
    half = int(np.ceil(reach * px_per_mm))
    matrix = np.eye(3)
    matrix[:2, :2] = np.diag([1.0, -1.0]) @ rotation(turn_deg) @ np.diag([-1.0 if mirrored else 1.0, 1.0]) * px_per_mm
    matrix[:2, 2] = half
    layers = layer_raster(nominal, matrix, (2 * half + 1, 2 * half + 1))
    table = np.array([levels.get(k, min(levels.values())) for k in range(int(layers.max()) + 1)], np.float32)
    grow = max(1, int(margin_mm * px_per_mm))
    mask = cv2.dilate(
        (layers > 0).astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * grow + 1, 2 * grow + 1))
    )
    return table[layers], mask.astype(np.float32), np.array([half, half], float)


def correlate(
    field: Canvas, value: NDArray[np.float32], mask: NDArray[np.float32], least_overlap: float
) -> NDArray[np.float64]:
    """Masked normalised correlation for every shift; (h, w) 'full' layout, 0 where less than least_overlap of the
    template's area lies on the photo."""
    from scipy.fft import irfft2, next_fast_len, rfft2

    shape = [next_fast_len(a + b - 1, True) for a, b in zip(field.value.shape, value.shape, strict=True)]
    full = tuple(a + b - 1 for a, b in zip(field.value.shape, value.shape, strict=True))
    mean = float(field.value.sum() / max(field.mask.sum(), 1))
    f = (field.value - mean) * field.mask
    g = ((value - float((value * mask).sum() / mask.sum())) * mask)[::-1, ::-1]
    m2 = mask[::-1, ::-1]
    ff, fm, ff2 = (rfft2(x, shape) for x in (f, field.mask, f * f))
    gf, gm, gf2 = (rfft2(x, shape) for x in (g, m2, g * g))

    def back(spectrum: NDArray[np.complexfloating[Any, Any]]) -> Array:
        return np.asarray(irfft2(spectrum, shape)[: full[0], : full[1]])

    overlap = np.maximum(back(fm * gm), 1e-3)
    sf, sg = back(ff * gm), back(fm * gf)
    cross = back(ff * gf) - sf * sg / overlap
    var_f = np.maximum(back(ff2 * gm) - sf * sf / overlap, 1e-6)
    var_g = np.maximum(back(fm * gf2) - sg * sg / overlap, 1e-6)
    floor = 1e-4 * overlap
    out = cross / np.sqrt(np.maximum(var_f, floor) * np.maximum(var_g, floor))
    out[overlap < least_overlap * mask.sum()] = 0.0
    return np.asarray(out)


def places(
    field: Canvas,
    nominal: Nominal,
    view: str,
    levels: dict[int, float],
    mirrored: bool,
    least_overlap: float = 0.12,
    peaks: int = 4,
    step_deg: float = 60.0,
) -> list[Place]:
    """Best shifts of every turn in steps of step_deg that the plan's own symmetry leaves distinct, best first."""
    period = min([s for s in nominal.symmetry[view] if s > 1e-6], default=360.0)
    out: list[Place] = []
    for turn in np.arange(0.0, min(period, 360.0) - 1e-6, step_deg):
        value, mask, origin = template(nominal, levels, float(turn), field.px_per_mm, 0.6 * nominal.pitch_mm, mirrored)
        surface = correlate(field, value, mask, least_overlap)
        for y, x in find_peaks(surface, int(0.4 * nominal.pitch_mm * field.px_per_mm), peaks):
            # Full layout: template's top left at (x - (w - 1), y - (h - 1)).
            at = np.array([x, y], float) - (np.array(value.shape[::-1]) - 1) + origin
            shift = (at - field.origin_px) / field.px_per_mm * [1.0, -1.0]
            out.append(Place(float(turn), shift, float(surface[y, x])))
    out.sort(key=lambda p: -p.correlation)
    return out


def find_peaks(surface: NDArray[np.float64], radius: int, count: int) -> list[tuple[int, int]]:
    work = surface.copy()
    out = []
    for _ in range(count):
        y, x = np.unravel_index(int(work.argmax()), work.shape)
        if work[y, x] <= 0:
            break
        out.append((int(y), int(x)))
        work[max(0, y - radius) : y + radius + 1, max(0, x - radius) : x + radius + 1] = -1
    return out

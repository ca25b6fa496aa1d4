"""The lens from the creases' bows: a crease of the grid is straight on the paper, so its bend is the lens's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import IntArray
from foldtrue.handover_grid import CreaseScan, PlannedGrid

K1_UNKNOWN = 0.02
"""Standard deviation of a camera's radial term before the photo tells (fit/lens.py)."""


def lens_from_bows(grid: PlannedGrid, scan: CreaseScan) -> tuple[PlaneMap, float]:
    """The map with the radial term that straightens the found lines, and that term's standard uncertainty; the map as
    it was and K1_UNKNOWN where too little shows. The homography follows, so that places keep their mm as well as can
    be."""
    import cv2

    if len(scan.line) < 30:
        return scan.map, K1_UNKNOWN
    line, s, shift = scan.line, scan.s_mm, scan.shift_mm
    normal = grid.normals[line]
    places = (grid.offset_mm[line] + shift)[:, None] * normal + s[:, None] * np.stack([-normal[:, 1], normal[:, 0]], 1)
    k1, k1_std = _bow(scan.map, places, normal, line, s, shift, 1 / scan.std_mm**2)
    # What is known beforehand of a lens counts too: phones keep straight lines within this (docs/uncertainty.md).
    share = 1 / (1 + (k1_std / K1_UNKNOWN) ** 2)
    k1, k1_std = share * k1, k1_std * np.sqrt(share)
    px = scan.map.to_px(places)
    bent = replace(scan.map, k1=scan.map.k1 + k1)
    matrix, _ = cv2.findHomography(places, bent.undistort(px))
    return replace(bent, homography=np.asarray(matrix, float)), k1_std


def _bow(
    plane: PlaneMap, places: Array, normal: Array, line: IntArray, s: Array, shift: Array, weight: Array
) -> tuple[float, float]:
    """Radial term and its standard uncertainty from the bows of lines that are straight on the paper (each line's own
    offset and angle taken out), residuals beyond their spread damped (Huber)."""
    field = np.sum(plane.radial_field(places) * normal, 1)
    damp = np.ones_like(shift)
    k1 = std = 0.0
    for _ in range(8):
        w = weight * damp
        f, y = (_without_line(s, v, w, line) for v in (field, shift))
        power = float(np.sum(w * f * f))
        k1 = float(np.sum(w * f * y)) / max(power, 1e-12)
        rest = (y - k1 * f) * np.sqrt(weight)
        spread = 1.4826 * float(np.median(np.abs(rest))) + 1e-12
        damp = 1.0 / np.maximum(1.0, np.abs(rest) / (2 * spread))
        std = max(spread, 1.0) / np.sqrt(max(power, 1e-12))
    return k1, std


def _without_line(s: Array, value: Array, weight: Array, line: IntArray) -> Array:
    """Residuals of value about each line's own weighted straight line over s."""
    count = int(line.max()) + 1
    s0, s1, s2, y0, y1 = (np.bincount(line, weight * f, count) for f in (np.ones_like(s), s, s * s, value, s * value))
    det = s0 * s2 - s1 * s1
    safe = np.where(det > 1e-12 * np.maximum(s0 * s2, 1e-300), det, 1.0)
    b = np.where(safe == 1.0, 0.0, (s0 * y1 - s1 * y0) / safe)
    a = (y0 - b * s1) / np.where(s0 > 0, s0, 1.0)
    return np.asarray(value - a[line] - b[line] * s)

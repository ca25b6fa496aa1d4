"""The photo without the mat's frame, for looking where the piece lies: nothing is measured on it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import Photo
from foldtrue.mat import Mat

_CUT_MM = 3.5
"""Strip along the free place that may be paper left standing when the middle was cut out, and how its edge looks."""
_DARKER = 0.85
"""Light on that strip over the light farther in, in a frame that was cut out."""


def frame_strips(mat: Mat, plane_map: PlaneMap, inward_mm: float = 0.0) -> tuple[Array, ...]:
    """Outlines (K, 2) px of the four strips between paper's edge and free place, their sides bent as the lens has them.

    inward_mm: by how much they reach into the free place.
    """
    (x1, y1), (x0, y0) = np.array(mat.paper_mm) / 2, np.array(mat.free_mm) / 2 - inward_mm
    strips = ((-x1, y0, x1, y1), (-x1, -y1, x1, -y0), (-x1, -y0, -x0, y0), (x0, -y0, x1, y0))
    return tuple(plane_map.to_px(_ring(*strip)) for strip in strips)


def without_frame(photo: Photo, mat: Mat, plane_map: PlaneMap) -> Photo:
    """The photo with the frame painted over in the colour of the free place, a plane over the picture fitted to what
    lies along the frame: a plain sheet under the piece is left, or against the light the bare table.

    plane_map: from mm as designed."""
    import cv2

    near, inner = (_colours(photo, _along(mat, plane_map, inside)) for inside in (1.0, 6.0))
    cut = float(np.median(near[1].mean(1))) < _DARKER * float(np.median(inner[1].mean(1)))
    mask: NDArray[Any] = np.zeros(photo.pixels.shape[:2], np.uint8)
    for ring in frame_strips(mat, plane_map, _CUT_MM if cut else 0.0):
        cv2.fillPoly(mask, [np.rint(ring).astype(np.int32)], 1)
    mask = cv2.dilate(mask, np.ones((5, 5), np.uint8))
    pixels = photo.pixels.copy()
    x, y = (np.arange(n, dtype=np.float32) for n in mask.shape[::-1])
    for channel, (by_x, by_y, start) in enumerate(_plane(*inner).T.astype(np.float32)):
        fill = (by_x * x)[None] + (by_y * y)[:, None] + start
        np.clip(fill, 0, np.iinfo(pixels.dtype).max, out=fill)
        np.copyto(pixels[:, :, channel], fill.astype(pixels.dtype), where=mask > 0)
    return replace(photo, pixels=pixels)


def _ring(left: float, low: float, right: float, high: float, parts: int = 16) -> Array:
    corners = np.array([[left, low], [right, low], [right, high], [left, high]])
    way = np.linspace(0, 1, parts, endpoint=False)[:, None]
    return np.concatenate([a + way * (b - a) for a, b in zip(corners, np.roll(corners, -1, 0), strict=True)])


def _along(mat: Mat, plane_map: PlaneMap, inside_mm: float) -> Array:
    """(N, 2) px of places in the free place, so far inside of the frame."""
    x, y = np.array(mat.free_mm) / 2 - inside_mm
    return plane_map.to_px(_ring(-x, -y, x, y, 60))


def _colours(photo: Photo, px: Array) -> tuple[Array, NDArray[Any]]:
    """Whole px (N, 2) of those that lie in the photo, and their colours (N, 3)."""
    at = np.rint(px).astype(int)
    height, width = photo.pixels.shape[:2]
    at = at[((at >= 0) & (at < [width, height])).all(1)]
    return at, photo.pixels[at[:, 1], at[:, 0]].astype(float)


def _plane(at: Array, colours: Array) -> Array:
    """(3, 3) colour per x, y and 1: least absolute deviations by reweighting, since the piece may lie on some."""
    design = np.concatenate([at, np.ones((len(at), 1))], 1).astype(float)
    weight = np.ones(len(at))
    fitted: Array = np.zeros((3, 3))
    for _ in range(15):
        fitted = np.linalg.lstsq(design * weight[:, None], colours * weight[:, None], rcond=None)[0]
        off = np.abs(colours - design @ fitted).mean(1)
        weight = 1 / np.sqrt(np.maximum(off, 1e-3 * max(float(colours.max()), 1.0)))
    return np.asarray(fitted)

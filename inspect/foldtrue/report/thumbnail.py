"""A thumbnail of the photo for the record: the piece alone, all around it painted over, without metadata.

A hand, a name on the table, a card beside the piece: none of it is needed to know the piece again.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import Any

import cv2
import numpy as np
from PIL import Image

from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import Photo
from foldtrue.report.mask import GREY, mask_faces

_LONGEST_PX = 320
_QUALITY = 80
_MARGIN = 0.01
"""Of the piece's size: what of its surroundings may stay, so that the rim is seen."""


def piece_thumbnail(photo: Photo, record: Mapping[str, Any]) -> tuple[bytes | None, str]:
    """(JPEG, "") of the piece, longer side 320 px at most; or (None, why there is none).

    record: the content of result.json, grid.json or sheet.json of this photo, which tells where the piece lies and what
    of it no picture may show. A result that does not say the latter gets no thumbnail.
    """
    faces: tuple[Array, ...] = ()
    if record["format"] == "foldtrue-result":
        if "private_px" not in record["plane"]:
            return None, "The result does not say where a card's face may lie in the picture."
        faces = tuple(np.array(face, float) for face in record["plane"]["private_px"])
    outline = piece_outline_px(record)
    pixels = photo.pixels if photo.pixels.dtype == np.uint8 else (photo.pixels >> 8).astype(np.uint8)
    height, width = pixels.shape[:2]
    middle = outline.mean(0)
    shape = np.clip(middle + (outline - middle) * (1 + 2 * _MARGIN), [0, 0], [width - 1, height - 1])
    low, high = np.floor(shape.min(0)).astype(int), np.ceil(shape.max(0)).astype(int) + 1
    if (high - low).min() < 2:
        return None, "The piece does not lie in the picture."
    inside = np.zeros((height, width), np.uint8)
    cv2.fillConvexPoly(inside, np.rint(shape).astype(np.int32), 1)
    masked = np.where(inside[:, :, None] > 0, mask_faces(pixels, faces), np.uint8(GREY))
    return _jpeg(masked[low[1] : high[1], low[0] : high[0]]), ""


def piece_outline_px(record: Mapping[str, Any]) -> Array:
    """(K, 2) px: the convex outline of the piece or sheet in the upright photo, as its result places it."""
    if record["format"] == "foldtrue-grid":
        points = np.array([line["ends_px"] for line in record["lines"]], float).reshape(-1, 2)
    elif record["format"] == "foldtrue-sheet":
        points = np.array([corner["planned_px"] for corner in record["corners"]], float)
    else:
        fit = record["fit"]
        homography, centre = np.array(fit["homography"], float), np.array(fit["lens_centre_px"], float)
        plane = PlaneMap(homography, float(fit["k1"]), centre, float(fit["lens_focal_px"]))
        points = plane.to_px(np.array([vertex["planned_mm"] for vertex in record["vertices"]], float))
    return np.asarray(cv2.convexHull(points.astype(np.float32))[:, 0], float)


def _jpeg(pixels: Any) -> bytes:
    """Drawn anew from pixels: nothing of the photo's metadata survives."""
    scale = min(1.0, _LONGEST_PX / max(pixels.shape[:2]))
    size = (max(1, round(pixels.shape[1] * scale)), max(1, round(pixels.shape[0] * scale)))
    small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    stream = io.BytesIO()
    Image.fromarray(small).save(stream, "JPEG", quality=_QUALITY)
    return stream.getvalue()

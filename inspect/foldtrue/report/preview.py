"""A photo that could not be measured, to lay the plan on by hand: a reduced picture and pins in a first place."""

from __future__ import annotations

import io

import numpy as np
from PIL import Image
from scipy.spatial import ConvexHull

from foldtrue.frames import Array
from foldtrue.handover import Nominal, Photo
from foldtrue.report.picture import ShownPicture
from foldtrue.report.result import as_json

_QUALITY = 85
_FILL = 0.35
"""Half the piece's size over the picture's shorter side, at first."""


def show_preview(photo: Photo, nominal: Nominal, mirrored: bool, longest_side_px: int = 1600) -> ShownPicture:
    """The whole photo, longer side at most `longest_side_px`, made anew from pixels.

    places: width_px, height_px; factor, photo px per shown px; pins, rows (x mm, y mm, x px, y px) of the outline's
    corners, the planned piece upright in the middle of the shown picture, mirrored where the back faces the camera.
    """
    pixels = photo.pixels if photo.pixels.dtype == np.uint8 else (photo.pixels >> 8).astype(np.uint8)
    image = Image.fromarray(pixels)
    factor = max(1.0, max(image.size) / longest_side_px)
    image = image.resize((round(image.width / factor), round(image.height / factor)), Image.Resampling.BOX)
    stream = io.BytesIO()
    image.save(stream, "JPEG", quality=_QUALITY)
    corners = outline_corners(nominal)
    scale = _FILL * min(image.size) / float(np.hypot(*nominal.outline_mm.T).max())
    at = np.array([image.width / 2, image.height / 2]) + corners * [-scale if mirrored else scale, -scale]
    places = {
        "width_px": image.width,
        "height_px": image.height,
        "factor": photo.pixels.shape[1] / image.width,
        "pins": np.concatenate([corners, at], 1),
    }
    plain = as_json(places)
    assert isinstance(plain, dict)
    return ShownPicture(stream.getvalue(), plain)


def outline_corners(nominal: Nominal) -> Array:
    """The corners (K, 2) mm of the piece's convex hull that a hand can tell apart, counter-clockwise: those nearer than
    half a pitch to a line through their neighbours are left out, the flattest first, never below four."""
    hull = nominal.outline_mm[ConvexHull(nominal.outline_mm).vertices]
    while len(hull) > 4:
        before, after = np.roll(hull, 1, axis=0), np.roll(hull, -1, axis=0)
        chord, out = after - before, hull - before
        off = np.abs(chord[:, 0] * out[:, 1] - chord[:, 1] * out[:, 0]) / np.hypot(*chord.T)
        flattest = int(off.argmin())
        if off[flattest] >= 0.5 * nominal.pitch_mm:
            break
        hull = np.delete(hull, flattest, axis=0)
    return np.asarray(hull)

"""What no picture may show is painted over: every picture a report writes goes through here.

A bank card serves as well as any other, so the face of a card is never shown, kept or recorded.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from foldtrue.frames import Array

GREY = 128
_GROWN = 0.04
"""Of an outline's size, to every side."""
_GROWN_PX = 3.0


def mask_faces(pixels: NDArray[Any], faces_px: tuple[Array, ...]) -> NDArray[Any]:
    """Pixels (H, W, 3) with every convex outline (K, 2) px, grown by a margin, filled with flat grey; a copy where
    there is any. Call it on the photo's own pixels, before they are made smaller or larger."""
    if not faces_px:
        return pixels
    masked = np.array(pixels)
    grey = GREY if masked.dtype == np.uint8 else GREY * 257
    for face in faces_px:
        middle = face.mean(0)
        out = face - middle
        reach = np.hypot(*out.T)[:, None]
        grown = middle + out * (1 + 2 * _GROWN) + out / np.maximum(reach, 1e-9) * 2 * _GROWN_PX
        polygon = np.rint(np.clip(grown, -2e4, 2e4)).astype(np.int32)
        cv2.fillConvexPoly(masked, cv2.convexHull(polygon), (grey, grey, grey))
    return masked

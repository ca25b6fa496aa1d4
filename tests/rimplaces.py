"""Where the rim of a piece lies in a photo, read off the light alone: for tests of pictures, not of the package."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import map_coordinates

from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import Photo


def rim_px(photo: Photo, plane: PlaneMap, corners_mm: Array) -> Array:
    """(K,) px from each expected side of a polygon (K, 2) mm out to the step of light beside it; nan without a step.

    The place of a step is where a sharp one that keeps the light's mean would lie; mean of the middle part of a side.
    """
    grey = photo.linear[photo.pixels[..., 1]]
    depth = np.arange(-8, 8.001, 0.02)
    offsets = []
    middle = plane.to_px(corners_mm).mean(axis=0)
    for start, end in zip(corners_mm, np.roll(corners_mm, -1, axis=0), strict=True):
        places = plane.to_px(start + np.linspace(0.2, 0.8, 60)[:, None] * (end - start))
        ahead = np.gradient(places, axis=0)
        outward = np.column_stack([-ahead[:, 1], ahead[:, 0]]) / np.hypot(*ahead.T)[:, None]
        outward *= np.sign(np.sum(outward * (places - middle), axis=1))[:, None]
        x, y = (places[:, None] + depth[None, :, None] * outward[:, None]).transpose(2, 0, 1)
        light = map_coordinates(grey, [y, x], order=1)
        step = light[:, :1] - light[:, -1:]
        share = (light - light[:, -1:]) / np.where(np.abs(step) > 0.01, step, np.nan)
        offsets.append(share.sum(axis=1).mean() * 0.02 - 8.01)
    return np.array(offsets)

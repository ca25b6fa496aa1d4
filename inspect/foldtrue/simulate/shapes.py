"""Flat shapes laid into the photo one over the other, each by the exact area it covers of every sub-pixel."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from foldtrue.frames import Array
from foldtrue.simulate.backlight import blurred, sub_pixels
from foldtrue.simulate.checked import Rgb
from foldtrue.simulate.raster import Image, Window, cells_of
from foldtrue.simulate.scene import Scene


@dataclass(frozen=True)
class Shape:
    """window: the part of the photo it may touch. cover: (height, width) share of each pixel there, blurred by the
    optics. colour: the light it puts in place of what lies below; None = a shadow, which takes that share away."""

    window: Window
    cover: Image
    colour: Rgb | None


def shape_of(rings_px: Sequence[Array], colour: Rgb | None, scene: Scene, weights: Sequence[float] = ()) -> Shape:
    """Closed outlines (..., M, 2) px as one shape, each running as a figure does that is counter-clockwise with y up.

    Where they cover a place its share is the sum of their weights, one for each array of outlines; 1 if not given.
    """
    start = np.concatenate([ring.reshape(-1, 2) for ring in rings_px])
    end = np.concatenate([np.roll(ring, -1, axis=-2).reshape(-1, 2) for ring in rings_px])
    weight = np.repeat(np.array(weights or [1.0] * len(rings_px)), [ring.size // 2 for ring in rings_px])
    window, fine = _window(start, scene), replace(scene, oversample=sub_pixels(scene))
    s = fine.oversample
    ends = (window.corner_coordinates(start) * s, window.corner_coordinates(end) * s)
    cells = cells_of(*ends, window.height * s, window.width * s)
    cover = blurred(cells, weight, window, fine) - np.float32(1)
    return Shape(window, np.asarray(cover, np.float32), colour)


def laid_over(channels: Sequence[Image], shapes: Sequence[Shape], rows: tuple[int, int], width: int) -> list[Image]:
    """The channels, each (rows, width) or (1, 1) where it is even, with the shapes laid over them one by one."""
    result = list(channels)
    for shape in shapes:
        window = shape.window
        if window.y >= rows[1] or window.y + window.height <= rows[0]:
            continue
        cover = pasted(shape.cover, window, rows, width, 0.0)
        for k, below in enumerate(result):
            light = np.float32(0 if shape.colour is None else shape.colour[k])
            result[k] = below + cover * (light - below)
    return result


def pasted(image: Image, window: Window, rows: tuple[int, int], width: int, around: float = 1.0) -> Image:
    """(rows, width) of the photo: the window's image where it lies, an even light around it."""
    result = np.full((rows[1] - rows[0], width), around, np.float32)
    x0, x1 = max(window.x, 0), min(window.x + window.width, width)
    y0, y1 = max(window.y, rows[0]), min(window.y + window.height, rows[1])
    if x0 < x1 and y0 < y1:
        part = image[y0 - window.y : y1 - window.y, x0 - window.x : x1 - window.x]
        result[y0 - rows[0] : y1 - rows[0], x0:x1] = part
    return result


def outlines(corners_mm: Array, step_mm: float) -> Array:
    """(R, K, 2) corners of closed figures -> (R, K * n, 2): every side cut into n parts, none longer than step_mm."""
    along = np.roll(corners_mm, -1, axis=1) - corners_mm
    count = max(1, math.ceil(float(np.hypot(along[..., 0], along[..., 1]).max()) / step_mm))
    share = (np.arange(count) / count)[:, None]
    points = corners_mm[:, :, None] + share * along[:, :, None]
    return np.asarray(points.reshape(len(corners_mm), -1, 2))


def _window(points_px: Array, scene: Scene) -> Window:
    """The part of the photo between the points, with room for the blur on all sides."""
    reach = math.ceil(4.5 * scene.sensor.blur_px) + 3
    size = np.array([scene.camera.width_px, scene.camera.height_px])
    low = np.clip(np.floor(points_px.min(axis=0)), 0, size).astype(int) - reach
    high = np.clip(np.ceil(points_px.max(axis=0)), 0, size).astype(int) + reach
    return Window(int(low[0]), int(low[1]), int(high[0] - low[0]) + 1, int(high[1] - low[1]) + 1)

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


def beneath(lower: Shape, upper: Shape, share: float = 1.0) -> Shape:
    """The lower shape as it is to be laid where the upper one, which lies inside it or on its rim, follows at once.

    The optics blur what is seen and not what is hidden. Laid one after the other, two covers c and C that end on one
    line leave (1 - c)(1 - C) of the light below instead of 1 - c, and the thing grows by half a blur; so the lower one
    is given the cover (c - share C) / (1 - C), of which that much is seen beside the upper one. share: what the lower
    one is of a whole cover, less than 1 for a shadow.
    """
    own, other = lower.window, upper.window
    there = replace(other, x=other.x - own.x, y=other.y - own.y)
    above = pasted(upper.cover, there, (0, own.height), own.width, 0.0)
    seen = np.maximum(lower.cover - np.float32(share) * above, 0)
    return replace(lower, cover=np.asarray(seen / np.maximum(1 - above, np.float32(1e-6)), np.float32))


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

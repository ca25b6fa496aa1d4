"""What a backlit plan should look like in a small picture, and how well a photo agrees with it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from foldtrue.frames import Array, apply_homography
from foldtrue.handover import IntArray, Nominal, Photo
from foldtrue.subpixel import Image, linear_grey

SUBPIXEL_BITS = 4


@dataclass(frozen=True)
class Small:
    """The photo reduced by a whole factor. log: (h, w) log of linear light; rgb: (h, w, 3) reduced gamma-coded colour,
    float.
    A full-size pixel (x, y) lies at ((x + 0.5) / factor - 0.5)."""

    log: Image
    rgb: NDArray[np.float32]
    factor: int


def reduce_photo(photo: Photo, longest: int = 640) -> Small:
    """Area-average the photo to about `longest` px along its longer side."""
    import cv2

    height, width = photo.pixels.shape[:2]
    factor = max(1, round(max(height, width) / longest))
    h, w = height // factor, width // factor
    cut = photo.pixels[: h * factor, : w * factor]
    small = cv2.resize(cut, (w, h), interpolation=cv2.INTER_AREA) if factor > 1 else cut
    grey = linear_grey(small, photo.linear)
    top = float(np.iinfo(photo.pixels.dtype).max)
    return Small(
        np.log(np.maximum(grey, 2e-3)).astype(np.float32), (small / np.float32(top)).astype(np.float32), factor
    )


def to_small_matrix(factor: int) -> Array:
    """Homography full-size px -> small px."""
    shift = 0.5 / factor - 0.5
    return np.array([[1 / factor, 0, shift], [0, 1 / factor, shift], [0, 0, 1.0]])


def layer_raster(nominal: Nominal, matrix: Array, shape: tuple[int, int]) -> IntArray:
    """Paper layers (h, w) seen through the folded plan placed by matrix (mm -> px of the raster)."""
    import cv2

    px = apply_homography(matrix, nominal.vertices_mm)
    fixed = np.rint(px * (1 << SUBPIXEL_BITS)).astype(np.int32)
    layers = np.zeros(shape, np.uint8)
    for facet in nominal.facets:
        polygon = fixed[list(facet.vertices)]
        low = np.maximum((polygon.min(0) >> SUBPIXEL_BITS) - 1, 0)
        high = np.minimum((polygon.max(0) >> SUBPIXEL_BITS) + 2, [shape[1], shape[0]])
        if (high <= low).any():
            continue
        patch = np.zeros((high[1] - low[1], high[0] - low[0]), np.uint8)
        cv2.fillPoly(patch, [polygon - (low << SUBPIXEL_BITS).astype(np.int32)], 1, shift=SUBPIXEL_BITS)
        layers[low[1] : high[1], low[0] : high[0]] += patch
    return layers.astype(np.int64)


@dataclass(frozen=True)
class Agreement:
    """share: of the variance of log light on the paper that the plan's layers explain (0..1), beyond a smooth
    illumination, 0 when more layers would be brighter; levels: fitted log light by layer count (0 = beside the
    piece)."""

    share: float
    levels: dict[int, float]


def planned_counts(nominal: Nominal, view: str) -> IntArray:
    """Layer counts that the plan has on paper; a raster shows others along edges, where two polygons claim one
    pixel."""
    s = nominal.views[view]
    counts = np.unique(np.concatenate([s.layers_left, s.layers_right]))
    return np.asarray(counts[counts > 0], np.int64)


def agreement(log_light: Image, layers: IntArray, counts: IntArray, most: int = 30000) -> Agreement:
    """Regress log light on layer count (free levels for `counts`) and a quadratic illumination over the paper; share
    of variance explained."""
    ys, xs = np.nonzero(np.isin(layers, counts))
    if len(ys) < 200:
        return Agreement(0.0, {})
    if len(ys) > most:
        pick = np.linspace(0, len(ys) - 1, most).astype(int)
        ys, xs = ys[pick], xs[pick]
    counts, index = np.unique(layers[ys, xs], return_inverse=True)
    y = log_light[ys, xs].astype(float)
    span = float(max(layers.shape))
    u, v = (xs - float(xs.mean())) / span, (ys - float(ys.mean())) / span
    smooth = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], 1)
    classes = (index[:, None] == np.arange(len(counts))).astype(float)
    design = np.concatenate([classes, smooth[:, 1:]], 1)
    weight = np.ones_like(y)
    for _ in range(3):
        coef, rest = _solve(design, y, weight)
        weight = 1.0 / np.maximum(1.0, np.abs(rest) / (2.0 * np.median(np.abs(rest)) + 1e-6))
    plain = _solve(smooth, y, weight)[1]
    share = 1 - float(np.sum(weight * rest**2)) / max(float(np.sum(weight * plain**2)), 1e-12)
    levels = {int(c): float(value) for c, value in zip(counts, coef, strict=False)}
    populated = [levels[int(c)] for c, n in zip(counts, np.bincount(index), strict=True) if n > 0.02 * len(y)]
    rising = len(populated) < 2 or any(b > a + 0.02 for a, b in pairwise(populated))
    return Agreement(0.0 if rising else max(share, 0.0), levels)


def _solve(design: Array, y: Array, weight: Array) -> tuple[Array, Array]:
    wd = design * weight[:, None]
    coef = np.linalg.solve(wd.T @ design + 1e-9 * np.eye(design.shape[1]), wd.T @ y)
    return coef, y - design @ coef

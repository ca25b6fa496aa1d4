"""Exact pixel areas: what a plane figure with straight edges adds to each pixel it touches.

The method is the signed-area accumulation known from glyph drawing: every edge piece leaves, in the pixels it passes,
the area to its right; a running sum along each row turns that into the exact mean over every pixel. The jump across an
edge may be any number, so one pass over all edge pieces draws a whole picture of flat areas without sampling it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from foldtrue.frames import Array
from foldtrue.handover import IntArray

Image = NDArray[np.float32]


@dataclass(frozen=True)
class Window:
    """The part of the photo the piece can touch: first pixel (x, y) and size; it may pass the photo's borders."""

    x: int
    y: int
    width: int
    height: int

    def corner_coordinates(self, px: Array) -> Array:
        """(..., 2) px of the photo -> px of the window, pixel i spanning i to i + 1."""
        return np.asarray(px + 0.5 - (self.x, self.y))


@dataclass(frozen=True)
class Cells:
    """Parts of edges inside single pixels, sorted by row. row, column: pixel. cover: signed height. inner: cover times
    the mean distance from the pixel's left side. edge: index of the edge it belongs to. All arrays have one length."""

    row: IntArray
    column: IntArray
    cover: Array
    inner: Array
    edge: IntArray

    def accumulated(self, weight: Array, rows: tuple[int, int], width: int) -> Image:
        """Mean over each pixel of rows[0] <= row < rows[1]; (rows, width) float32, 0 at the left border.

        weight: one per edge, the change from left to right across an edge that runs towards growing row.
        """
        a, b = np.searchsorted(self.row, rows)
        w = weight[self.edge[a:b]]
        place = (self.row[a:b] - rows[0]) * (width + 1) + self.column[a:b]
        size = (rows[1] - rows[0]) * (width + 1)
        here = np.bincount(place, (self.cover[a:b] - self.inner[a:b]) * w, size)
        here[1:] += np.bincount(place, self.inner[a:b] * w, size)[:-1]
        return np.cumsum(here.reshape(-1, width + 1), axis=1)[:, :-1].astype(np.float32)


def cells_of(start: Array, end: Array, height: int, width: int) -> Cells:
    """Cut edges (N, 2) -> (N, 2) at all pixel sides. Coordinates are in px with pixel i spanning i to i + 1.

    Edges left of the picture count at its left border, edges right of it, above or below not at all.
    """
    x0, x1, dy, row, edge = _cut_to_rows(start, end, height)
    keep = (np.minimum(x0, x1) < width) & (dy != 0)
    x0, x1, dy, row, edge = x0[keep], x1[keep], dy[keep], row[keep], edge[keep]
    outside = np.maximum(x0, x1) <= 0
    x0, x1 = np.where(outside, 0.0, x0), np.where(outside, 0.0, x1)
    low, high = np.minimum(x0, x1), np.maximum(x0, x1)
    first = np.floor(low).astype(np.int64)
    count = np.maximum(np.ceil(high).astype(np.int64) - first, 1)
    own, step = _repeated(count)
    column = first[own] + step
    left, right = np.maximum(low[own], column), np.minimum(high[own], column + 1)
    span = (high - low)[own]
    share = np.where(span > 0, (right - left) / np.where(span > 0, span, 1.0), 1.0)
    cover = share * dy[own]
    inner = cover * (0.5 * (left + right) - column)
    before = column < 0
    column, inner = np.where(before, 0, column), np.where(before, 0.0, inner)
    inside = column < width
    row, edge, column, cover, inner = row[own][inside], edge[own][inside], column[inside], cover[inside], inner[inside]
    order = np.argsort(row, kind="stable")
    return Cells(row[order], column[order], cover[order], inner[order], edge[order])


def _cut_to_rows(start: Array, end: Array, height: int) -> tuple[Array, Array, Array, IntArray, IntArray]:
    """x at both ends, signed height, row and edge of every part between two row borders."""
    down = np.where(end[:, 1] >= start[:, 1], 1.0, -1.0)
    top, bottom = np.where(down[:, None] > 0, start, end), np.where(down[:, None] > 0, end, start)
    low, high = np.clip(top[:, 1], 0, height), np.clip(bottom[:, 1], 0, height)
    first = np.floor(low).astype(np.int64)
    count = np.where(high > low, np.ceil(high).astype(np.int64) - first, 0)
    edge, step = _repeated(count)
    row = first[edge] + step
    y0, y1 = np.maximum(low[edge], row), np.minimum(high[edge], row + 1)
    rise = (bottom[:, 1] - top[:, 1])[edge]
    slope = (bottom[:, 0] - top[:, 0])[edge] / np.where(rise > 0, rise, 1.0)
    x0 = top[edge, 0] + (y0 - top[edge, 1]) * slope
    x1 = top[edge, 0] + (y1 - top[edge, 1]) * slope
    return x0, x1, (y1 - y0) * down[edge], row, edge


def _repeated(count: IntArray) -> tuple[IntArray, IntArray]:
    """Index of the owner and number within it, for count[i] parts of each owner i."""
    owner = np.repeat(np.arange(len(count)), count)
    return owner, np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)


def outlines_of(strokes_px: Array, width_px: float) -> tuple[Array, Array]:
    """Closed outlines of straight strokes: lines (N, 2, 2) px as quadrilaterals of a width (at least 0.05 px).

    Returns start and end (4N, 2), wound so that a weight of +1 for edges running towards growing row fills them.
    """
    along = strokes_px[:, 1] - strokes_px[:, 0]
    length = np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-12)
    side = 0.5 * max(width_px, 0.05) * np.column_stack([-along[:, 1], along[:, 0]]) / length[:, None]
    a, b = strokes_px[:, 0], strokes_px[:, 1]
    corners = np.stack([a + side, b + side, b - side, a - side], axis=1)
    return corners.reshape(-1, 2), np.roll(corners, -1, axis=1).reshape(-1, 2)

"""Exact areas of many figures at once, read block by block: what each facet covers, and what lies on it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import IntArray
from foldtrue.simulate.raster import Image, cells_of


@dataclass(frozen=True)
class Block:
    """Pixels row0 <= row < row1, column0 <= column < column1 of a window."""

    row0: int
    row1: int
    column0: int
    column1: int

    def times(self, factor: int) -> Block:
        """The same area in sub-pixels."""
        return Block(self.row0 * factor, self.row1 * factor, self.column0 * factor, self.column1 * factor)


@dataclass(frozen=True)
class Figures:
    """Parts of edges inside pixels, sorted by group and row. bounds: (G + 1,) where each group starts.

    first, second: what each part adds to its own pixel and to the next one, before the running sum along the row.
    """

    bounds: IntArray
    row: IntArray
    column: IntArray
    first: Array
    second: Array

    def has(self, group: int, block: Block) -> bool:
        """Whether a group has any edge in the block's rows."""
        low, high = self._within(group, block)
        return high > low

    def drawn(self, group: int, block: Block) -> Image:
        """Mean of a group over each pixel of the block, float32, exact also where figures reach beyond it."""
        low, high = self._within(group, block)
        height, width = block.row1 - block.row0, block.column1 - block.column0
        column = self.column[low:high] - block.column0
        first, second = self.first[low:high], self.second[low:high]
        before = column < 0
        if before.any():
            first = np.where(before, first + second, first)
            second = np.where(before, 0.0, second)
            column = np.maximum(column, 0)
        inside = column < width
        if not inside.all():
            column, first, second = column[inside], first[inside], second[inside]
            place = (self.row[low:high][inside] - block.row0) * (width + 1) + column
        else:
            place = (self.row[low:high] - block.row0) * (width + 1) + column
        here = np.bincount(place, first, height * (width + 1))
        here += np.bincount(place + 1, second, height * (width + 1))
        return np.cumsum(here.reshape(height, width + 1), axis=1, dtype=np.float64)[:, :-1].astype(np.float32)

    def _within(self, group: int, block: Block) -> tuple[int, int]:
        start, stop = int(self.bounds[group]), int(self.bounds[group + 1])
        low, high = np.searchsorted(self.row[start:stop], (block.row0, block.row1))
        return start + int(low), start + int(high)


def figures_of(
    edges_px: tuple[Array, Array], weight: Array, group: IntArray, groups: int, size: tuple[int, int]
) -> Figures:
    """Figures from edges start -> end (N, 2), in px with pixel i spanning i to i + 1, each with its weight and group.

    weight: (N,) the change from left to right across an edge that runs towards growing row. size: rows, columns of the
    window; edges beyond its right side are left out.
    """
    cells = cells_of(*edges_px, *size)
    cell_group = group[cells.edge]
    order = np.argsort(cell_group, kind="stable")
    edge = cells.edge[order]
    w = weight[edge]
    second = cells.inner[order] * w
    return Figures(
        bounds=np.searchsorted(cell_group[order], np.arange(groups + 1)),
        row=cells.row[order],
        column=cells.column[order],
        first=cells.cover[order] * w - second,
        second=second,
    )


def polygons_of(corners_px: Array, weight: Array, group: IntArray, groups: int, size: tuple[int, int]) -> Figures:
    """Figures from polygons (Q, K, 2) in px that add weight (Q,) inside, whichever way round their corners run."""
    start, end = corners_px, np.roll(corners_px, -1, axis=1)
    area = np.sum(start[..., 0] * end[..., 1] - start[..., 1] * end[..., 0], axis=1)
    sides = corners_px.shape[1]
    signed = np.repeat(-np.sign(area) * weight, sides)
    return figures_of((start.reshape(-1, 2), end.reshape(-1, 2)), signed, np.repeat(group, sides), groups, size)

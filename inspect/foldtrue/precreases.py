"""The grid's creases that no fold uses: where they cross the facets, in the folded piece.

A pleat is folded on the grid's creases, so that a twist's tips lie on grid points, and what the folds leave of the grid
runs on across the facets from tip to tip or to the middle of a side.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import Facet, Nominal
from foldtrue.handover_precreases import Precreases

_ON_LINE_MM = 1e-6


def precreases(nominal: Nominal) -> Precreases:
    """The unused creases of all facets, family by family and facet by facet.

    Each line of the sheet's three families is clipped to each facet in the sheet. Its ends lie on two of the facet's
    edges, and keep their places on these however the piece came out, so that lines stay joined over folds.
    """
    facets: list[int] = []
    lines: list[int] = []
    corners: list[Array] = []
    shares: list[Array] = []
    before = 0
    for normal, offset, spacing in families(*grid_of(nominal)):
        reach = nominal.vertices_sheet_mm @ normal - offset
        first, last = line_numbers(nominal, normal, offset, spacing)
        for index, facet in enumerate(nominal.facets):
            for line, pairs, share in _lines_in(facet, reach, spacing):
                facets.append(index)
                lines.append(before + line - first)
                corners.append(pairs)
                shares.append(share)
        before += last - first + 1
    return Precreases(
        np.array(facets, np.int64),
        np.array(lines, np.int64),
        np.array(corners, np.int64).reshape(-1, 2, 2),
        np.array(shares, float).reshape(-1, 2),
    )


def grid_of(nominal: Nominal) -> tuple[Array, Array]:
    """The sheet's grid: base (2, 2), rows = the steps of grid coordinates 1 and 2 in sheet mm, and its origin (2,).

    Read off the twists, which carry both grid and sheet coordinates; with too few of them, one direction along x and a
    grid point in the sheet's centre.
    """
    grid = np.array([[1.0, *twist.grid] for twist in nominal.twists]).reshape(-1, 3)
    if len(grid) >= 3 and np.linalg.matrix_rank(grid) == 3:
        sheet = np.array([twist.sheet_mm for twist in nominal.twists])
        fit = np.linalg.lstsq(grid, sheet, rcond=None)[0]
        return fit[1:], fit[0]
    return nominal.pitch_mm * np.array([[1.0, 0.0], [0.5, math.sqrt(0.75)]]), np.zeros(2)


def families(base: Array, origin: Array) -> Iterator[tuple[Array, float, float]]:
    """Unit normal, offset of a line through the origin, and spacing of the three families of grid lines."""
    area = abs(base[0, 0] * base[1, 1] - base[0, 1] * base[1, 0])
    for along in (base[0], base[1], base[1] - base[0]):
        length = float(np.hypot(*along))
        normal = np.array([-along[1], along[0]]) / length
        yield normal, float(origin @ normal), area / length


def line_numbers(nominal: Nominal, normal: Array, offset: float, spacing: float) -> tuple[int, int]:
    """Numbers of the first and last line of a family that meets the sheet."""
    reach = nominal.vertices_sheet_mm @ normal - offset
    return math.ceil(reach.min() / spacing), math.floor(reach.max() / spacing)


def _lines_in(facet: Facet, reach: Array, spacing: float) -> Iterator[tuple[int, Array, Array]]:
    """Lines of one family that cross the inside of a (convex) facet: number, and for both ends the vertices of the edge
    they lie on (2, 2) and the share of that edge (2,)."""
    own = np.array(facet.vertices)
    d = reach[own] / spacing
    slack = _ON_LINE_MM / spacing
    d_next, following = np.roll(d, -1), np.roll(own, -1)
    for line in range(math.ceil(d.min() + slack), math.floor(d.max() - slack) + 1):
        a, b = d - line, d_next - line
        a, b = np.where(abs(a) < slack, 0.0, a), np.where(abs(b) < slack, 0.0, b)
        hit = (a * b < 0) | ((a == 0) & (b != 0))
        if hit.sum() == 2:
            yield line, np.stack([own[hit], following[hit]], 1), a[hit] / (a[hit] - b[hit])

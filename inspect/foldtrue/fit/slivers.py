"""Slivers between two folds on one line as equations of the network: how wide each is, and where its middle lies."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from foldtrue.fit.lines import LEAST_STD_MM
from foldtrue.fit.scatter import INLIER, fit_lines
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import BoolArray, IntArray, Nominal
from foldtrue.handover_slivers import Slivers
from foldtrue.stretches import left_normals
from foldtrue.subpixel import robust_line

if TYPE_CHECKING:
    from foldtrue.fit.weak import Setup


@dataclass(frozen=True)
class SliverLines:
    """Straight lines (E,) through what slivers show: value_mm at t_mid and slope_mm per unit t, each with its std.

    creases (E, 2), coefficients (E, 2): the value is that combination of the two folds' offsets along the left normal
    of the first: half and half for a sliver's middle, their difference for its width. level: (E,) number of the kind of
    surroundings that a width is in, -1 for a middle; gain: (E,) number of the ratio of light it rests on, -1 for a
    middle; gain_std (K,): relative standard deviation of those; pixel_share: (E, 2) as in EdgeLines.
    """

    creases: IntArray
    coefficients: Array
    t_mid: Array
    value_mm: Array
    value_std_mm: Array
    slope_mm: Array
    slope_std_mm: Array
    level: IntArray
    gain: IntArray
    gain_std: Array
    pixel_share: Array

    @property
    def unknowns(self) -> int:
        """How many the widths add to a network: a shift for every kind of surroundings, and a gain for every ratio."""
        return int(self.level.max(initial=-1)) + 1 + len(self.gain_std)


def sliver_lines(slivers: Slivers, nominal: Nominal, plane: PlaneMap, k1_change: float) -> SliverLines | None:
    """Condense the samples of each sliver to two straight lines; None where none shows. k1_change: of the map the
    samples were measured with, which is taken off the middles."""
    groups = len(slivers.layers)
    first = slivers.creases[:, 0]
    ends = nominal.vertices_mm[nominal.creases.ends[first]][slivers.line]
    points = ends[:, 0] + (ends[:, 1] - ends[:, 0]) * slivers.t[:, None]
    lens = k1_change * np.sum(plane.radial_field(points) * left_normals(nominal, first)[slivers.line], 1)
    every = np.ones(len(slivers.t), bool)
    area = _lines(slivers, slivers.area_mm, slivers.area_std_mm, every, groups)
    middle = _lines(slivers, slivers.middle_mm - lens, slivers.middle_std_mm, np.isfinite(slivers.middle_std_mm), groups)
    wide, placed = (np.flatnonzero(fit.samples >= 3) for fit in (area, middle))
    if not len(wide):
        return None
    bright = area.offset[wide] > 0
    ratio = np.where(bright, slivers.open[wide], slivers.lapped[wide])
    ratio_std = np.where(bright, slivers.open_std[wide], slivers.lapped_std[wide])
    levels, level = np.unique(slivers.layers[wide], return_inverse=True)
    gains, known, gain = np.unique(2 * level + bright, return_index=True, return_inverse=True)
    both = np.concatenate([wide, placed])
    none = np.full(len(placed), -1, np.int64)
    sense = slivers.sense[wide]
    # The sense says which way the paper of the first fold lies; its width is what its edge stands back from the other's.
    coefficients = np.concatenate([np.stack([sense, -sense], 1), np.full((len(placed), 2), 0.5)])
    size = np.abs(ratio)
    return SliverLines(
        creases=slivers.creases[both],
        coefficients=coefficients,
        t_mid=np.concatenate([area.t_mid[wide], middle.t_mid[placed]]),
        value_mm=np.concatenate([area.offset[wide] / size, middle.offset[placed]]),
        value_std_mm=np.maximum(np.concatenate([area.offset_std[wide] / size, middle.offset_std[placed]]), LEAST_STD_MM),
        slope_mm=np.concatenate([area.slope[wide] / size, middle.slope[placed]]),
        slope_std_mm=np.maximum(np.concatenate([area.slope_std[wide] / size, middle.slope_std[placed]]), LEAST_STD_MM),
        level=np.concatenate([level, none]),
        gain=np.concatenate([gain, none]),
        gain_std=ratio_std[known],
        pixel_share=np.concatenate([area.pixel_share[wide], middle.pixel_share[placed]]),
    )


def _lines(slivers: Slivers, value: Array, std: Array, use: BoolArray, groups: int) -> Any:
    """Lines (G,) through the values of the samples in use, those far off left out as in `edge_lines`."""
    std = np.where(use, np.maximum(std, 1e-5), 1.0)
    trust = robust_line(slivers.t, value, use / std**2, slivers.line, groups, spread=1e-4)[2]
    return fit_lines(slivers.t, value, std, use & (trust > INLIER), slivers.line, slivers.piece, groups)


def sliver_equations(lines: SliverLines, nominal: Nominal, setup: Setup) -> Any:
    """Sparse (2 E, size): rows 2 e and 2 e + 1 predict value and slope of line e.

    A width is measured as (1 + gain) times what it
    is, plus the shift that folds of some thickness bring.
    """
    from scipy import sparse

    every = np.arange(len(lines.t_mid))
    normal = left_normals(nominal, lines.creases[:, 0])
    start, end = np.moveaxis(nominal.vertices_mm[nominal.creases.ends[lines.creases[:, 0]]], 1, 0)
    run = end - start
    rows: list[IntArray] = []
    cols: list[IntArray] = []
    vals: list[Array] = []
    for k in (0, 1):
        ends = nominal.creases.ends[lines.creases[:, k]]
        p, q = nominal.vertices_mm[ends[:, 0]], nominal.vertices_mm[ends[:, 1]]
        along = np.sum((q - p) ** 2, 1)
        t = np.sum((start + run * lines.t_mid[:, None] - p) * (q - p), 1) / along
        rate = np.sum(run * (q - p), 1) / along
        for row, weights in ((0, (1 - t, t)), (1, (-rate, rate))):
            for side, weight in enumerate(weights):
                for axis in (0, 1):
                    rows.append(2 * every + row)
                    cols.append(2 * setup.unknown_of[ends[:, side]] + axis)
                    vals.append(lines.coefficients[:, k] * weight * normal[:, axis])
    wide = np.flatnonzero(lines.level >= 0)
    first_column = setup.sliver_column
    gains = first_column + int(lines.level.max(initial=-1)) + 1 + lines.gain[wide]
    for row, column, value in (
        (0, first_column + lines.level[wide], np.ones(len(wide))),
        (0, gains, lines.value_mm[wide]),
        (1, gains, lines.slope_mm[wide]),
    ):
        rows.append(2 * wide + row)
        cols.append(column)
        vals.append(value)
    return sparse.csr_matrix(
        (np.concatenate(vals), (np.concatenate(rows), np.concatenate(cols))), shape=(2 * len(every), setup.size)
    )

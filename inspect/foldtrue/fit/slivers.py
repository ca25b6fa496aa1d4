"""Slivers between two folds on one line as equations of the network: how wide each is, and where its middle lies."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from foldtrue.fit.lines import LEAST_STD_MM
from foldtrue.fit.scatter import INLIER, fit_lines
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import BoolArray, IntArray, Nominal
from foldtrue.handover_slivers import WIDEST, Slivers
from foldtrue.stretches import left_normals
from foldtrue.subpixel import robust_line

if TYPE_CHECKING:
    from foldtrue.fit.weak import Setup


OWN = 0.05
"""How far one sliver's light is off that of its kind, relative."""
UNEVEN, FLOOR = 2.0, 0.1
"""What lies beside a sliver is not alike on both sides, over its whole length: a sliver's middle is so much less sure
than its scatter shows, and by so much of the blur at least. All three found on simulated paper."""


@dataclass(frozen=True)
class SliverLines:
    """Straight lines (E,) through what slivers show: value_mm at t_mid and slope_mm per unit t, each with its std.

    creases (E, 2), coefficients (E, 2): the value is that combination of the two folds' offsets along the left normal
    of the first: half and half for a sliver's middle, their difference for its width. kind: (E,) of a width, by the
    layers beside it, whether it is bright or dark and how it is told, -1 for a middle; by_light (K,): whether a
    kind's widths rest on their light; pixel_share: (E, 2) as in EdgeLines.
    """

    creases: IntArray
    coefficients: Array
    t_mid: Array
    value_mm: Array
    value_std_mm: Array
    slope_mm: Array
    slope_std_mm: Array
    kind: IntArray
    by_light: BoolArray
    pixel_share: Array

    @property
    def kinds(self) -> int:
        """How many kinds of widths there are; each has a shift and a gain of its own."""
        return len(self.by_light)


def sliver_lines(slivers: Slivers, nominal: Nominal, plane: PlaneMap, k1_change: float) -> SliverLines | None:
    """Condense the samples of each sliver to two straight lines; None where none shows. k1_change: of the map the
    samples were measured with, which is taken off the middles."""
    groups = len(slivers.layers)
    first = slivers.creases[:, 0]
    ends = nominal.vertices_mm[nominal.creases.ends[first]][slivers.line]
    points = ends[:, 0] + (ends[:, 1] - ends[:, 0]) * slivers.t[:, None]
    lens = k1_change * np.sum(plane.radial_field(points) * left_normals(nominal, first)[slivers.line], 1)
    area = _lines(slivers, slivers.area_mm, slivers.area_std_mm, np.isfinite(slivers.area_std_mm), groups)
    seen = np.isfinite(slivers.middle_std_mm)
    middle = _lines(slivers, slivers.middle_mm - lens, slivers.middle_std_mm, seen, groups)
    size = np.abs(np.where(area.offset > 0, slivers.open, slivers.lapped))
    sure = (np.abs(area.offset) < WIDEST * slivers.blur_mm * size) | slivers.resolved
    told, placed = np.flatnonzero((area.samples >= 3) & sure), np.flatnonzero(middle.samples >= 3)
    if not len(told):
        return None
    key = np.stack([slivers.resolved[told], slivers.layers[told], area.offset[told] > 0], 1)
    kinds, kind = np.unique(key, axis=0, return_inverse=True)
    kind = kind.ravel()
    both = np.concatenate([told, placed])
    none = np.full(len(placed), -1, np.int64)
    sense = slivers.sense[told]
    # The first fold's paper lies on the side its sense says: a gap opens where that fold stands back to that side.
    coefficients = np.concatenate([np.stack([sense, -sense], 1), np.full((len(placed), 2), 0.5)])
    width, spread = (each[told] / size[told] for each in (area.offset, area.offset_std))
    slope, slope_std = (each[told] / size[told] for each in (area.slope, area.slope_std))
    floor = FLOOR * slivers.blur_mm
    own = np.where(slivers.resolved[told], 0.0, OWN)
    value_std = np.hypot(spread, own * np.abs(width)), np.hypot(UNEVEN * middle.offset_std[placed], floor)
    rate_std = np.hypot(slope_std, own * np.abs(slope)), np.hypot(UNEVEN * middle.slope_std[placed], 2 * floor)
    return SliverLines(
        creases=slivers.creases[both],
        coefficients=coefficients,
        t_mid=np.concatenate([area.t_mid[told], middle.t_mid[placed]]),
        value_mm=np.concatenate([width, middle.offset[placed]]),
        value_std_mm=np.maximum(np.concatenate(value_std), LEAST_STD_MM),
        slope_mm=np.concatenate([slope, middle.slope[placed]]),
        slope_std_mm=np.maximum(np.concatenate(rate_std), LEAST_STD_MM),
        kind=np.concatenate([kind, none]),
        by_light=kinds[:, 0] == 0,
        pixel_share=np.concatenate([area.pixel_share[told], middle.pixel_share[placed]]),
    )


def _lines(slivers: Slivers, value: Array, std: Array, use: BoolArray, groups: int) -> Any:
    """Lines (G,) through the values of the samples in use, those far off left out as in `edge_lines`."""
    std = np.where(use, np.maximum(std, 1e-5), 1.0)
    trust = robust_line(slivers.t, value, use / std**2, slivers.line, groups, spread=1e-4)[2]
    return fit_lines(slivers.t, value, std, use & (trust > INLIER), slivers.line, slivers.piece, groups)


def sliver_equations(lines: SliverLines, nominal: Nominal, setup: Setup) -> Any:
    """Sparse (2 E, size): rows 2 e and 2 e + 1 predict value and slope of line e, as the folds lie; a width has the
    shift and slope of its kind on top, which folds of some thickness and what lies beside their ends bring."""
    from scipy import sparse

    every = np.arange(len(lines.t_mid))
    normal = left_normals(nominal, lines.creases[:, 0])
    start, end = np.moveaxis(nominal.vertices_mm[nominal.creases.ends[lines.creases[:, 0]]], 1, 0)
    run = end - start
    told = np.flatnonzero(lines.kind >= 0)
    shift = setup.sliver_column + lines.kind[told]
    sense = setup.turn_sense[lines.creases[told, 0]]
    rows: list[IntArray] = [2 * told, 2 * told, 2 * told + 1]
    cols: list[IntArray] = [shift, shift + lines.kinds, shift + lines.kinds]
    vals: list[Array] = [np.ones(len(told)), sense * (lines.t_mid[told] - 0.5), sense]
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
    return sparse.csr_matrix(
        (np.concatenate(vals), (np.concatenate(rows), np.concatenate(cols))), shape=(2 * len(every), setup.size)
    )


def gain_equations(lines: SliverLines, setup: Setup, width: Array) -> Any:
    """What the gain of each kind adds to `sliver_equations`: so much of the width (2 E,) that the network gives a
    sliver, value and slope in turn. Not of the measured one: that would let a gain explain any width away."""
    from scipy import sparse

    told = np.flatnonzero(np.repeat(lines.kind, 2) >= 0)
    column = setup.sliver_column + 2 * lines.kinds + np.repeat(lines.kind, 2)[told]
    return sparse.csr_matrix((width[told], (told, column)), shape=(len(width), setup.size))

"""Bands of light across the grid's lines, sampled on the photo's own pixels and averaged in blocks along each line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import BoolArray, IntArray
from foldtrue.handover_grid import PlannedGrid, SheetSides
from foldtrue.subpixel import Image, cross_lines

BLOCK_MM = 4.0
RIM_MM = 0.8
"""Nothing this near the cut edge is used: the edge itself, its shadow, and what the lens makes of them."""
STATION = 2.0
"""Distance of cross-lines, in steps across the line (about one pixel)."""


@dataclass(frozen=True)
class Bands:
    """line (B,): which planned line a block belongs to; s_mm (B,): its middle along the line. light (B, U): mean light
    relative to the paper around it, 0 where nothing could be used; share (B, U): of its samples that were used.
    u_mm (U,): across the line, from its expected path."""

    line: IntArray
    s_mm: Array
    light: Array
    share: Array
    u_mm: Array

    @property
    def step_mm(self) -> float:
        return float(self.u_mm[1] - self.u_mm[0])


@dataclass(frozen=True)
class Paths:
    """Expected lines: offset_mm (L,) at the foot and angle_rad (L,), beyond the planned ones; known (L,) where a crease
    was seen there."""

    offset_mm: Array
    angle_rad: Array
    known: BoolArray

    def at(self, line: IntArray, s_mm: Array) -> Array:
        """Shift of the lines along their normals at places along them."""
        return np.asarray(self.offset_mm[line] - self.angle_rad[line] * s_mm)


@dataclass(frozen=True)
class Sheet:
    """What is photographed: linear light, the map, the grid, and the sheet's measured sides."""

    grey: Image
    map: PlaneMap
    grid: PlannedGrid
    sides: SheetSides


def sample_bands(sheet: Sheet, paths: Paths, half_mm: float, step_mm: float, *, beside: bool, clip: float) -> Bands:
    """Bands of +-half_mm about every path; beside: half-way to the next line of the family instead, where no crease is.

    Samples on known creases of the other directions, and near the rim, are left out; light more than `clip` median
    deviations off the paper's is cut there (a crossing crease, a speck).
    """
    count = int(half_mm / step_mm)
    u = np.arange(-count, count + 1) * step_mm
    reach = max(0.4, 4 * step_mm)
    parts = []
    for k in range(len(sheet.grid.number)):
        s = np.arange(sheet.grid.low_mm[k] + RIM_MM, sheet.grid.high_mm[k] - RIM_MM, STATION * step_mm)
        if len(s) < 8:
            continue
        parts.append(_band(sheet, paths, k, s, u, beside, clip, reach))
    line, s_mm, light, share = (np.concatenate(part) for part in zip(*parts, strict=True))
    return Bands(line.astype(np.int64), s_mm, light, share, u)


def _band(
    sheet: Sheet, paths: Paths, k: int, s: Array, u: Array, beside: bool, clip: float, reach_mm: float
) -> tuple[Array, Array, Array, Array]:
    grid = sheet.grid
    normal = grid.normals[k]
    along = np.array([-normal[1], normal[0]])
    shift = paths.offset_mm[k] - paths.angle_rad[k] * s
    if beside:
        shift = shift + grid.row_mm / 2 * (1.0 if grid.number[k] < 0 else -1.0)
    base = (grid.offset_mm[k] + shift)[:, None] * normal + s[:, None] * along
    light = cross_lines(
        sheet.grey, sheet.map.to_px(base + u[0] * normal), sheet.map.to_px(base + u[-1] * normal), len(u)
    )
    use = np.isfinite(light) & _inside(sheet.sides, base, u, normal) & ~_crossed(grid, paths, k, base, u, reach_mm)
    relative = _relative(light, use)
    deviation = 1.4826 * float(np.median(np.abs(relative[use]))) if use.any() else 1.0
    relative = np.where(use, np.clip(relative, -clip * deviation, clip * deviation), 0.0)
    blocks = max(4, int((s[-1] - s[0]) / BLOCK_MM))
    of = np.minimum((np.arange(len(s)) * blocks) // len(s), blocks - 1)
    first = np.searchsorted(of, np.arange(blocks))
    used = np.add.reduceat(use.astype(float), first, axis=0)
    total = np.bincount(of, minlength=blocks)
    mean = np.add.reduceat(relative, first, axis=0) / np.maximum(used, 1.0)
    share = used / total[:, None]
    mean[share < 0.2] = 0.0
    return np.full(blocks, k), np.bincount(of, s) / total, mean, share


def _relative(light: Image, use: BoolArray) -> Array:
    """Light relative to the paper's level, which is followed along the band."""
    from scipy.ndimage import uniform_filter1d

    masked = np.where(use, light, np.nan)
    some = use.sum(1) >= 0.3 * light.shape[1]
    level = np.zeros(len(light))
    if some.any():
        level[some] = np.nanmedian(masked[some], 1)
    total, count = (uniform_filter1d(v, 51, mode="constant") for v in (level, some.astype(float)))
    smooth = total / np.maximum(count, 1e-6)
    return np.asarray(masked / np.maximum(smooth, 1e-6)[:, None] - 1.0)


def _inside(sides: SheetSides, base: Array, u: Array, normal: Array) -> BoolArray:
    """(S, U) samples on the sheet, away from its measured sides."""
    ok = np.ones((len(base), len(u)), bool)
    for k in np.flatnonzero(sides.seen):
        angle = np.deg2rad(sides.normal_deg[k] + sides.angle_error_deg[k])
        out = np.array([np.cos(angle), np.sin(angle)])
        room = sides.planned_mm[k] + sides.offset_error_mm[k] - RIM_MM - base @ out
        across = float(normal @ out)
        if room.min() < abs(across) * float(u[-1]):
            ok &= room[:, None] > across * u
    return ok


def _crossed(grid: PlannedGrid, paths: Paths, k: int, base: Array, u: Array, reach_mm: float) -> BoolArray:
    """(S, U) samples on a known crease of another direction."""
    hit = np.zeros((len(base), len(u)), bool)
    for family in range(3):
        if family == grid.family[k]:
            continue
        own = np.flatnonzero((grid.family == family) & paths.known)
        if not len(own):
            continue
        normal, low = grid.normals[own[0]], int(grid.number[own].min())
        size = int(grid.number[own].max()) - low + 1
        offset, angle = np.full(size, np.inf), np.zeros(size)
        offset[grid.number[own] - low], angle[grid.number[own] - low] = paths.offset_mm[own], paths.angle_rad[own]
        q = base @ normal
        s_there = base @ np.array([-normal[1], normal[0]])
        # The band is narrow: the other line is followed at the station's middle.
        across = float(grid.normals[k] @ normal)
        place = q[:, None] + across * u
        number = np.rint(place / grid.row_mm).astype(np.int64) - low
        known = (number >= 0) & (number < size)
        number = np.clip(number, 0, size - 1)
        gap = place - (number + low) * grid.row_mm - offset[number] + angle[number] * s_there[:, None]
        hit |= known & (np.abs(gap) < reach_mm)
    return hit

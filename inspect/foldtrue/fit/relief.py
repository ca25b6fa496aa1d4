"""What waves and a bulge of the paper, which one photo cannot show, may do to the places read off it.

A point raised by z is seen displaced by z r / D, r from the point below the camera, D away from it (central
projection), which is all the more where D is not known. The heights of neighbouring points go together, so that a wave
moves a twist as a whole and turns it, and the fit of the whole piece takes up the long ones: heights are drawn from a
Gaussian process.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.camera_place import CameraPlace
from foldtrue.frames import Array

WAVE_LENGTH = 0.11
"""Of the process, in diameters of the piece: waves of 0.3 to 0.8 diameters curve as much at their crests."""


@dataclass(frozen=True)
class Relief:
    """camera: from where the piece is seen; reach_mm: radius of the piece about the plan's origin; wave_mm, bulge_mm:
    standard deviations of the waves' height, and of the middle's over the rim's."""

    camera: CameraPlace
    reach_mm: float
    wave_mm: float
    bulge_mm: float

    def fields(self, points_mm: Array) -> Array:
        """(N, 2, q) displacements of points (N, 2) mm by independent parts of the height, a standard deviation each."""
        away = (points_mm - self.camera.foot_mm) * self.camera.usual_nearness
        return np.asarray(away[:, :, None] * self.heights(points_mm)[:, None])

    def heights(self, points_mm: Array) -> Array:
        """(N, q) heights in mm, whose products summed over q are the covariance: the bulge's and, from points a length
        apart all over the piece, the waves' (Nystroem's approximation of the squared exponential)."""
        length = 2 * self.reach_mm * WAVE_LENGTH
        steps = np.arange(-self.reach_mm - length, self.reach_mm + 1.5 * length, length)
        grid = np.stack(np.meshgrid(steps, steps), -1).reshape(-1, 2)
        grid = grid[np.hypot(*grid.T) < self.reach_mm + length]
        among = _alike(grid, grid, length) + 1e-6 * np.eye(len(grid))
        waves = self.wave_mm * np.linalg.solve(np.linalg.cholesky(among), _alike(grid, points_mm, length)).T
        bulge = self.bulge_mm * (1 - np.sum(points_mm**2, 1) / self.reach_mm**2)
        return np.column_stack([waves, bulge])


def _alike(a: Array, b: Array, length: float) -> Array:
    square = np.sum((a[:, None] - b[None]) ** 2, -1)
    return np.asarray(np.exp(-square / (2 * length**2)))

"""The one place where pixels and plan millimetres meet.

Frames (docs/conventions.md): the folded frame is in mm, x right, y up, seen from the front; the photo frame is in px of
the upright photo, x right, y DOWN, pixel centres at whole numbers. Points are (N, 2) arrays of (x, y) everywhere.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating[Any]]


def apply_homography(matrix: Array, points: Array) -> Array:
    """Map points (N, 2) through a 3x3 homography; returns (N, 2)."""
    p = np.asarray(points, float)
    q = p @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(q[:, :2] / q[:, 2:])


def homography_jacobian(matrix: Array, points: Array) -> Array:
    """Derivative of apply_homography at points (N, 2); returns (N, 2, 2), row = output axis."""
    p = np.asarray(points, float)
    q = p @ matrix[:, :2].T + matrix[:, 2]
    w = q[:, 2]
    image = q[:, :2] / w[:, None]
    return np.asarray((matrix[None, :2, :2] - image[:, :, None] * matrix[None, 2:3, :2]) / w[:, None, None])


@dataclass(frozen=True)
class PlaneMap:
    """Folded frame (mm) <-> photo (px): a homography followed by one radial lens term.

    homography: (3, 3), mm -> undistorted px, mirror included when the back faces the camera.
    k1: radial term in OpenCV's definition, x_d = x_u (1 + k1 r^2), r = distance from centre_px / focal_px.
    centre_px: (2,) distortion centre. focal_px: the length that normalises r (a 26 mm equivalent lens).
    """

    homography: Array
    k1: float
    centre_px: Array
    focal_px: float

    def to_px(self, xy_mm: Array) -> Array:
        """(N, 2) mm -> (N, 2) px."""
        return self.distort(apply_homography(self.homography, xy_mm))

    def distort(self, undistorted_px: Array) -> Array:
        d = (undistorted_px - self.centre_px) / self.focal_px
        return np.asarray(undistorted_px + (undistorted_px - self.centre_px) * (self.k1 * np.sum(d * d, 1))[:, None])

    def undistort(self, px: Array) -> Array:
        """Inverse of distort, Newton on the radius; exact to 1e-9 px where the map is one-to-one. With k1 < 0 it turns
        back at a radius of sqrt(-1/(3 k1)): what lies farther out is taken to lie there."""
        d = (np.asarray(px, float) - self.centre_px) / self.focal_px
        rd = np.hypot(d[:, 0], d[:, 1])
        turns = np.sqrt(-1 / (3 * self.k1)) if self.k1 < -1e-12 else np.inf  # of a weaker lens out of every picture
        r = np.minimum(rd, turns)
        for _ in range(12):
            r = np.clip(r - (r + self.k1 * r**3 - rd) / np.maximum(1 + 3 * self.k1 * r * r, 0.2), 0.0, turns)
        return np.asarray(self.centre_px + d * self.focal_px / (1 + self.k1 * r * r)[:, None])

    def to_mm(self, px: Array) -> Array:
        """(N, 2) px -> (N, 2) mm."""
        return apply_homography(np.linalg.inv(self.homography), self.undistort(px))

    def radial_field(self, xy_mm: Array) -> Array:
        """Shift (N, 2) mm of the place read at xy_mm per unit error of k1, the pixel held fixed."""
        px = apply_homography(self.homography, xy_mm) - self.centre_px
        shift = px * np.sum((px / self.focal_px) ** 2, 1)[:, None]
        return np.asarray(np.linalg.solve(self.jacobian(xy_mm), shift[:, :, None])[:, :, 0])

    def term_fields(self, xy_mm: Array) -> Array:
        """Change (N, 2, 9) mm of the place read at xy_mm per unit of the homography's first eight terms (row by row)
        and of k1, the pixel held fixed."""
        p = np.asarray(xy_mm, float)
        last = p @ self.homography[2, :2] + self.homography[2, 2]
        row = np.column_stack([p, np.ones(len(p))]) / last[:, None]
        image = apply_homography(self.homography, p)
        moved = np.zeros((len(p), 2, 8))
        moved[:, 0, 0:3] = moved[:, 1, 3:6] = row
        moved[:, :, 6:8] = -image[:, :, None] * row[:, None, :2]
        by_terms = -np.linalg.solve(homography_jacobian(self.homography, p), moved)
        return np.concatenate([by_terms, -self.radial_field(p)[:, :, None]], 2)

    def jacobian(self, xy_mm: Array) -> Array:
        """d px / d mm at (N, 2) points; (N, 2, 2), row = px axis."""
        u = apply_homography(self.homography, xy_mm)
        d = (u - self.centre_px) / self.focal_px
        r2 = np.sum(d * d, 1)
        lens = (1 + self.k1 * r2)[:, None, None] * np.eye(2) + 2 * self.k1 * d[:, :, None] * d[:, None, :]
        return np.asarray(lens @ homography_jacobian(self.homography, xy_mm))


def rotation(angle_deg: float) -> Array:
    """2x2 matrix that turns points counter-clockwise (y up) by angle_deg."""
    a = np.deg2rad(angle_deg)
    return np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])


def warp_design(points: Array, normals: Array, size: float) -> Array:
    """(N, 8) shift along normals (N, 2) at points (N, 2) mm per unit of a small homography's eight terms: two shifts,
    four linear ones, two of perspective; places count in units of size."""
    x, y = (points / size).T
    nx, ny = normals.T
    radial = nx * x + ny * y
    return np.stack([nx, ny, nx * x, nx * y, ny * x, ny * y, radial * x, radial * y], 1)


def warped(plane: PlaneMap, terms: Array, size: float) -> PlaneMap:
    """The map after every place is moved by warp_design @ terms[:8] in the old frame; terms[8], if there, is added to
    k1."""
    c = terms
    step = np.array(
        [
            [1 + c[2] / size, c[3] / size, c[0]],
            [c[4] / size, 1 + c[5] / size, c[1]],
            [-c[6] / size**2, -c[7] / size**2, 1.0],
        ]
    )
    matrix = plane.homography @ step
    k1 = plane.k1 + (float(c[8]) if len(c) > 8 else 0.0)
    return replace(plane, homography=matrix / matrix[2, 2], k1=k1)

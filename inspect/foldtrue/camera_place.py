"""Where the camera stood: its distance from the piece's plane and the point of the plane below it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import Photo

DIAGONAL_35MM = 43.2666
"""mm, diagonal of the 36 x 24 frame."""


@dataclass(frozen=True)
class CameraPlace:
    """foot_mm: (2,) point of the plane that the camera stands above, folded frame. distance_mm: from there to the
    camera, in plan mm, and its standard uncertainty distance_std_mm."""

    foot_mm: Array
    distance_mm: float
    distance_std_mm: float

    @property
    def usual_nearness(self) -> float:
        """Root mean square of 1 / distance, per mm: what heights that are as often above as below do on the average.

        A distance known to a share s only is as likely twice as half of it (log-normal about distance_mm), and a near
        camera shows more of a height than a far one hides: exactly (1 + s^2) / distance_mm.
        """
        return (1 + (self.distance_std_mm / self.distance_mm) ** 2) / self.distance_mm


def camera_place(photo: Photo, plane_map: PlaneMap) -> CameraPlace:
    """From the focal length in the photo's header, else from the perspective where it tells, else from a lens of 26 to
    50 mm."""
    focal, std = _focal_px(photo, plane_map)
    matrix = np.linalg.inv(np.diag([focal, focal, 1.0])) @ _centred(plane_map)
    across, down, shift = matrix.T
    size = 0.5 * (np.linalg.norm(across) + np.linalg.norm(down))
    normal = np.cross(across, down)
    distance = abs(float(normal @ shift)) / float(np.linalg.norm(normal) * size)
    foot = -np.linalg.lstsq(matrix[:, :2], shift, rcond=None)[0]
    return CameraPlace(foot, distance, distance * std)


def _centred(plane_map: PlaneMap) -> Array:
    shift = np.eye(3)
    shift[:2, 2] = -plane_map.centre_px
    return np.asarray(shift @ plane_map.homography)


def _focal_px(photo: Photo, plane_map: PlaneMap) -> tuple[float, float]:
    """Focal length in px and its relative standard uncertainty. From the perspective: the plan's two axes are equally
    long and perpendicular (Zhang 2000 [from memory])."""
    height, width = photo.pixels.shape[:2]
    unit = float(np.hypot(width, height)) / DIAGONAL_35MM
    if photo.focal_35mm:
        return photo.focal_35mm * unit, 0.05
    h = _centred(plane_map)
    a = np.array([h[:2, 0] @ h[:2, 1], h[:2, 0] @ h[:2, 0] - h[:2, 1] @ h[:2, 1]])
    b = np.array([h[2, 0] * h[2, 1], h[2, 0] ** 2 - h[2, 1] ** 2])
    square = -float(a @ a) / float(a @ b) if a @ b else 0.0
    telling = float(np.linalg.norm(a)) > 0.02 * float(np.sum(h[:2, :2] ** 2)) / 2
    if telling and (18 * unit) ** 2 < square < (130 * unit) ** 2:
        return float(np.sqrt(square)), 0.25
    return 35.0 * unit, 0.4

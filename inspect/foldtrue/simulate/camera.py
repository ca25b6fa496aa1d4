"""The simulator's own camera: plan millimetres to pixels by an explicit pinhole model.

Written apart from frames.PlaneMap on purpose: the measuring steps use that map, and a mistake in it must not cancel
against the same mistake here. Camera axes: x right, y down, z forward; pixel centres at whole numbers.
"""

from __future__ import annotations

import math

import numpy as np

from foldtrue.errors import UsageError
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import Side
from foldtrue.simulate.laid import Scanner
from foldtrue.simulate.scene import Camera, Scene

DIAGONAL_35MM = 43.2666  # mm, diagonal of the 36 x 24 frame
REFERENCE_FOCAL_35MM = 26.0  # the equivalent lens that normalises PlaneMap.k1


class Pinhole:
    """A camera placed before a piece. rotation (3, 3) and shift (3,) carry piece mm into camera mm."""

    def __init__(self, camera: Camera, diameter_mm: float, side: Side | None = None) -> None:
        """diameter_mm: largest diameter of the piece, used with Camera.fill where no distance is given.

        side: the face that looks at the camera; None = Camera.side, or the front.
        """
        diagonal_px = math.hypot(camera.width_px, camera.height_px)
        self.focal_px = camera.focal_35mm / DIAGONAL_35MM * diagonal_px
        self.reference_focal_px = REFERENCE_FOCAL_35MM / DIAGONAL_35MM * diagonal_px
        self.centre_px = np.array([(camera.width_px - 1) / 2, (camera.height_px - 1) / 2])
        self.k1 = camera.k1
        self.side: Side = side or camera.side or "front"
        short_px = min(camera.width_px, camera.height_px)
        self.distance_mm = camera.distance_mm or self.focal_px * diameter_mm / (camera.fill * short_px)
        self.rotation = _view_rotation(camera, self.side)
        aim = np.array([*camera.aim_mm, 0.0])
        self.shift = np.array([0.0, 0.0, self.distance_mm]) - self.rotation @ aim

    @property
    def scale_px_mm(self) -> float:
        """Pixels per mm at the aim point."""
        return self.focal_px / self.distance_mm

    @property
    def handedness(self) -> int:
        """Sign of the map's area: -1 from the front (y is flipped), +1 from behind (x is flipped as well)."""
        return -1 if self.side == "front" else 1

    def seen_at(self, xy_mm: Array, height_mm: Array) -> Array:
        """(N, 2) mm of the piece's plane that points (N, 2) at heights (N,) over it, towards the camera, hide.

        The ray from the camera's eye through each point goes on to the plane.
        """
        eye = -self.rotation.T @ self.shift
        share = height_mm / (abs(eye[2]) - height_mm)
        return np.asarray(xy_mm + share[:, None] * (xy_mm - eye[:2]))

    def project(self, xy_mm: Array) -> Array:
        """(N, 2) mm in the piece's plane -> (N, 2) px.

        Raises UsageError when a point lies behind the camera or where the lens term folds back.
        """
        xy = np.asarray(xy_mm, float)
        camera = xy @ self.rotation[:, :2].T + self.shift
        if np.any(camera[:, 2] < 0.05 * self.distance_mm):
            raise UsageError("Scene: a part of the piece lies behind the camera.", "Step back or tilt less.")
        ray = camera[:, :2] / camera[:, 2:]
        radius2 = np.sum(ray * ray, axis=1)
        if np.any(1 + 3 * self.k1 * radius2 < 0.05):
            raise UsageError("Scene: the lens term folds the picture over.", "Use a smaller k1 or a longer lens.")
        return np.asarray(self.centre_px + self.focal_px * ray * (1 + self.k1 * radius2)[:, None])

    def plane_map(self) -> PlaneMap:
        """The same projection in the form the measuring steps use; k1 is rescaled to the reference focal length."""
        intrinsic = np.array(
            [[self.focal_px, 0, self.centre_px[0]], [0, self.focal_px, self.centre_px[1]], [0, 0, 1]], float
        )
        homography = intrinsic @ np.column_stack([self.rotation[:, 0], self.rotation[:, 1], self.shift])
        return PlaneMap(
            homography=homography / homography[2, 2],
            k1=self.k1 * (self.reference_focal_px / self.focal_px) ** 2,
            centre_px=self.centre_px.copy(),
            focal_px=self.reference_focal_px,
        )

    def curvature_per_px(self, radius_px: float) -> float:
        """Upper bound of the curvature a straight line gets from the lens within radius_px of the centre."""
        return abs(self.k1) * 8 * radius_px / self.focal_px**2


class Flatbed(Pinhole):
    """A scanner: a camera infinitely far away, with no lens term; distance_mm is infinite."""

    def __init__(self, scanner: Scanner, side: Side) -> None:
        diagonal_px = math.hypot(scanner.width_px, scanner.height_px)
        self.focal_px = self.reference_focal_px = REFERENCE_FOCAL_35MM / DIAGONAL_35MM * diagonal_px
        self.centre_px = np.array([(scanner.width_px - 1) / 2, (scanner.height_px - 1) / 2])
        self.k1, self.side, self.distance_mm = 0.0, side, math.inf
        mirrored = np.diag([1.0 if side == "front" else -1.0, 1.0])
        per_mm = scanner.dpi / 25.4 * np.array([scanner.stretch[0], -scanner.stretch[1]])
        self._px_per_mm = per_mm[:, None] * (_about_z(scanner.roll_deg)[:2, :2] @ mirrored)
        self._middle_mm = np.array(scanner.centre_mm)

    @property
    def scale_px_mm(self) -> float:
        """Pixels per mm, the mean of both directions."""
        return math.sqrt(abs(float(np.linalg.det(self._px_per_mm))))

    def seen_at(self, xy_mm: Array, height_mm: Array) -> Array:
        """(N, 2) mm, the same: seen straight from above, heights do not show."""
        return np.asarray(xy_mm, float)

    def project(self, xy_mm: Array) -> Array:
        """(N, 2) mm in the piece's plane -> (N, 2) px."""
        return np.asarray(self.centre_px + (np.asarray(xy_mm, float) - self._middle_mm) @ self._px_per_mm.T)

    def plane_map(self) -> PlaneMap:
        """The same projection in the form the measuring steps use: affine."""
        homography = np.eye(3)
        homography[:2, :2] = self._px_per_mm
        homography[:2, 2] = self.centre_px - self._px_per_mm @ self._middle_mm
        return PlaneMap(homography, 0.0, self.centre_px.copy(), self.reference_focal_px)


def camera_at(scene: Scene, diameter_mm: float) -> Pinhole:
    """The scene's camera or scanner before a piece of this largest diameter."""
    if isinstance(scene.camera, Scanner):
        return Flatbed(scene.camera, scene.side)
    return Pinhole(scene.camera, diameter_mm, scene.side)


def _view_rotation(camera: Camera, side: Side) -> Array:
    """Rotation from piece axes (x right, y up, z towards the front viewer) to camera axes."""
    behind = np.eye(3) if side == "front" else np.diag([-1.0, 1.0, -1.0])
    upright_to_camera = np.diag([1.0, -1.0, -1.0])
    lean = _about_z(camera.tilt_axis_deg) @ _about_x(-camera.tilt_deg) @ _about_z(-camera.tilt_axis_deg)
    return np.asarray(upright_to_camera @ lean @ _about_z(camera.roll_deg) @ behind)


def _about_z(angle_deg: float) -> Array:
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def _about_x(angle_deg: float) -> Array:
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    return np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]])

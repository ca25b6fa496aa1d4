"""A phone's camera as a pinhole, and how it projects a point. Pixel centres lie at whole numbers, x right, y down."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Camera:
    """Size (px), focal length in 35 mm terms (the picture's long side seen as 36 mm), distance (mm) from the point
    aimed at, tilt away from looking straight down (deg) towards tilt_axis_deg in the table's plane, roll (deg): turn of
    the camera about its own axis; aim_mm: point aimed at, in the table's plane."""

    width_px: int
    height_px: int
    focal_35mm: float
    distance_mm: float
    tilt_deg: float
    tilt_axis_deg: float
    roll_deg: float
    aim_mm: tuple[float, float] = (0.0, 0.0)

    @property
    def focal_px(self) -> float:
        return self.focal_35mm / 36 * self.width_px

    @property
    def centre_px(self) -> np.ndarray:
        return np.array([(self.width_px - 1) / 2, (self.height_px - 1) / 2])

    def axes(self) -> np.ndarray:
        """(3, 3): the picture's right, the picture's down and the view, as rows in world coordinates."""
        t, a, r = np.radians([self.tilt_deg, self.tilt_axis_deg, self.roll_deg])
        view = -np.array([np.sin(t) * np.cos(a), np.sin(t) * np.sin(a), np.cos(t)])
        up = np.array([-np.sin(r), np.cos(r), 0.0])
        up = up - view * (up @ view)
        up /= np.linalg.norm(up)
        return np.stack([np.cross(view, up), -up, view])

    def place(self) -> np.ndarray:
        """(3,) mm: the pinhole in world coordinates."""
        return np.array([*self.aim_mm, 0.0]) - self.distance_mm * self.axes()[2]

    def project(self, points: np.ndarray) -> np.ndarray:
        """(N, 2) px of world points (N, 3) mm."""
        seen = (points - self.place()) @ self.axes().T
        return self.centre_px + self.focal_px * seen[:, :2] / seen[:, 2:]

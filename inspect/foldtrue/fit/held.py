"""How the piece was held, and what that says of its height before anything is seen.

A point raised by z is seen displaced by z r / D, r from the point below the camera, D away from it (central
projection). Under glass or taped to a window the paper lies flatter; what remains is its layers.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from foldtrue.camera_place import CameraPlace
from foldtrue.fit.relief import Relief
from foldtrue.frames import Array
from foldtrue.handover import Held, LatticeFit, Nominal

GLASS_MM, GLASS_INDEX = 3.0, 1.52
"""A picture frame's pane, and the refractive index of window glass (soda-lime, 589 nm [from memory])."""
BESIDE = ("mat", "card", "A4", "Letter", "corners")
"""Things of known size that may lie under the glass with the piece, or beside it."""


@dataclass(frozen=True)
class Flatness:
    """relief_mm: out-of-plane height at an edge that the budget allows for, and of a bend that is not claimed;
    usual_mm: standard deviation of a bend's terms before anything is seen; layer_mm: height of a layer: 0.1 mm of
    paper, the rest air; wave_mm, bulge_mm: standard deviations of the waves' height, and of the middle's over the
    rim's. All common practice, no source."""

    relief_mm: float
    usual_mm: float
    layer_mm: float
    wave_mm: float
    bulge_mm: float


FLATNESS: Mapping[Held, Flatness] = {
    "free": Flatness(0.5, 5.0, 0.16, 0.2, 0.3),
    "glass": Flatness(0.15, 1.0, 0.1, 0.06, 0.09),
    "window": Flatness(0.25, 2.0, 0.12, 0.1, 0.15),
}


@dataclass(frozen=True)
class PaperHeight:
    """std_mm: standard deviation of the height at which an edge lies, about the piece's plane; camera: from where it is
    seen. relief: what of it neighbouring edges share, waves and a bulge, which no fold shows; None without it."""

    std_mm: float
    camera: CameraPlace
    relief: Relief | None = None

    def across(self, points_mm: Array, normals: Array) -> Array:
        """Standard deviation (N,) mm of what it moves edges at points (N, 2) by, along their normals (N, 2)."""
        away = np.sum((points_mm - self.camera.foot_mm) * normals, 1)
        return np.asarray(np.abs(self.std_mm * away / self.camera.distance_mm))


def paper_height(nominal: Nominal, camera: CameraPlace, held: Held) -> PaperHeight:
    """At an edge layers and relief, each a rectangular distribution: it may lie on any layer of the stack, whose mean
    number is the sheet's area over the folded one; and what all of the paper does between edges."""
    flatness = FLATNESS[held]
    layers = _area(nominal.sheet_outline_mm) / _area(nominal.outline_mm)
    stack, waves = layers * flatness.layer_mm / np.sqrt(12.0), flatness.relief_mm / np.sqrt(12.0)
    reach = float(np.hypot(*nominal.outline_mm.T).max())
    relief = Relief(camera, reach, flatness.wave_mm, flatness.bulge_mm)
    return PaperHeight(float(np.hypot(stack, waves)), camera, relief)


def scale_under_glass(fit: LatticeFit, reference: str, camera: CameraPlace, held: Held) -> LatticeFit:
    """The fit with the scale's uncertainty widened where the piece lies under glass and what gives the scale may not.

    A plane-parallel pane lifts what lies under it towards the camera by t (1 - 1/n) (paraxial refraction, Snell's law),
    so the piece looks larger by that over the distance, all of it alike. Nothing says whether the thing beside it is
    lifted too: none or all of it, equally likely, has the mean square of half. A scan is focused through its glass, and
    a piece on a window has none before it. What else the pane does grows with the cube of the angle, as a lens's term
    does, and is fitted with that.
    """
    if held != "glass" or reference not in BESIDE or fit.scale is None or fit.scale_std is None:
        return fit
    lifted = GLASS_MM * (1 - 1 / GLASS_INDEX) / camera.distance_mm / np.sqrt(2.0)
    std = float(np.hypot(fit.scale_std, fit.scale * lifted))
    return replace(fit, scale_std=std, scale_budget={**(fit.scale_budget or {}), "glass": float(lifted)})


def _area(polygon: Array) -> float:
    x, y = polygon.T
    return 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))

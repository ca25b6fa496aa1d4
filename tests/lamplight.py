"""One loose piece photographed from both sides under a lamp, and its truth as the tool should state it.

Photos of 6 px per mm of a piece 120 mm wide (spacing 2), and of 4.6 px per mm of one 160 mm wide (spacing 3).
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
from panels import folded_panel

from foldtrue.alignment import fit_globally
from foldtrue.frames import apply_homography
from foldtrue.simulate import Camera, Errors, Scene, simulate_photo, truth_poses

DIVISIONS = {2: 16, 3: 24}
VIEWS = ("front", "back")
LOOSE = Errors(position_mm=0.3, angle_deg=1.0, vertex_mm=0.03, seed=5)
"""One piece, whatever side of it is photographed."""


def nominal_of(spacing):
    return folded_panel(spacing, DIVISIONS[spacing])


@cache
def simulated(spacing, view, errors=LOOSE, seed=1, **more):
    camera = Camera(width_px=1400, height_px=1060, focal_35mm=50.0, roll_deg=-6.0, tilt_deg=4.0)
    scene = Scene(seed=seed, view=view, errors=errors, camera=camera, **more)
    return simulate_photo(nominal_of(spacing), scene)


def left_after_fit(nominal, error):
    """Planted errors (T, 2) with the best homography of the whole piece taken out, as the tool reports them."""
    planned = np.array([t.planned_mm for t in nominal.twists])
    fit = fit_globally(planned, planned + error, "homography", np.ones(len(planned)))
    return apply_homography(np.linalg.inv(fit.matrix), planned + error) - planned


def planted(spacing, shot):
    """Errors (T, 2) mm in plan coordinates as the tool should state them, and turns (T,) deg."""
    poses = truth_poses(nominal_of(spacing), shot.truth)
    return left_after_fit(nominal_of(spacing), poses.position_error_mm), poses.angle_error_deg


def position_std(found):
    """(T,) mm, both axes together."""
    return np.sqrt(np.trace(found.fit.position_cov_mm2, axis1=1, axis2=2))


def less_overturn(nominal, turn, measured):
    """Turns without the part that goes with the hands, as their uncertainty is stated."""
    hand = np.array([t.hand for t in nominal.twists])
    return turn - hand * np.mean((hand * turn)[measured])


def covered(pixels, mask, colour):
    """The picture with the masked part given the colour, its border softened as by the lens."""
    soft = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 2.0)[:, :, None]
    return np.rint(pixels * (1 - soft) + colour * soft).astype(np.uint8)

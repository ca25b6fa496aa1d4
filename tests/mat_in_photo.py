"""Simulated photos of a piece on, or inside, a printed mat, and where the mat truly lies in them."""

from __future__ import annotations

from functools import cache

import numpy as np
from panels import folded_panel

from foldtrue.frames import PlaneMap
from foldtrue.handover import Simulated
from foldtrue.mat import MATS, Mat
from foldtrue.simulate import Camera, MatSheet, Scene, Sensor, simulate_photo

TURN_DEG = 92.0
"""The sheet lies along the picture, its up mark to the left."""


@cache
def mat_photo(
    view="front",
    *,
    paper="A4",
    size=(2000, 1500),
    distance=450.0,
    tilt=8.0,
    k1=0.0,
    bend=0.0,
    scale=(1.0, 1.0),
    seed=1,
    blur=0.8,
) -> Simulated:
    """A small panel with a mat around it. k1: of the camera's own 26 mm lens, OpenCV's definition."""
    camera = Camera(
        width_px=size[0], height_px=size[1], distance_mm=distance, tilt_deg=tilt, tilt_axis_deg=30.0 * seed, k1=k1
    )
    sheet = MatSheet(paper=paper, turn_deg=TURN_DEG, bend_mm=bend, scale=scale)
    scene = Scene(seed=seed, view=view, camera=camera, mat=sheet, oversample=2, sensor=Sensor(blur_px=blur))
    return simulate_photo(folded_panel(2, 16, 200.0), scene)


def true_map(made: Simulated) -> PlaneMap:
    """Mat in true mm -> px."""
    sheet, seen = made.truth.settings["mat"], made.truth.map
    matrix = np.array(made.truth.settings["mat_homography"]) / [*sheet["scale"], 1.0]
    return PlaneMap(matrix, seen.k1, seen.centre_px, seen.focal_px)


def free_places(mat: Mat) -> np.ndarray:
    """(N, 2) mm, a grid over the free place."""
    x, y = (np.linspace(-side / 2, side / 2, 11) for side in mat.free_mm)
    return np.stack(np.meshgrid(x, y), -1).reshape(-1, 2)


def off_px(found: PlaneMap, made: Simulated) -> np.ndarray:
    """(N,) distance of found and true place in the photo, over the free place."""
    at = free_places(MATS[made.truth.settings["mat"]["paper"]])
    return np.hypot(*(found.to_px(at) - true_map(made).to_px(at)).T)

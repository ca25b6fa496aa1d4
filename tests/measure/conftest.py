"""Simulated photos with exact truth, taken and measured the way a person would."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import pytest
from lamplight import DIVISIONS, LOOSE, simulated
from panels import panel_plan

from foldtrue.inspection import InspectOptions, inspect_photo
from foldtrue.plan.fold import fold_plan
from foldtrue.simulate import Camera, Errors, Light, Paper, Scene, Sensor, simulate_photo, truth_poses


@dataclass(frozen=True)
class Shot:
    """A simulated photo on disk, its plan and its truth."""

    path: object
    plan: object
    nominal: object
    truth: object
    poses: object

    def measure(self, **options):
        return inspect_photo(self.path, self.plan, InspectOptions(**options))


@pytest.fixture
def shoot(tmp_path):
    """shoot(plan, camera=..., errors=..., ...) -> Shot; about 1000 x 760 px unless the camera says otherwise."""

    def make(plan=None, seed=1, errors=None, camera=None, light=None, paper=None, sensor=None):
        plan = plan or panel_plan()
        nominal = fold_plan(plan)
        scene = Scene(
            seed=seed,
            errors=Errors(position_mm=0.15, angle_deg=0.5, vertex_mm=0.05, **(errors or {})),
            camera=Camera(**{"width_px": 1000, "height_px": 760, "focal_35mm": 50.0, **(camera or {})}),
            light=Light(**(light or {})),
            paper=Paper(**(paper or {})),
            sensor=Sensor(**(sensor or {})),
        )
        done = simulate_photo(nominal, scene)
        path = tmp_path / f"photo{len(list(tmp_path.iterdir()))}.jpg"
        path.write_bytes(done.jpeg)
        return Shot(path, plan, nominal, done.truth, truth_poses(nominal, done.truth))

    return make


def site_error_pitch(shot, inspection):
    """Distance (T,) of each twist's centre_px from where it truly is, in pitches, after the plan's own symmetry."""
    true = np.array([t.mean(0) for t in shot.truth.tips_px])
    away = np.hypot(*(inspection.fit.centre_px[:, None] - true[None]).transpose(2, 0, 1)).min(1)
    scale = np.hypot(*shot.truth.map.jacobian(np.zeros((1, 2)))[0, :, 0])
    return away / scale / shot.nominal.pitch_mm


@pytest.fixture
def site_error():
    return site_error_pitch


@pytest.fixture
def plan():
    return panel_plan


@pytest.fixture(scope="module")
def inspect_pixels(tmp_path_factory):
    """inspect_pixels(pixels (H, W, 3) RGB, spacing, view) -> Inspection."""
    folder = tmp_path_factory.mktemp("photos")

    def run(pixels, spacing, view):
        cv2.imwrite(str(folder / "photo.png"), np.ascontiguousarray(pixels[:, :, ::-1]))
        return inspect_photo(folder / "photo.png", panel_plan(spacing, DIVISIONS[spacing]), InspectOptions(view=view))

    return run


@pytest.fixture(scope="module")
def inspected(inspect_pixels):
    """inspected(spacing, view, ...) -> (simulated, inspection) of the photo as it was taken; each is measured once."""

    @cache
    def make(spacing, view, errors=LOOSE, seed=1):
        shot = simulated(spacing, view, errors, seed)
        return shot, inspect_pixels(shot.photo.pixels, spacing, view)

    return make

"""Pre-creased sheets that several tests measure: small simulated photos, made and measured once per session."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
from panels import panel_plan

from foldtrue.detect.creases import scan_creases
from foldtrue.handover_grid import CreaseScan, PlannedGrid, SheetPlace, SheetSides, SimulatedGrid
from foldtrue.plan.grid_lines import plan_grid
from foldtrue.rectify.creased import find_sheet
from foldtrue.simulate.scene import Camera, Sensor
from foldtrue.simulate.sheet_photo import simulate_grid
from foldtrue.simulate.sheet_scene import CreaseLook, GridErrors, SheetScene

HEIGHT_MM = 120.0
"""Small, so that a photo of a megapixel shows creases as large as 12 megapixels show a whole sheet's."""


def small_plan(divisions: int = 16):
    return panel_plan(2, divisions, HEIGHT_MM, 1)


def small_grid(divisions: int = 16) -> PlannedGrid:
    return plan_grid(small_plan(divisions))


def small_scene(view: str = "backlit", **changes) -> SheetScene:
    """A clear photo, a little tilted and turned; changes: fields of SheetScene."""
    front = view == "front"
    scene = SheetScene(
        seed=3,
        view=view,
        look=CreaseLook(contrast=0.25 if front else 0.12, uneven=0.3, faint=0.0, core=0.1 if front else 0.0),
        camera=Camera(
            width_px=1200, height_px=900, focal_35mm=35.0, fill=0.88, tilt_deg=6.0, tilt_axis_deg=40.0, roll_deg=5.0
        ),
        sensor=Sensor(blur_px=0.9),
        paper=(0.7, 0.68, 0.6) if front else (0.55, 0.54, 0.5),
        around=(0.1, 0.1, 0.1) if front else (1.5, 1.5, 1.4),
        clouds=0.015,
        lamp_deg=70.0,
    )  # fmt: skip
    return replace(scene, **changes)


@cache
def photographed(view: str, errors: GridErrors = GridErrors(), divisions: int = 16) -> SimulatedGrid:  # noqa: B008
    return simulate_grid(small_grid(divisions), small_scene(view, errors=errors))


@cache
def scanned(view: str, errors: GridErrors = GridErrors()) -> tuple[SheetPlace, CreaseScan]:  # noqa: B008
    """The sheet's place and the scan of its lines."""
    photo = photographed(view, errors).photo
    place = find_sheet(photo, small_grid().outline_mm)
    return place, scan_creases(photo, small_grid(), place)


def scan_of(grid: PlannedGrid, plane, offset_mm, angle_deg, std_mm=0.005, std_deg=0.003, found=None) -> CreaseScan:
    """A scan as if every line had been seen with these errors, without a photo."""
    count = len(grid.number)
    cov = np.tile(np.diag([std_mm**2, np.deg2rad(std_deg) ** 2]), (count, 1, 1))
    nothing = np.empty(0)
    return CreaseScan(
        map=plane, k1_std=1e-4, evidence=np.full(count, 30.0), needed=np.full(count, 4.5), decoys=np.full(count, 2.0),
        contrast=np.full(count, 0.1), contrast_std=np.full(count, 0.003), offset_mm=np.asarray(offset_mm, float),
        angle_rad=np.deg2rad(angle_deg), cov=cov, found=np.ones(count, bool) if found is None else found,
        line=np.empty(0, int), s_mm=nothing, shift_mm=nothing, std_mm=nothing, odd=np.zeros(3, bool),
        sense_shift_mm=np.zeros(3), turncoats=0.0,
    )  # fmt: skip


def sides_of(grid: PlannedGrid, offset_mm=0.0, angle_deg=0.0) -> SheetSides:
    """Sides as if measured with these errors, without a photo."""
    outline = grid.outline_mm
    ahead = np.roll(outline, -1, 0) - outline
    length = np.hypot(*ahead.T)
    normal = np.stack([ahead[:, 1], -ahead[:, 0]], 1) / length[:, None]
    count = len(outline)
    cov = np.tile(np.diag([0.005**2, np.deg2rad(0.003) ** 2]), (count, 1, 1))
    return SheetSides(
        np.degrees(np.arctan2(normal[:, 1], normal[:, 0])), np.sum(normal * outline, 1), length / 2,
        np.zeros(count) + offset_mm, np.zeros(count) + angle_deg, cov, np.full(count, 0.01),
        np.ones(count, bool), False,
    )  # fmt: skip

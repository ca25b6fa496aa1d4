"""Simulated photos of pre-creased sheets: what is drawn is what the truth says."""

from __future__ import annotations

import numpy as np
import pytest
from sheets import small_grid, small_scene

from foldtrue.errors import UsageError
from foldtrue.simulate.camera import Pinhole
from foldtrue.simulate.scene import Camera
from foldtrue.simulate.sheet_photo import sheet_places, simulate_grid
from foldtrue.simulate.sheet_scene import CreaseLook, GridErrors, grid_scene


def test_rays_and_the_camera_agree():
    pinhole = Pinhole(Camera(width_px=320, height_px=240, tilt_deg=15.0, roll_deg=20.0, k1=-0.06), 200.0)
    places = sheet_places(pinhole, 100, 104, 320)
    px = pinhole.project(places.reshape(-1, 2)).reshape(places.shape)
    x, y = np.meshgrid(np.arange(320), np.arange(100, 104))
    assert np.allclose(px[..., 0], x, atol=1e-6)
    assert np.allclose(px[..., 1], y, atol=1e-6)


def test_the_same_seed_gives_the_same_photo_and_another_another():
    a, b = (simulate_grid(small_grid(), small_scene()) for _ in range(2))
    assert a.jpeg == b.jpeg
    assert simulate_grid(small_grid(), small_scene(seed=4)).jpeg != a.jpeg


def plain(view, **errors):
    """One clear, sharp, even photo straight from above; lines as told."""
    return small_scene(
        view,
        errors=GridErrors(line_mm=0.0, line_deg=0.0, side_mm=0.0, **errors),
        look=CreaseLook(contrast=0.3, uneven=0.0, faint=0.0, dark=0.0, core=0.0, broad=0.0),
        camera=Camera(width_px=1200, height_px=900, focal_35mm=50.0, fill=0.9),
        clouds=0.0,
        lamp_deg=90.0,
    )


def column(made, x_mm, low_mm, high_mm):
    """Mean green light of a narrow strip of the sheet, from low_mm to high_mm in y, with the y of its pixels."""
    pinhole = Pinhole(Camera(width_px=1200, height_px=900, focal_35mm=50.0, fill=0.9), 2 * 120 / np.sqrt(3))
    (x0, y0), (_, y1) = pinhole.project(np.array([[x_mm, high_mm], [x_mm, low_mm]]))
    rows = np.arange(int(np.ceil(y0)), int(y1) + 1)
    light = made.photo.linear[made.photo.pixels[rows[0] : rows[-1] + 1, int(x0) - 6 : int(x0) + 7, 1]].mean(1)
    return light, (pinhole.centre_px[1] - rows) / pinhole.scale_px_mm


def test_a_bright_crease_lies_where_the_truth_says():
    grid = small_grid()
    made = simulate_grid(grid, plain("backlit", kind="drift", family=1, size=0.9))
    k = int(np.flatnonzero((grid.family == 1) & (grid.number == 1))[0])
    place = grid.offset_mm[k] + made.truth.offset_mm[k]
    light, y = column(made, 2.2, place - 0.8, place + 0.8)
    above = light - np.percentile(light, 20)
    assert float(np.sum(above * y) / np.sum(above)) == pytest.approx(place, abs=0.03)
    assert made.truth.offset_mm[k] == pytest.approx(0.9 * 8 / 14)


def test_a_raked_crease_is_lit_on_one_flank_and_dark_on_the_other():
    grid = small_grid()
    made = simulate_grid(grid, plain("front"))
    place = float(grid.offset_mm[(grid.family == 1) & (grid.number == 1)][0])
    light, y = column(made, 2.2, place - 0.8, place + 0.8)
    paper = np.median(light)
    assert abs(y[light.argmax()] - place) < 0.5
    assert (y[light.argmax()] - place) * (y[light.argmin()] - place) < 0
    assert light.max() > 1.05 * paper
    assert light.min() < 0.95 * paper


def test_missing_lines_leave_no_light():
    grid = small_grid()
    truth = simulate_grid(grid, plain("backlit", kind="missing", count=2)).truth
    assert (~truth.present).sum() == 2
    assert not truth.contrast[~truth.present].any()


def test_random_scenes_take_every_cause_in_turn():
    codes = [grid_scene(seed).errors.code for seed in range(6)]
    assert len(set(codes)) == 6
    assert codes == [grid_scene(seed + 6).errors.code for seed in range(6)]
    assert grid_scene(2) == grid_scene(2)


def test_settings_are_checked():
    with pytest.raises(UsageError, match=r"GridErrors\.family"):
        GridErrors(family=3)

"""Parallax: how a piece that stands above its table, bulges or waves is seen."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rimplaces import rim_px

from foldtrue.handover import Nominal
from foldtrue.simulate import Camera, Errors, Lie, Light, Paper, Relief, Scene, Sensor, Surface, simulate_photo
from foldtrue.simulate.camera import Pinhole
from foldtrue.simulate.heights import heights_mm

CAMERA = Camera(width_px=640, height_px=480, distance_mm=400, tilt_deg=9, tilt_axis_deg=50, roll_deg=5, k1=0.02)


@settings(deadline=None, max_examples=60)
@given(
    x=st.floats(-90, 90), y=st.floats(-90, 90), z=st.floats(-3, 20),
    # OpenCV's Rodrigues takes turns below about a hundred-thousandth of a degree for none
    tilt=st.just(0.0) | st.floats(0.01, 30), axis=st.floats(0, 360), side=st.sampled_from(["front", "back"]),
)  # fmt: skip
def test_a_raised_point_is_seen_where_opencv_projects_it(
    x: float, y: float, z: float, tilt: float, axis: float, side: str
) -> None:
    pinhole = Pinhole(replace(CAMERA, tilt_deg=tilt, tilt_axis_deg=axis, side=side), 120.0)
    seen = pinhole.project(pinhole.seen_at(np.array([[x, y]]), np.array([z])))
    turn, _ = cv2.Rodrigues(pinhole.rotation)
    f, (cx, cy) = pinhole.focal_px, pinhole.centre_px
    solid = np.array([[x, y, z if side == "front" else -z]])
    intrinsic = np.array([[f, 0, cx], [0, f, cy], [0, 0, 1]])
    theirs, _ = cv2.projectPoints(solid, turn, pinhole.shift, intrinsic, np.array([CAMERA.k1, 0, 0, 0.0]))
    assert seen == pytest.approx(theirs[:, 0], abs=1e-6)


@pytest.mark.parametrize("view", ["backlit", "front", "back"])
def test_a_piece_1_mm_high_looks_larger_by_1_mm_over_the_distance(panel: Nominal, view: str) -> None:
    # z / (D - z): 1 mm at 400 mm is 0.25 %.
    scene = Scene(view=view, camera=replace(CAMERA, tilt_deg=0, k1=0), lie=Lie(height_mm=1.0))
    truth = simulate_photo(panel, scene).truth
    for twist, tips in zip(panel.twists, truth.tips_px, strict=True):
        seen = truth.map.to_mm(tips)
        assert seen == pytest.approx(truth.vertices_mm[list(twist.tips)] * 400 / 399, abs=1e-6)


def test_the_truth_of_the_piece_is_what_it_is_laid_flat(panel: Nominal) -> None:
    scene = Scene(camera=CAMERA, errors=Errors(position_mm=0.2))
    flat, raised = (
        simulate_photo(panel, replace(scene, lie=lie)).truth for lie in (Lie(), Lie(height_mm=2, wave_mm=0.4))
    )
    assert np.array_equal(flat.vertices_mm, raised.vertices_mm)
    assert np.array_equal(flat.map.homography, raised.map.homography)


@pytest.mark.parametrize("view", ["backlit", "front", "back"])
def test_the_rim_in_the_picture_moves_with_the_height(
    panel: Nominal, view: str, even_paper: Paper, noise_free: Sensor
) -> None:
    flat = Relief(facet_tilt_deg=0, lift_mm=0, rim_lift_mm=0, shadow=0, occlusion=0, fold_radius_mm=0)
    scene = Scene(
        view=view, camera=replace(CAMERA, k1=0), paper=even_paper, sensor=noise_free, light=Light(exposure=0.9),
        relief=flat, surface=Surface(texture=0), lie=Lie(height_mm=4.0),
    )  # fmt: skip
    made = simulate_photo(panel, scene)
    pinhole = Pinhole(scene.camera, 1.0, scene.side)
    corners = pinhole.seen_at(panel.outline_mm, np.full(len(panel.outline_mm), 4.0))
    assert np.abs(rim_px(made.photo, made.truth.map, corners)).max() < 0.03
    assert np.abs(rim_px(made.photo, made.truth.map, panel.outline_mm)).max() > 0.5


def test_the_level_follows_from_layers_and_thickness_when_none_is_given(panel: Nominal) -> None:
    # 240 mm hexagon folded to 120 mm: four layers on average.
    scene = Scene(lie=Lie(height_mm=None), paper=Paper(thickness_mm=0.15))
    assert heights_mm(panel, panel.vertices_mm, scene) == pytest.approx(np.full(len(panel.vertices_mm), 0.6))


def test_a_bulge_is_highest_in_the_middle_and_gone_at_the_farthest_corner(panel: Nominal) -> None:
    places = np.vstack([panel.vertices_mm, np.zeros((1, 2))])
    height = heights_mm(panel, places, Scene(lie=Lie(bulge_mm=3.0)))
    assert height[-1] == pytest.approx(3.0)
    assert height.min() == pytest.approx(0.0, abs=1e-9)


def test_waves_have_the_spread_asked_for_and_belong_to_the_piece(panel: Nominal) -> None:
    grid = np.stack(np.meshgrid(np.linspace(-60, 60, 40), np.linspace(-60, 60, 40)), -1).reshape(-1, 2)
    rms = []
    for seed in range(60):
        scene = Scene(seed=seed, lie=Lie(wave_mm=0.2))
        rms.append(heights_mm(panel, grid, scene).std())
        again = replace(scene, seed=seed + 1000, errors=Errors(seed=seed), view="back")
        assert np.array_equal(heights_mm(panel, grid, scene), heights_mm(panel, grid, again))
    assert np.mean(rms) == pytest.approx(0.2, rel=0.1)


def test_waves_are_several_over_the_piece_and_smooth(panel: Nominal) -> None:
    line = np.column_stack([np.linspace(-60, 60, 241), np.zeros(241)])
    turns = []
    for seed in range(30):
        height = heights_mm(panel, line, Scene(seed=seed, lie=Lie(wave_mm=0.2)))
        turns.append(np.count_nonzero(np.diff(np.sign(np.diff(height)))))
        # No steeper than the shortest wave, 0.3 diameters, at all amplitudes together.
        assert np.abs(np.diff(height)).max() / 0.5 < 0.2 * np.sqrt(24) * 2 * np.pi / (0.3 * 120)
    assert 2 < np.mean(turns) < 10


def test_glass_presses_waves_and_bulge_flat(panel: Nominal) -> None:
    lie = Lie(height_mm=0.5, wave_mm=0.3, bulge_mm=2.0, glass=True)
    assert heights_mm(panel, panel.vertices_mm, Scene(lie=lie)) == pytest.approx(np.full(len(panel.vertices_mm), 0.5))

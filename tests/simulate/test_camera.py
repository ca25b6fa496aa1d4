"""The simulator's camera, against OpenCV's and against the map the measuring steps use."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from foldtrue.errors import UsageError
from foldtrue.frames import Array
from foldtrue.simulate import Camera
from foldtrue.simulate.camera import Pinhole

TILTED = Camera(
    width_px=1600, height_px=1200, focal_35mm=35, tilt_deg=24, tilt_axis_deg=33, roll_deg=17, k1=0.12, aim_mm=(9, -4)
)


@pytest.fixture
def points_mm() -> Array:
    return np.random.default_rng(5).uniform(-100, 100, (400, 2))


@pytest.mark.parametrize("side", ["front", "back"])
def test_projection_agrees_with_opencv(points_mm: Array, side: str) -> None:
    camera = Pinhole(Camera(**{**vars(TILTED), "side": side}), 200)
    intrinsic = np.array(
        [[camera.focal_px, 0, camera.centre_px[0]], [0, camera.focal_px, camera.centre_px[1]], [0, 0, 1]]
    )
    turn, _ = cv2.Rodrigues(camera.rotation)
    flat = np.column_stack([points_mm, np.zeros(len(points_mm))])
    theirs, _ = cv2.projectPoints(flat, turn, camera.shift, intrinsic, np.array([TILTED.k1, 0, 0, 0.0]))
    assert np.abs(camera.project(points_mm) - theirs[:, 0]).max() < 1e-9


@pytest.mark.parametrize("side", ["front", "back"])
@pytest.mark.parametrize("focal_35mm", [24.0, 26.0, 77.0])
def test_projection_agrees_with_the_map_it_hands_on(points_mm: Array, side: str, focal_35mm: float) -> None:
    camera = Pinhole(Camera(**{**vars(TILTED), "side": side, "focal_35mm": focal_35mm}), 200)
    assert np.abs(camera.plane_map().to_px(points_mm) - camera.project(points_mm)).max() < 1e-9


def test_map_is_normalised_by_a_26_mm_lens_about_the_photo_centre() -> None:
    given = Pinhole(TILTED, 200).plane_map()
    assert given.focal_px == pytest.approx(26 / 43.2666 * 2000)
    assert given.centre_px == pytest.approx([799.5, 599.5])
    assert given.k1 == pytest.approx(0.12 * (26 / 35) ** 2)


def test_optical_axis_meets_the_aim_point_in_the_photo_centre() -> None:
    assert Pinhole(TILTED, 200).project(np.array([[9.0, -4.0]])) == pytest.approx(np.array([[799.5, 599.5]]))


def test_front_view_is_upright_with_y_turned_down() -> None:
    px = Pinhole(Camera(width_px=800, height_px=600), 100).project(np.array([[0.0, 0], [10, 0], [0, 10]]))
    assert px[1, 0] > px[0, 0]
    assert px[2, 1] < px[0, 1]


def test_back_view_is_mirrored_left_to_right() -> None:
    points = np.array([[10.0, 3.0], [-20, 8]])
    front, back = (Pinhole(Camera(width_px=800, height_px=600, side=s), 100).project(points) for s in ("front", "back"))
    assert back[:, 0] == pytest.approx(799 - front[:, 0])
    assert back[:, 1] == pytest.approx(front[:, 1])


@pytest.mark.parametrize("side", ["front", "back"])
def test_roll_turns_the_picture_counter_clockwise(side: str) -> None:
    camera = Pinhole(Camera(width_px=800, height_px=600, roll_deg=30, side=side), 100)
    right = np.array([[0.0, 0.0], [10.0 if side == "front" else -10.0, 0.0]])
    across, down = np.diff(camera.project(right), axis=0)[0]
    assert np.degrees(np.arctan2(-down, across)) == pytest.approx(30)


def test_fill_sets_the_distance_from_the_size_of_the_piece() -> None:
    camera = Pinhole(Camera(width_px=800, height_px=600, fill=0.5), 120)
    a, b = camera.project(np.array([[-60.0, 0], [60, 0]]))
    assert b[0] - a[0] == pytest.approx(300)


def test_a_camera_inside_the_piece_is_refused() -> None:
    camera = Pinhole(Camera(width_px=800, height_px=600, distance_mm=50, tilt_deg=50), 120)
    with pytest.raises(UsageError, match="behind the camera"):
        camera.project(np.array([[0.0, -80], [0, 80]]))


def test_a_lens_that_folds_the_picture_over_is_refused() -> None:
    camera = Pinhole(Camera(width_px=800, height_px=600, distance_mm=50, k1=-0.4), 120)
    with pytest.raises(UsageError, match="folds"):
        camera.project(np.array([[60.0, 0]]))

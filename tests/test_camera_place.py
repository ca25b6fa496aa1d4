"""Where the camera stood, against pinhole cameras put up here."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from foldtrue.camera_place import CameraPlace, camera_place
from foldtrue.frames import PlaneMap

WIDTH, HEIGHT = 1440, 1080
UNIT_PX = np.hypot(WIDTH, HEIGHT) / 43.2666  # a 1 mm lens by the diagonal of 35 mm film, 36 x 24 mm


def looking(camera_mm, towards_mm, focal_35mm):
    """Map of a pinhole camera at camera_mm (3,), aimed at a point (2,) of the plane, and its photo without pixels."""
    camera, aim = np.array(camera_mm, float), np.array([*towards_mm, 0.0])
    ahead = (aim - camera) / np.linalg.norm(aim - camera)
    right = np.cross(ahead, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    turn = np.stack([right, np.cross(ahead, right), ahead])
    centre = np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2])
    focal = focal_35mm * UNIT_PX
    lens = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1]])
    matrix = lens @ np.column_stack([turn[:, :2], -turn @ camera])
    return PlaneMap(matrix / matrix[2, 2], 0.0, centre, 26 * UNIT_PX)


def with_focal(photo, focal_35mm):
    return replace(photo, pixels=np.zeros((HEIGHT, WIDTH, 3), np.uint8), focal_35mm=focal_35mm)


@given(x=st.floats(-150, 150), y=st.floats(-150, 150), z=st.floats(200, 900), focal=st.floats(24, 80))
def test_foot_and_distance_of_a_camera_whose_lens_is_known(photo, x, y, z, focal):
    placed = camera_place(with_focal(photo, focal), looking((x, y, z), (10, -5), focal))
    np.testing.assert_allclose(placed.foot_mm, [x, y], atol=1e-6 * z)
    assert placed.distance_mm == pytest.approx(z, rel=1e-6)
    assert placed.distance_std_mm == pytest.approx(0.05 * placed.distance_mm)


def test_a_camera_behind_the_plane_stands_as_far_away(photo):
    placed = camera_place(with_focal(photo, 35.0), looking((40, 20, -400), (0, 0), 35.0))
    np.testing.assert_allclose(placed.foot_mm, [40, 20], atol=1e-6)
    assert placed.distance_mm == pytest.approx(400, rel=1e-6)


def test_without_a_focal_length_a_clear_perspective_tells_it(photo):
    placed = camera_place(with_focal(photo, None), looking((150, 100, 300), (0, 0), 35.0))
    np.testing.assert_allclose(placed.foot_mm, [150, 100], atol=1e-3)
    assert placed.distance_std_mm == pytest.approx(0.25 * placed.distance_mm)


def test_without_either_a_usual_lens_is_taken_with_a_wide_uncertainty(photo):
    placed = camera_place(with_focal(photo, None), looking((0, 0.01, 400), (0, 0), 26.0))
    assert abs(placed.distance_mm - 400) < 1.96 * placed.distance_std_mm
    assert placed.distance_std_mm == pytest.approx(0.4 * placed.distance_mm)


@pytest.mark.parametrize("share", [0.0, 0.05, 0.25, 0.4])
def test_the_usual_nearness_is_the_root_mean_square_over_distances(share):
    """By a million distances drawn; log-normal with this coefficient of variation about a median of 400 mm."""
    rng = np.random.default_rng(3)
    distance = 400.0 * np.exp(rng.normal(0, np.sqrt(np.log1p(share**2)), 10**6))
    stand = CameraPlace(np.zeros(2), 400.0, share * 400.0)
    assert stand.usual_nearness == pytest.approx(np.sqrt(np.mean(distance**-2.0)), rel=0.003)

"""Laying the plan on the photo by hand: a start that the photo corrects, and may still refuse."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from panels import folded_panel

from foldtrue.errors import NotThisPiece, UsageError
from foldtrue.frames import apply_homography
from foldtrue.rectify.piece import RectifyOptions, rectify_photo
from foldtrue.rectify.pinned import pinned_matrix
from foldtrue.simulate import Camera, Errors, Scene, simulate_photo

CORNERS_MM = np.array([[60.0, 0], [30, 52], [-30, 52], [-60, 0], [-30, -52], [30, -52]])


def scene(view, seed):
    lens = Camera(width_px=1400, height_px=1100, roll_deg=11.0, tilt_deg=12.0)
    return Scene(seed=seed, view=view, camera=lens, errors=Errors(position_mm=0.1, angle_deg=0.3))


def pinned(corners_mm, corners_px):
    return tuple(map(tuple, np.concatenate([corners_mm, corners_px], 1).tolist()))


@given(
    tilt=st.tuples(st.floats(-1e-3, 1e-3), st.floats(-1e-3, 1e-3)),
    turn=st.floats(-np.pi, np.pi),
    scale=st.floats(2.0, 20.0),
    mirrored=st.booleans(),
)
def test_exact_pins_give_the_camera_back(tilt, turn, scale, mirrored):
    """To a thousandth of a pixel: OpenCV keeps points as 32-bit floats."""
    c, s = scale * np.cos(turn), scale * np.sin(turn)
    true = np.array([[c, -s, 900.0], [s, c, 700.0], [*tilt, 1.0]]) @ np.diag([-1.0 if mirrored else 1.0, 1.0, 1.0])
    found = pinned_matrix(pinned(CORNERS_MM, apply_homography(true, CORNERS_MM)))
    np.testing.assert_allclose(apply_homography(found, CORNERS_MM), apply_homography(true, CORNERS_MM), atol=1e-3)


@pytest.mark.parametrize("count", [0, 3])
def test_fewer_than_four_pins_are_too_few(count):
    with pytest.raises(UsageError, match="four"):
        pinned_matrix(pinned(CORNERS_MM[:count], CORNERS_MM[:count]))


def test_pins_in_another_order_than_the_plans_are_no_plane():
    with pytest.raises(UsageError, match="No flat piece"):
        pinned_matrix(pinned(CORNERS_MM, CORNERS_MM[[0, 3, 1, 4, 2, 5]] * 9 + 800))


@pytest.mark.parametrize("view", ["backlit", "front", "back"])
def test_a_hand_right_to_a_few_pixels_is_enough(view):
    plan = folded_panel(3, 24)
    shot = simulate_photo(plan, scene(view, 4))
    rough = shot.truth.map.to_px(plan.outline_mm) + np.random.default_rng(1).normal(0, 4.0, plan.outline_mm.shape)
    plane = rectify_photo(shot.photo, plan, RectifyOptions(view=view, pins=pinned(plan.outline_mm, rough)))
    assert plane.method == "given" or view != "backlit"
    off_px = plane.map.to_px(plan.outline_mm)[:, None] - shot.truth.map.to_px(plan.outline_mm)[None]
    nearest_mm = np.hypot(*off_px.transpose(2, 0, 1)).min(1) / np.sqrt(
        abs(np.linalg.det(plane.map.jacobian(np.zeros((1, 2)))[0]))
    )
    assert nearest_mm.max() < 0.2 * plan.pitch_mm


@pytest.mark.parametrize("view", ["backlit", "front"])
def test_pins_on_a_photo_that_does_not_show_the_plan_are_refused(view):
    plan, other = folded_panel(3, 24), folded_panel(2, 16)
    shot = simulate_photo(other, scene(view, 4))
    pins = pinned(plan.outline_mm, shot.truth.map.to_px(plan.outline_mm))
    with pytest.raises(NotThisPiece):
        rectify_photo(shot.photo, plan, RectifyOptions(view=view, pins=pins))

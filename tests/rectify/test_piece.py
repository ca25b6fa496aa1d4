"""The plane of a photo: where it lies against a simulated photo's own camera, and what is said about it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from foldtrue.errors import NotThisPiece, PhotoTooPoor
from foldtrue.frames import rotation
from foldtrue.rectify import backlit
from foldtrue.rectify.piece import RectifyOptions, rectify_photo
from foldtrue.simulate import Camera, Scene, simulate_photo


@pytest.fixture(scope="module")
def shot(nominal):
    return simulate_photo(nominal, Scene(seed=3, camera=Camera(width_px=900, height_px=700, roll_deg=40.0)))


@pytest.fixture(scope="module")
def plane(nominal, shot):
    return rectify_photo(shot.photo, nominal)


def off_px(nominal, plane, shot):
    """Largest distance of a twist's centre from its place, the best of the plan's own turns."""
    planned = np.array([t.planned_mm for t in nominal.twists])
    found = plane.map.to_px(planned)
    turned = (shot.truth.map.to_px(planned @ rotation(a).T) for a in nominal.symmetry["backlit"])
    return min(np.abs(found - t).max() for t in turned)


def test_the_plane_is_that_of_the_camera(nominal, plane, shot):
    assert off_px(nominal, plane, shot) < 0.05 * 900 / 12


@pytest.mark.parametrize("roll_deg", [10.0, 70.0, 130.0, 190.0, 250.0, 310.0])
def test_of_the_turns_that_look_alike_the_most_upright_is_taken(nominal, roll_deg):
    """A plan that looks alike every 120 degrees never leans by more than 60; the turn is the camera's roll less a
    multiple of 120."""
    shot = simulate_photo(nominal, Scene(seed=3, camera=Camera(width_px=640, height_px=500, roll_deg=roll_deg)))
    turn = rectify_photo(shot.photo, nominal).turn_deg
    assert turn == pytest.approx((roll_deg + 60) % 120 - 60, abs=1.0)


def test_what_had_to_be_assumed_is_said(plane, nominal, shot):
    assert {"plane_from_piece", "scale_assumed", "side_assumed"} <= set(plane.assumed)
    told = rectify_photo(shot.photo, nominal, RectifyOptions(side="front"))
    assert "side_assumed" not in told.assumed
    assert (told.side, told.method, told.reference) == ("front", "outline", "none")


def test_the_score_beats_the_runner_up(plane):
    assert 0.5 < plane.score <= 1.0
    assert 0.0 <= plane.runner_up < 1.0


def test_a_pitch_of_too_few_pixels_is_too_poor(nominal, shot):
    with pytest.raises(PhotoTooPoor, match="px per pitch"):
        rectify_photo(shot.photo, nominal, RectifyOptions(least_pitch_px=500.0))


def test_a_plan_that_explains_too_little_of_the_light_is_declined(nominal, shot):
    with pytest.raises(NotThisPiece, match="explains"):
        rectify_photo(shot.photo, nominal, RectifyOptions(least_share=0.9999))


def test_a_photo_in_16_bit_gives_the_same_plane(nominal, plane, shot):
    from foldtrue.photo import linear_table

    deep = replace(
        shot.photo, pixels=shot.photo.pixels.astype(np.uint16) * 257, linear=linear_table(np.dtype("uint16"))
    )
    found = rectify_photo(deep, nominal)
    planned = np.array([t.planned_mm for t in nominal.twists])
    np.testing.assert_allclose(found.map.to_px(planned), plane.map.to_px(planned), atol=0.5)


@pytest.mark.parametrize("side", ["front", "back"])
@pytest.mark.parametrize(("roll_deg", "tilt_deg"), [(0.0, 0.0), (35.0, 0.0), (100.0, 18.0)])
def test_the_lattice_alone_finds_it_too(nominal, monkeypatch, side, roll_deg, tilt_deg):
    """The outline taken away, as when the rim lies on a table of the paper's own brightness."""
    monkeypatch.setattr(backlit, "outline_candidates", lambda *_: [])
    camera = Camera(width_px=900, height_px=700, roll_deg=roll_deg, tilt_deg=tilt_deg, tilt_axis_deg=40.0, side=side)
    shot = simulate_photo(nominal, Scene(seed=5, camera=camera))
    found = rectify_photo(shot.photo, nominal, RectifyOptions(side=side))
    assert found.method == "lattice"
    pitch_px = nominal.pitch_mm * np.hypot(*shot.truth.map.jacobian(np.zeros((1, 2)))[0, :, 0])
    assert off_px(nominal, found, shot) < 0.25 * pitch_px


@pytest.mark.parametrize("turn_deg", range(0, 360, 24))
def test_any_turn_and_a_tilt_of_25_degrees_are_found_by_the_outline(nominal, turn_deg):
    camera = Camera(width_px=640, height_px=500, roll_deg=turn_deg, tilt_deg=25.0, tilt_axis_deg=7.0 * turn_deg % 360)
    shot = simulate_photo(nominal, Scene(seed=4, oversample=1, camera=camera))
    found = rectify_photo(shot.photo, nominal)
    assert found.method == "outline"
    pitch_px = nominal.pitch_mm * np.hypot(*shot.truth.map.jacobian(np.zeros((1, 2)))[0, :, 0])
    assert off_px(nominal, found, shot) < 0.25 * pitch_px

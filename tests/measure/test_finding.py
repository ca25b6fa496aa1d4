"""The piece is found without help, at any turn and tilt, by its rim or by its lattice, or the photo is declined."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from foldtrue.errors import FoldtrueError, NotThisPiece, PhotoTooPoor, SiteAmbiguous
from foldtrue.inspection import inspect_photo


@pytest.mark.parametrize("roll_deg", [0.0, 50.0, 130.0, 200.0, 290.0])
def test_found_at_any_turn_and_the_most_upright_reading_taken(shoot, site_error, roll_deg):
    shot = shoot(camera={"roll_deg": roll_deg})
    found = shot.measure()
    assert site_error(shot, found).max() < 0.05
    # The plan looks alike every 120 degrees, so no reading leans by more than 60.
    assert abs(found.plane.turn_deg) <= 60.5


@pytest.mark.parametrize("axis_deg", [20.0, 250.0])
def test_found_at_a_tilt_of_25_degrees(shoot, site_error, axis_deg):
    shot = shoot(camera={"tilt_deg": 25.0, "tilt_axis_deg": axis_deg})
    assert site_error(shot, shot.measure()).max() < 0.05


def test_photographed_from_behind_figures_stay_those_of_the_front(shoot):
    from foldtrue.frames import rotation

    shot = shoot(camera={"side": "back"})
    found = shot.measure(side="back")
    assert found.plane.side == "back"
    fits = []
    for alike in shot.nominal.symmetry["backlit"]:
        turned = np.array([t.planned_mm for t in shot.nominal.twists]) @ rotation(alike).T
        px = shot.truth.map.to_px(turned)
        fits.append(np.abs(found.fit.centre_px - px).max())
    assert min(fits) < 25.0


def test_rim_out_of_the_picture_on_one_side_is_still_measured(shoot, site_error, plan):
    shot = shoot(plan(spacing=3, divisions=24), camera={"fill": 1.0, "aim_mm": (30.0, 0.0)})
    found = shot.measure()
    seen = found.fit.measured
    assert seen.sum() >= 12
    assert site_error(shot, found)[seen].max() < 0.05


def test_rim_out_of_the_picture_on_all_sides_is_ambiguous(shoot, plan):
    shot = shoot(plan(spacing=3, divisions=36, rings=3), camera={"fill": 2.6})
    with pytest.raises(SiteAmbiguous):
        shot.measure()


def test_the_person_can_say_where_the_centre_is(shoot, site_error, plan):
    shot = shoot(plan(spacing=3, divisions=36, rings=3), camera={"fill": 2.2})
    centre = shot.truth.map.to_px(np.zeros((1, 2)))[0]
    found = shot.measure(at_px=(float(centre[0]), float(centre[1])))
    assert site_error(shot, found)[found.fit.measured].max() < 0.05


def test_another_layout_is_declined(shoot, plan):
    with pytest.raises(NotThisPiece):
        inspect_photo(shoot(plan(spacing=2)).path, plan(spacing=3, divisions=24))


def test_half_the_pitch_is_declined(shoot, plan):
    fine = shoot(plan(spacing=2, divisions=32, rings=4))
    with pytest.raises(NotThisPiece):
        inspect_photo(fine.path, plan(spacing=2, divisions=16))


def test_too_small_a_piece_is_declined(shoot):
    with pytest.raises((PhotoTooPoor, NotThisPiece)):
        shoot(camera={"fill": 0.11}).measure()


def test_too_blurred_a_piece_is_declined_or_says_it_is_unsure(shoot):
    shot = shoot(sensor={"blur_px": 14.0})
    try:
        found = shot.measure()
    except FoldtrueError:
        return
    error = np.hypot(*(found.fit.position_error_mm - shot.poses.position_error_mm).T)
    assert np.median(error) < 0.5


@pytest.mark.parametrize("name", ["brick.png", "grass.png", "gravel.png", "text.png", "coins.png", "camera.png"])
def test_pictures_of_other_things_are_declined(name, plan):
    """Source: the pictures that the scikit-image wheel ships."""
    import skimage.data

    with pytest.raises(NotThisPiece):
        inspect_photo(Path(skimage.data.__file__).parent / name, plan())


@pytest.mark.parametrize("kind", ["blank", "noise"])
def test_nothing_in_the_picture_is_declined(kind, tmp_path, plan):
    from PIL import Image

    rng = np.random.default_rng(0)
    level = 250 if kind == "blank" else 128
    pixels = np.clip(rng.normal(level, 0 if kind == "blank" else 25, (600, 800, 3)), 0, 255).astype(np.uint8)
    Image.fromarray(pixels).save(tmp_path / "a.png")
    with pytest.raises(NotThisPiece):
        inspect_photo(tmp_path / "a.png", plan())


def test_the_person_can_lay_the_plan_on_a_piece_whose_rim_is_out_of_the_picture(shoot, site_error, plan):
    shot = shoot(plan(spacing=3, divisions=36, rings=3), camera={"fill": 2.2})
    corners = shot.nominal.outline_mm
    rough = shot.truth.map.to_px(corners) + np.random.default_rng(2).normal(0, 5.0, corners.shape)
    pins = tuple(map(tuple, np.concatenate([corners, rough], 1).tolist()))
    found = shot.measure(pins=pins)
    assert site_error(shot, found)[found.fit.measured].max() < 0.05

"""One and the same piece photographed in different ways: the figures belong to the piece, not to the photo."""

from __future__ import annotations

import numpy as np
import pytest

from foldtrue.frames import rotation

PIECE = {"seed": 9}


def errors_on_plan(shot, found):
    """Errors (T, 2) mm and turns (T,) deg on the axes of the piece as drawn, in the order of the plan's twists: the
    plan's own turn that the tool chose is taken back, by where the twists are in the picture."""
    nominal = shot.nominal
    planned = np.array([t.planned_mm for t in nominal.twists])
    drawn = np.array([t.mean(0) for t in shot.truth.tips_px])
    at = np.hypot(*(found.fit.centre_px[:, None] - drawn[None]).transpose(2, 0, 1)).argmin(1)
    turn = min(nominal.symmetry["backlit"], key=lambda a: np.abs(planned @ rotation(a).T - planned[at]).max())
    error, angle = np.empty_like(planned), np.empty(len(planned))
    error[at] = found.fit.position_error_mm @ rotation(turn).T
    angle[at] = found.fit.angle_error_deg
    return error, angle


@pytest.fixture
def straight(shoot, plan):
    return errors_on_plan(*taken(shoot(plan(3, 24), errors=PIECE)))


def taken(shot, **options):
    return shot, shot.measure(**options)


def agree(one, other, mm=0.06, deg=0.25):
    assert np.sqrt(np.mean(np.sum((one[0] - other[0]) ** 2, 1))) < mm
    assert np.sqrt(np.mean((one[1] - other[1]) ** 2)) < deg


@pytest.mark.parametrize(
    "camera",
    [{"roll_deg": 155.0}, {"tilt_deg": 18.0, "tilt_axis_deg": 70.0}, {"fill": 0.65, "aim_mm": (12.0, -8.0)}],
    ids=["turned", "tilted", "farther"],
)
def test_another_stand_of_the_camera_gives_the_same_figures(shoot, plan, straight, camera):
    agree(straight, errors_on_plan(*taken(shoot(plan(3, 24), seed=2, errors=PIECE, camera=camera))))


def test_seen_from_behind_the_figures_are_those_from_the_front(shoot, plan, straight):
    behind = shoot(plan(3, 24), seed=3, errors=PIECE, camera={"side": "back"})
    agree(straight, errors_on_plan(*taken(behind, side="back")))


def test_a_lens_that_bends_gives_the_same_figures(shoot, plan, straight):
    bent = shoot(plan(3, 24), seed=4, errors=PIECE, camera={"k1": -0.06, "focal_35mm": 26.0})
    agree(straight, errors_on_plan(*taken(bent)))


def test_a_photo_stored_lying_on_its_side_gives_the_same_figures(shoot, plan):
    """Sides are multiples of 16 px, so that both files cut the picture into the same blocks."""
    camera, sensor = {"width_px": 960, "height_px": 752}, {"jpeg_quality": 100, "chroma": "4:4:4"}
    upright = shoot(plan(3, 24), errors=PIECE, camera=camera, sensor=sensor)
    lying = shoot(plan(3, 24), errors=PIECE, camera=camera, sensor={**sensor, "orientation": 6})
    agree(errors_on_plan(*taken(upright)), errors_on_plan(*taken(lying)), 0.005, 0.02)


def test_uneven_light_gives_the_same_figures(shoot, plan, straight):
    light = {"gradient": 0.4, "gradient_deg": 35.0, "vignette": 0.3, "exposure": 1.3}
    agree(straight, errors_on_plan(*taken(shoot(plan(3, 24), seed=5, errors=PIECE, light=light))))


def test_paper_with_old_creases_and_fibres_gives_the_same_figures(shoot, plan, straight):
    paper = {"crease_contrast": 0.08, "fibres_per_cm2": 1.0, "formation": 0.03}
    agree(straight, errors_on_plan(*taken(shoot(plan(3, 24), seed=6, errors=PIECE, paper=paper))))

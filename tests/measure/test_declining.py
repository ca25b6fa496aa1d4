"""Near misses: other layouts of the same family, other pictures, half-seen pieces. No figure is better than a wrong
one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from foldtrue.errors import NotThisPiece, PhotoTooPoor, SiteAmbiguous
from foldtrue.inspection import InspectOptions, inspect_photo

LAYOUTS = {
    "spacing 2": (2, 16, 2),
    "spacing 2, wide rim": (2, 24, 2),
    "spacing 2, fine": (2, 32, 4),
    "spacing 3": (3, 24, 2),
    "spacing 3, one ring": (3, 12, 1),
    "spacing 4": (4, 32, 2),
}


def layout(plan, name):
    spacing, divisions, rings = LAYOUTS[name]
    return plan(spacing=spacing, divisions=divisions, rings=rings)


@pytest.mark.parametrize(
    ("shown", "asked"),
    [
        ("spacing 2, wide rim", "spacing 2"),
        ("spacing 2", "spacing 2, fine"),
        ("spacing 3", "spacing 2"),
        ("spacing 3", "spacing 4"),
        ("spacing 4", "spacing 3"),
        ("spacing 3", "spacing 3, one ring"),
        ("spacing 3, one ring", "spacing 3"),
    ],
)
def test_another_layout_of_the_family_is_declined(shoot, plan, shown, asked):
    shot = shoot(layout(plan, shown), camera={"width_px": 900, "height_px": 700})
    with pytest.raises((NotThisPiece, PhotoTooPoor)):
        inspect_photo(shot.path, layout(plan, asked))


def test_a_rim_burnt_out_by_the_light_is_no_reason_to_decline(shoot, plan):
    """Where the table and a single layer are both over-exposed the rim does not show."""
    shot = shoot(layout(plan, "spacing 4"), light={"exposure": 4.0})
    found = shot.measure()
    assert found.features.clipped.any()
    assert found.fit.measured.sum() >= 20


@pytest.mark.accuracy
@pytest.mark.parametrize(
    "name",
    ["brick.png", "grass.png", "gravel.png", "text.png", "coins.png", "camera.png", "chessboard_GRAY.png", "page.png"],
)
def test_pictures_of_other_things_are_declined_for_a_wide_layout_too(plan, name):
    """Source: the pictures that the scikit-image wheel ships."""
    import skimage.data

    with pytest.raises(NotThisPiece):
        inspect_photo(Path(skimage.data.__file__).parent / name, layout(plan, "spacing 3"))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_without_any_rim_in_sight_the_place_is_not_guessed(shoot, plan, seed):
    """Inside a wide field of spacing 2 every node of the lattice looks like the next."""
    aim = [(0.0, 0.0), (14.0, 9.0), (-20.0, 5.0)][seed - 1]
    shot = shoot(plan(spacing=2, divisions=32, rings=4), seed=seed, camera={"fill": 2.5, "aim_mm": aim})
    with pytest.raises(SiteAmbiguous):
        shot.measure()


@pytest.fixture(params=["spacing 2", "spacing 3"])
def cut(request, shoot, plan):
    """A photo that shows little more than half of the twists, and the rim on two sides only."""
    aim = {"spacing 2": (30.0, 0.0), "spacing 3": (45.0, 0.0)}[request.param]
    return shoot(layout(plan, request.param), camera={"fill": 1.4, "aim_mm": aim})


def test_two_sides_of_the_rim_are_enough(cut, site_error):
    found = cut.measure()
    seen = found.fit.measured
    assert 12 <= seen.sum() < len(seen)
    assert site_error(cut, found)[seen].max() < 0.05


def test_twists_whose_centre_is_out_of_the_picture_are_not_measured(cut):
    found = cut.measure()
    height, width = found.photo.pixels.shape[:2]
    outside = ((found.fit.centre_px < 0) | (found.fit.centre_px > np.array([width, height]))).any(1)
    assert outside.sum() >= 5
    assert not found.fit.measured[outside].any()
    assert all(found.fit.flags[k] for k in np.flatnonzero(outside))


@pytest.mark.parametrize("off_pitch", [0.5, 8.0], ids=["between nodes", "beside the piece"])
def test_a_centre_that_no_lattice_point_bears_is_declined(shoot, plan, off_pitch):
    shot = shoot(plan(spacing=3, divisions=24))
    pitch = shot.nominal.pitch_mm
    wrong = np.array([[off_pitch * pitch, 0.5 * off_pitch * pitch]])
    x, y = shot.truth.map.to_px(wrong)[0]
    with pytest.raises(NotThisPiece, match="--at"):
        inspect_photo(shot.path, shot.plan, InspectOptions(at_px=(float(x), float(y))))


def test_the_centre_given_rightly_changes_nothing(shoot, plan):
    shot = shoot(plan(spacing=3, divisions=24))
    x, y = shot.truth.map.to_px(np.zeros((1, 2)))[0]
    given = shot.measure(at_px=(float(x) + 3.0, float(y) - 2.0))
    plain = shot.measure()
    np.testing.assert_allclose(given.fit.centre_px, plain.fit.centre_px, atol=0.05)
    assert given.plane.method == "given"


def test_a_negative_of_the_photo_is_declined(shoot, plan):
    """More layers must be darker; a negative shows them brighter."""
    from PIL import Image

    shot = shoot(plan(spacing=3, divisions=24))
    with Image.open(shot.path) as picture:
        negative = 255 - np.asarray(picture)
    path = shot.path.with_name("negative.png")
    Image.fromarray(negative).save(path)
    with pytest.raises(NotThisPiece):
        inspect_photo(path, shot.plan)

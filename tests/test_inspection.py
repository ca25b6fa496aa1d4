"""The conductor: options checked at birth, origin of the figures, refusals."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from foldtrue.errors import UsageError
from foldtrue.inspection import InspectOptions, describe_origin, inspect_photo, inspect_photos
from foldtrue.plan.file import parse_plan

PLAN = {
    "format": "foldtrue-plan",
    "version": 1,
    "name": "panel",
    "sheet": {"shape": "hexagon", "height_mm": 240},
    "grid": {"kind": "point-to-point", "divisions": 16},
    "twists": {"recipe": "honeycomb", "spacing": 2, "rings": 2},
}


@pytest.mark.parametrize("wrong", [{"view": "above"}, {"side": "left"}, {"held": "up"}])
def test_options_are_checked_at_birth(wrong):
    with pytest.raises(UsageError):
        InspectOptions(**wrong)


def test_origin_is_plain_json_and_names_what_the_figures_rest_on(nominal, photo):
    origin = describe_origin(Path("a/b/panel.jpg"), photo, nominal, InspectOptions(side="back", at_px=(3.0, 4.0)))
    assert json.loads(json.dumps(origin)) == origin
    assert origin["photo"]["name"] == "panel.jpg"  # no folder: it may tell more than the person wants to share
    assert origin["photo"]["sha256"] == photo.sha256
    assert origin["photo"]["size_px"] == [1440, 1080]
    assert origin["plan"]["sha256"] == nominal.plan_sha256
    said = {"side": "back", "at_px": [3.0, 4.0]}
    unsaid = {"view": "auto", "reference": "auto", "held": "free"}
    unsaid |= dict.fromkeys(("dpi", "bars_mm", "corners_px", "corners_mm"))
    assert origin["options"] == unsaid | said
    assert origin["versions"]["numpy"]


@pytest.mark.parametrize("at", [(-1.0, 5.0), (5.0, 120.0), (float("nan"), 5.0)])
def test_a_point_outside_the_photo_is_declined(at, tmp_path, picture):
    from PIL import Image

    Image.fromarray(picture).save(tmp_path / "a.png")
    with pytest.raises(UsageError, match="outside the photo"):
        inspect_photo(tmp_path / "a.png", parse_plan(PLAN), InspectOptions(at_px=at))


@pytest.mark.parametrize(("view", "side"), [("front", "back"), ("back", "front")])
def test_a_view_and_a_side_that_contradict_are_declined(view, side):
    with pytest.raises(UsageError, match=f"view of the {view}.*not the {side}"):
        InspectOptions(view=view, side=side)


def test_a_reference_of_unknown_kind_is_declined():
    with pytest.raises(UsageError, match="no reference 'A5'"):
        InspectOptions(reference="A5")


CORNERS = ((10.0, 10.0), (190.0, 12.0), (185.0, 110.0), (12.0, 105.0))


@pytest.mark.parametrize(
    ("said", "message"),
    [
        ({"corners_px": CORNERS}, "--corners-mm"),
        ({"corners_mm": (300.0, 200.0)}, "--corners X1"),
        ({"reference": "corners"}, "never guessed"),
        ({"corners_px": CORNERS, "corners_mm": (300.0, 200.0), "reference": "A4"}, "cannot both"),
        ({"corners_px": CORNERS, "corners_mm": (300.0, 200.0), "dpi": 300.0}, "cannot both"),
    ],
)
def test_corners_stand_alone_and_whole(said, message):
    with pytest.raises(UsageError, match=message):
        InspectOptions(**said)


def test_corners_that_are_given_are_what_is_asked_for():
    assert InspectOptions(corners_px=CORNERS, corners_mm=(300.0, 200.0)).asked == "corners"
    assert InspectOptions().asked == "auto"


def test_corners_belong_to_one_photo():
    options = InspectOptions(corners_px=CORNERS, corners_mm=(300.0, 200.0))
    with pytest.raises(UsageError, match="--corners"):
        inspect_photos(["a.jpg", "b.jpg"], parse_plan(PLAN), options)

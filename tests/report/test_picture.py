"""The shown picture and its places: where the overlay draws them, and nothing of the photo's metadata."""

from __future__ import annotations

import io
import json
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from foldtrue.report.overlay import photo_part
from foldtrue.report.picture import show_picture


@pytest.fixture
def shown(inspection):
    return show_picture(inspection, 900)


def test_the_picture_is_as_large_as_its_places_say(shown):
    with Image.open(io.BytesIO(shown.jpeg)) as image:
        assert image.size == (shown.places["width_px"], shown.places["height_px"])
        assert max(image.size) <= 900


def test_nothing_of_the_photos_metadata_survives(shown):
    with Image.open(io.BytesIO(shown.jpeg)) as image:
        assert not image.getexif()
        assert set(image.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}


def test_found_twists_lie_where_the_overlay_draws_them(inspection, shown):
    part = photo_part(inspection, 900)
    for row, tips in zip(shown.places["twists"], inspection.fit.tips_px, strict=True):
        if row["found"] is not None:
            np.testing.assert_allclose(row["found"], part.place(tips), atol=1e-4)


def test_the_error_leads_from_the_planned_to_the_found_middle(inspection, shown):
    """The drawn error is that of the pose; the mean of the tips found is within the twist's own deformation of it."""
    for row in shown.places["twists"]:
        if row["found"] is not None:
            found = np.mean(row["found"], axis=0) - np.mean(row["planned"], axis=0)
            np.testing.assert_allclose(row["error"], found, atol=0.05 * shown.places["px_per_mm"])


def test_a_twist_that_was_not_measured_has_its_planned_place_only(inspection, shown):
    for row, seen in zip(shown.places["twists"], inspection.fit.measured.tolist(), strict=True):
        assert (row["found"] is not None) == (row["error"] is not None) == (row["u95_px"] is not None) == seen


def test_places_are_plain_json(shown):
    assert json.loads(json.dumps(shown.places, allow_nan=False)) == shown.places


def test_what_no_picture_may_show_is_painted_over(inspection):
    """The face of a card: a square in the middle of the piece, where the photo is never flat grey."""
    middle = inspection.fit.map.to_px(np.zeros((1, 2)))[0]
    face = middle + 60 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    hidden = replace(inspection, plane=replace(inspection.plane, private_px=(face,)))
    place = np.rint(photo_part(inspection, 900).place(middle[None]))[0].astype(int)
    for given, masked in ((inspection, False), (hidden, True)):
        with Image.open(io.BytesIO(show_picture(given, 900).jpeg)) as image:
            around = np.asarray(image, float)[place[1] - 30 : place[1] + 30, place[0] - 30 : place[0] + 30]
        assert (np.abs(around - 128).max() < 6) == masked

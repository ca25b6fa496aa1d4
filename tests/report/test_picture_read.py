"""Pictures read back from a folder: pixels survive, everything else does not; what is no picture of ours is none."""

from __future__ import annotations

import io
import json

import numpy as np
import pytest
from PIL import Image
from reports import SECRETS, telling_photo

from foldtrue.report.picture_read import Places, read_picture, read_places

PLACES = {
    "format": "foldtrue-picture",
    "version": 1,
    "width_px": 40,
    "height_px": 30,
    "px_per_mm": 2.0,
    "magnify": 10,
    "outline": [[0, 0], [40, 0], [40, 30]],
    "twists": [],
}
TWIST = {"id": "t0", "planned": [[1, 1], [9, 1], [5, 8]], "centre": [5, 3], "found": None, "error": None}


@pytest.fixture
def path(tmp_path):
    return tmp_path / "picture"


def test_no_metadata_comes_along(path, picture):
    path.write_bytes(telling_photo(picture))
    jpeg = read_picture(path, 500).jpeg
    with Image.open(io.BytesIO(jpeg)) as image:
        assert not image.getexif()
        assert set(image.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    assert all(secret in path.read_bytes() for secret in SECRETS)
    assert not any(secret in jpeg for secret in SECRETS)


def test_pixels_come_along(path, picture):
    Image.fromarray(picture).save(path, "PNG")
    found = read_picture(path, 500)
    assert found.size_px == (picture.shape[1], picture.shape[0])
    with Image.open(io.BytesIO(found.jpeg)) as image:
        assert np.abs(np.asarray(image, float) - picture).mean() < 4


def test_a_large_picture_is_made_smaller(path, picture):
    Image.fromarray(picture).save(path, "PNG")
    assert read_picture(path, 50).size_px == (50, 30)


@pytest.mark.parametrize(
    "content", [b"", b"<svg onload='alert(1)'/>", b"\xff\xd8\xff\xe0broken", b"GIF89a" + b"\0" * 99]
)
def test_what_is_no_picture_is_none(path, content):
    path.write_bytes(content)
    assert read_picture(path, 500) is None


def test_a_missing_file_is_none(path):
    assert read_picture(path, 500) is None
    assert read_places(path) is None


def test_a_picture_that_would_fill_the_memory_is_none(path):
    Image.new("1", (20000, 20000)).save(path, "PNG")
    assert read_picture(path, 500) is None


def test_places_are_read(path):
    path.write_text(json.dumps({**PLACES, "twists": [{**TWIST, "u95_px": None}]}))
    assert isinstance(read_places(path), Places)


@pytest.mark.parametrize(
    "change",
    [
        {"format": "other"},
        {"version": 2},
        {"width_px": 0},
        {"px_per_mm": -1},
        {"magnify": "ten"},
        {"outline": [[0, 0]]},
        {"twists": [TWIST]},
        {"twists": "none"},
    ],
)
def test_places_of_another_form_are_none(path, change):
    path.write_text(json.dumps({**PLACES, **change}))
    assert read_places(path) is None


@pytest.mark.parametrize("text", ["", "[]", "[" * 100_000, '{"format": NaN}'])
def test_what_is_no_record_is_none(path, text):
    path.write_text(text)
    assert read_places(path) is None

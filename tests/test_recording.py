"""From a result and its photo to an entry of the record, as the command line and the pages make it."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest
from PIL import Image
from recorded import made_result

from foldtrue.errors import UsageError
from foldtrue.record.thumbnails import check_bare_jpeg
from foldtrue.recording import entry_of


@pytest.fixture
def photo(tmp_path):
    path = tmp_path / "photo-1"
    ramp = np.linspace(0, 255, 640, dtype=np.uint8)
    Image.fromarray(np.dstack([np.tile(ramp, (480, 1))] * 3)).save(path, "JPEG")
    return path


@pytest.fixture
def result(photo):
    return made_result(1, photo=hashlib.sha256(photo.read_bytes()).hexdigest())


def test_a_photo_is_kept_as_a_bare_thumbnail_under_the_name_the_person_gave_it(photo, result):
    (kept,) = entry_of(result, "stair window", photos=[photo], names=["panel.jpg"]).photos
    assert kept.name == "panel.jpg"
    check_bare_jpeg(kept.thumbnail)


def test_without_another_name_a_photo_keeps_the_results(photo, result):
    (kept,) = entry_of(result, "stair window", photos=[photo]).photos
    assert kept.name == result["provenance"]["photo"]["name"]


def test_another_photo_than_the_measured_one_is_refused(photo):
    with pytest.raises(UsageError, match="not the one that was measured"):
        entry_of(made_result(1), "stair window", photos=[photo])


def test_another_plan_than_the_results_is_refused(result, tmp_path):
    (tmp_path / "plan.json").write_text(
        '{"format": "foldtrue-plan", "version": 1, "name": "x", "sheet": {"shape": "hexagon", "height_mm": 240},'
        '"grid": {"kind": "point-to-point", "divisions": 16},'
        '"twists": {"recipe": "honeycomb", "spacing": 2, "rings": 2}}'
    )
    with pytest.raises(UsageError, match="not compared with the plan"):
        entry_of(result, "stair window", plan_file=tmp_path / "plan.json")

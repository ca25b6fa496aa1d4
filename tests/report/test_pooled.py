"""What is said and written of several photos of one piece."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest

from foldtrue.errors import NotThisPiece, UsageError
from foldtrue.handover_pool import PooledInspection, PooledPhoto, Repeatability
from foldtrue.report.files import clear_photos
from foldtrue.report.pooled import folders, pooled_record, pooled_text, write_pooled

SCHEMA = json.loads((Path(__file__).parents[2] / "docs" / "result.schema.json").read_text())
SPREAD = Repeatability(0.02, 80, 0.1, 46, 130.0, 128, 0.43, 1.0)


@pytest.fixture
def pooled(inspection):
    photos = (
        PooledPhoto("a.jpg", inspection, "used", plan_turn_deg=0.0, chi_square=60.0, freedoms=64, p_value=0.6),
        PooledPhoto("b.jpg", inspection, "used", plan_turn_deg=240.0, mirrored=True, p_value=0.5),
        PooledPhoto("c.jpg", inspection, "left_out", "It shows another piece.", ("photo_disagrees",)),
        PooledPhoto("d.jpg", None, "refused", "d.jpg: Too small. Go closer."),
    )
    return PooledInspection(inspection, photos, SPREAD)


def text_of(pooled):
    return pooled_text(pooled, pooled_record(pooled))


def test_the_record_has_the_published_form(pooled):
    jsonschema.validate(pooled_record(pooled), SCHEMA)


def test_a_record_without_repeatability_has_the_published_form(pooled):
    alone = replace(pooled, repeatability=None)
    jsonschema.validate(pooled_record(alone), SCHEMA)
    unknown = replace(pooled, repeatability=replace(SPREAD, angle_std_deg=float("nan"), angle_freedoms=0))
    jsonschema.validate(pooled_record(unknown), SCHEMA)


def test_repeatability_is_stated_with_its_uncertainty_and_limit(pooled):
    """0.02 / sqrt(160) x 1.96 = 0.0031; 2.8 x 0.02 = 0.056."""
    said = pooled_record(pooled)["repeatability"]
    assert said["position_std_u95_mm"] == pytest.approx(0.0031, abs=1e-4)
    assert said["position_limit_mm"] == pytest.approx(0.056)
    assert "0.020 ± 0.003 mm per axis, 0.100 ± 0.020 deg" in text_of(pooled)
    assert "less than 0.056 mm and 0.28 deg in 95 of 100" in text_of(pooled)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, "The photos differ as much as they claim (chi-square 130, 128 degrees of freedom)."),
        ({"p_value": 0.999}, "agree better than they claim"),
        ({"p_value": 0.001, "widened": 1.4}, "uncertainties are multiplied by 1.40"),
    ],
)
def test_found_and_claimed_spread_are_compared(pooled, changes, words):
    assert words in text_of(replace(pooled, repeatability=replace(SPREAD, **changes)))


def test_what_became_of_each_photo_is_said(pooled):
    text = text_of(pooled)
    assert "Figures of one piece from 2 of 4 photos, drawn in panel.jpg." in text
    assert "  b.jpg: backlit, front, seen from the front after all, plan turned by 240 deg." in text
    assert "  c.jpg: backlit, front, left out. It shows another piece." in text
    assert "  d.jpg: refused. Too small. Go closer." in text


def test_without_figures_of_one_piece_each_photos_own_are_said(pooled):
    none = replace(pooled, inspection=None, repeatability=None, problem=NotThisPiece("Two pieces."))
    text = text_of(none)
    assert text.startswith("4 photos, and no figures of one piece.")
    assert text.count("Mean error, noise taken out") == 3


def test_files_of_the_piece_and_of_each_photo(pooled, tmp_path):
    record = write_pooled(pooled, tmp_path)
    assert json.loads((tmp_path / "result.json").read_text()) == record
    names = {p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*.*")}
    each = {"result.json", "twists.csv", "pleats.csv", "overlay.png", "picture.jpg", "picture.json"}
    assert names == each | {f"photos/{photo}/{name}" for photo in "abc" for name in each}


def test_photos_of_the_same_name_have_folders_of_their_own(pooled):
    again = [replace(p, name=f"{k}/a.jpg") for k, p in enumerate(pooled.photos)]
    assert folders(again) == ["photos/a", "photos/a-2", "photos/a-3", None]


def test_an_earlier_run_leaves_no_photos_behind_and_nothing_else_is_touched(pooled, tmp_path):
    write_pooled(pooled, tmp_path)
    mine = tmp_path / "photos" / "a" / "note.txt"
    mine.write_text("mine")
    (tmp_path / "photos" / "album").mkdir()
    clear_photos(tmp_path)
    assert sorted(p.name for p in (tmp_path / "photos").rglob("*")) == ["a", "album", "note.txt"]


def test_a_folder_that_is_not_ours_is_refused(tmp_path):
    other = tmp_path / "photos" / "x" / "result.json"
    other.parent.mkdir(parents=True)
    other.write_text("{}")
    with pytest.raises(UsageError, match="not written by foldtrue"):
        clear_photos(tmp_path)

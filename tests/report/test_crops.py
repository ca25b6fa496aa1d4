"""Pictures of the touch-up list: whole, masked, and only those of this run."""

from __future__ import annotations

import io
from dataclasses import replace

import cv2
import numpy as np
import pytest
from PIL import Image

from foldtrue.assess import assess_by
from foldtrue.handover_judge import Rule
from foldtrue.judge.tolerances import parse_tolerances
from foldtrue.report.crops import MOST, crop_name, crop_png
from foldtrue.report.files import clear_touch_up
from foldtrue.report.result import result_record
from foldtrue.report.write import ReportOptions, write_report

STRICT = {
    "format": "foldtrue-tolerances",
    "version": 1,
    "name": "strict",
    "limits": {"twist_position": {"mm": 0.02}, "closure": {"mm": 0.01}},
}


assess = assess_by(parse_tolerances(STRICT), Rule())


@pytest.fixture
def entries(inspection):
    return assess(inspection, result_record(inspection))["judgement"]["touch_up"]


def pixels(png):
    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB"))


def test_a_picture_is_cut_from_around_its_twist(inspection, entries):
    picture = pixels(crop_png(inspection, entries[0]))
    assert 850 <= picture.shape[1] <= 900
    assert picture.shape[0] > 900  # the words below it


@pytest.mark.parametrize("kind", ["twist", "node"])
def test_everything_drawn_reads_in_grey(inspection, entries, kind):
    # on a plain mid-grey photo every drawn pixel is a shade of grey, darker and lighter than the paper
    plain = replace(inspection, photo=replace(inspection.photo, pixels=np.full_like(inspection.photo.pixels, 128)))
    made_up = {**entries[0], "kind": "node", "id": "n0", "towards": [], "twists": ["t0", "t1"]}
    picture = pixels(crop_png(plain, entries[0] if kind == "twist" else made_up))[:850]
    assert (picture.max(2) == picture.min(2)).all()
    assert picture.min() < 20
    assert picture.max() > 235


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_no_pixel_of_a_cards_face_survives(inspection, entries, dtype):
    middle = inspection.fit.centre_px[int(entries[0]["id"][1:])]
    face = middle + np.array([[-40.0, -30.0], [50.0, -20.0], [40.0, 40.0], [-50.0, 30.0]])
    inside = np.zeros(inspection.photo.pixels.shape[:2], np.uint8)
    cv2.fillConvexPoly(inside, np.rint(face).astype(np.int32), 1)

    def with_print(seed):
        photo = inspection.photo.pixels.astype(dtype) * (257 if dtype == np.uint16 else 1)
        print_ = np.random.default_rng(seed).integers(0, np.iinfo(dtype).max, photo.shape).astype(dtype)
        changed = replace(inspection.photo, pixels=np.where(inside[:, :, None] > 0, print_, photo))
        return replace(inspection, photo=changed, plane=replace(inspection.plane, private_px=(face,)))

    assert crop_png(with_print(1), entries[0]) == crop_png(with_print(2), entries[0])
    bare = replace(with_print(1), plane=replace(inspection.plane, private_px=()))
    assert crop_png(bare, entries[0]) != crop_png(with_print(1), entries[0])


def test_a_twist_at_the_photos_edge_still_gets_a_picture(inspection, entries):
    cut = replace(inspection.photo, pixels=inspection.photo.pixels[:300, :300])
    assert pixels(crop_png(replace(inspection, photo=cut), entries[0])).size


def test_from_behind_the_picture_says_that_turns_look_the_other_way(inspection, entries):
    front = pixels(crop_png(inspection, entries[0]))
    back = pixels(crop_png(replace(inspection, plane=replace(inspection.plane, side="back")), entries[0]))
    assert back.shape[0] > front.shape[0]


# ---- files


def test_a_judged_report_has_a_picture_for_the_first_entries(inspection, tmp_path):
    record = write_report(inspection, tmp_path, assess=assess).record
    names = [crop_name(entry) for entry in record["judgement"]["touch_up"][:MOST]]
    assert len(names) == MOST
    assert names[0].startswith("01-t")
    assert sorted(path.name for path in (tmp_path / "touchup").iterdir()) == sorted(names)


def test_without_pictures_there_are_none(inspection, tmp_path):
    write_report(inspection, tmp_path, ReportOptions(touch_up=False), assess=assess)
    assert not (tmp_path / "touchup").exists()


def test_pictures_of_an_earlier_run_are_removed_and_nothing_else(inspection, tmp_path):
    write_report(inspection, tmp_path, assess=assess)
    (tmp_path / "touchup" / "notes.txt").write_text("mine")
    (tmp_path / "touchup" / "holiday.png").write_text("mine")
    clear_touch_up(tmp_path)
    assert sorted(path.name for path in (tmp_path / "touchup").iterdir()) == ["holiday.png", "notes.txt"]


def test_a_folder_that_is_not_foldtrues_is_left_alone(tmp_path):
    (tmp_path / "touchup").mkdir()
    (tmp_path / "touchup" / "01-t4.png").write_text("mine")
    clear_touch_up(tmp_path)
    assert (tmp_path / "touchup" / "01-t4.png").exists()

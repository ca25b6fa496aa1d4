"""The sample pictures: whole folders, truth that agrees with itself and with the plan, and what foldtrue finds in them.

The `lantern-*` and `porch-*` pictures are path-traced from a mesh by sample_images/render, which shares no code with
foldtrue: neither its folding nor its picture model. Their truth is read off that mesh.
"""

from __future__ import annotations

import io
import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from judging import misses, score, traced_truth
from PIL import Image
from scipy.spatial.transform import Rotation

from foldtrue.inspection import InspectOptions, inspect_photo
from foldtrue.plan.file import read_plan
from foldtrue.plan.fold import fold_plan
from foldtrue.report.result import result_record

SAMPLES = Path(__file__).parents[2] / "sample_images"
TRACED = sorted(p.parent.name for p in SAMPLES.glob("*/truth.json") if "source" in json.loads(p.read_text()))


@dataclass(frozen=True)
class Claim:
    """What measuring a picture must reach, the same alignment taken out of truth and result: its homography and the
    mean overturn. position_mm, angle_deg: largest RMS; gain: largest position RMS over that of an answer of zero.
    places_fall_short: why places are not what they should be."""

    name: str
    position_mm: float
    angle_deg: float
    gain: float = 0.5
    places_fall_short: str = ""


HIDDEN = "at spacing 2 a twist's tips are held by one valley each, and creases of the grid cross there"
CLAIMS = [
    Claim("lantern-backlit", 0.045, 0.10),
    Claim("porch-backlit", 0.040, 0.10),
    Claim("lantern-front", 0.06, 0.20),
    Claim("porch-front", 0.06, 0.20),
    Claim("lantern-back", 0.10, 0.40, 0.8, f"0.10 to 0.14 mm: {HIDDEN}"),
    Claim("porch-back", 0.10, 0.25, 0.8),
]
"""Against the light and from the front what the project aims at; from the back what is required for now. How
much of the tiled back's rim is found hangs on single pixels: with one level more or less in one pixel of fifty its
turns err by 0.23 to 0.37 deg, its places by 0.10 to 0.14 mm, and it says of itself that they may by more."""


@pytest.fixture(params=TRACED)
def folder(request):
    return SAMPLES / request.param


@pytest.fixture
def truth(folder):
    return json.loads((folder / "truth.json").read_text())


@pytest.fixture
def nominal(folder):
    return fold_plan(read_plan(folder / "plan.json"))


def test_both_pieces_have_traced_pictures():
    assert {name.split("-")[0] for name in TRACED} == {"lantern", "porch"}


def test_a_folder_is_whole(folder):
    assert {p.name for p in folder.iterdir()} == {"photo.jpg", "plan.json", "truth.json", "ABOUT.md"}
    assert "invented" in (folder / "ABOUT.md").read_text("utf-8")


def test_the_photo_is_a_jpeg_below_two_megabytes(folder):
    data = (folder / "photo.jpg").read_bytes()
    assert len(data) < 2_000_000
    with Image.open(io.BytesIO(data)) as photo:
        assert photo.format == "JPEG"
        assert min(photo.size) >= 1500


def test_the_whole_piece_is_in_the_picture(folder, truth):
    with Image.open(folder / "photo.jpg") as photo:
        stored = photo.size
    upright = np.array(stored[::-1] if truth["orientation_tag"] in (6, 8) else stored)
    px = np.array(truth["vertices"]["px"])
    assert (px > 0.02 * upright).all()
    assert (px < 0.98 * upright).all()


def test_the_plan_folds_to_the_layout_that_the_truth_states(truth, nominal):
    """Two independent foldings of the same crease pattern: same twists in the same order, tips equal to 1e-6 mm."""
    assert truth["pitch_mm"] == pytest.approx(nominal.pitch_mm, abs=1e-6)
    assert len(truth["twists"]) == len(nominal.twists)
    for stated, twist in zip(truth["twists"], nominal.twists, strict=True):
        assert (stated["id"], stated["ring"], stated["border"]) == (twist.id, twist.ring, twist.border)
        assert {"ccw": 1, "cw": -1}[stated["hand"]] == twist.hand
        tips, planned = nominal.vertices_mm[list(twist.tips)], np.array(stated["planned_tips_mm"])
        nearest = np.hypot(*(planned[:, None] - tips[None]).transpose(2, 0, 1))
        assert sorted(nearest.argmin(1)) == [0, 1, 2]
        assert nearest.min(1).max() < 1e-6


def test_stated_errors_are_the_rigid_motion_of_the_stated_tips(truth):
    """Turn by scipy's solution of Wahba's problem, which is Kabsch's for points (scipy.spatial.transform)."""
    for twist in truth["twists"]:
        planned, true = (np.array(twist[k]) for k in ("planned_tips_mm", "tips_mm"))
        assert twist["planned_mm"] == pytest.approx(planned.mean(0), abs=1e-6)
        assert twist["position_error_mm"] == pytest.approx(true.mean(0) - planned.mean(0), abs=1e-6)
        flat = [np.column_stack([p - p.mean(0), np.zeros(len(p))]) for p in (true, planned)]
        turn = Rotation.align_vectors(np.vstack([flat[0], [0, 0, 1e6]]), np.vstack([flat[1], [0, 0, 1e6]]))[0]
        assert twist["angle_error_deg"] == pytest.approx(turn.as_rotvec(degrees=True)[2], abs=1e-5)
        sign = {"ccw": 1, "cw": -1}[twist["hand"]]
        assert twist["overturn_deg"] == pytest.approx(sign * twist["angle_error_deg"], abs=1e-9)


def test_stated_pixels_are_what_the_stated_camera_sees(truth):
    camera, side = truth["camera"], 1 if truth["side"] == "front" else -1
    for twist in truth["twists"]:
        place = np.column_stack([np.array(twist["tips_mm"]) * [side, 1], twist["tips_height_mm"]])
        seen = (place - camera["pinhole_mm"]) @ np.array(camera["rotation"]).T
        px = np.array(camera["centre_px"]) + camera["focal_px"] * seen[:, :2] / seen[:, 2:]
        assert px == pytest.approx(np.array(twist["tips_px"]), abs=1e-4)


@pytest.fixture(scope="module", params=CLAIMS, ids=lambda claim: claim.name)
def measured(request):
    """(claim, rows of result.json, misses, score) of a picture measured as anyone would."""
    folder = SAMPLES / request.param.name
    view = json.loads((folder / "truth.json").read_text())["view"]
    found = inspect_photo(folder / "photo.jpg", read_plan(folder / "plan.json"), InspectOptions(view=view))
    truth, rows = traced_truth(folder), result_record(found)["twists"]
    missed = misses(truth, rows, found.nominal.symmetry[view])
    return request.param, rows, missed, score(truth, missed)


def test_twists_are_measured_and_none_is_taken_for_another(measured):
    _, rows, missed, judged = measured
    assert all(r["status"] == "measured" for r in rows)
    assert judged.wrong == 0
    assert missed.site.tolist() == list(range(len(rows)))


def test_measured_places_are_the_meshs(measured, request):
    claim, _, _, judged = measured
    if claim.places_fall_short:
        request.applymarker(pytest.mark.xfail(reason=claim.places_fall_short))
    assert judged.position_rms_mm <= claim.position_mm
    assert judged.gain <= claim.gain


def test_measured_turns_are_the_meshs(measured):
    claim, _, _, judged = measured
    assert judged.angle_rms_deg <= claim.angle_deg


def test_stated_intervals_hold_the_truth(measured):
    """Three in four at least: intervals of 95 % do not count the relief, which displaces what is seen."""
    assert measured[3].cover_position >= 0.75

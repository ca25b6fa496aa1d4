"""A camera that was measured is kept, and serves its own later photos alone."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner
from kept_camera_photos import headed
from mat_in_photo import mat_photo
from panels import folded_panel

from foldtrue.cli import foldtrue
from foldtrue.errors import UnreadableFile, UsageError
from foldtrue.handover import KeptLens
from foldtrue.inspection import InspectOptions, inspect_photo
from foldtrue.kept_camera import kept_lenses, lens_for, named_camera, with_camera
from foldtrue.lens_prior import kept_std
from foldtrue.photo import read_photo
from foldtrue.plan.file import parse_plan
from foldtrue.report.result import result_record
from foldtrue.report.tables import piece_text
from foldtrue.simulate import Camera, Scene, Sensor, simulate_photo

CAMERA = "Quarter Moon Pane 2"
K1 = -0.05
PLAN = {
    "format": "foldtrue-plan",
    "version": 1,
    "name": "panel",
    "sheet": {"shape": "hexagon", "height_mm": 200},
    "grid": {"kind": "point-to-point", "divisions": 16},
    "twists": {"recipe": "honeycomb", "spacing": 2, "rings": 2},
}


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    return tmp_path_factory.mktemp("home")


@pytest.fixture(autouse=True)
def in_home(home, monkeypatch):
    monkeypatch.setenv("FOLDTRUE_HOME", str(home))


@pytest.fixture(scope="module")
def bare(tmp_path_factory):
    """A photo of the mat by a camera whose lens bends by K1."""
    return headed(mat_photo(k1=K1, distance=500.0).jpeg, tmp_path_factory.mktemp("bare") / "bare.jpg")


@pytest.fixture(scope="module")
def piece(tmp_path_factory):
    """A photo of a piece against the light by the same camera."""
    camera = Camera(width_px=1200, height_px=900, k1=K1, fill=0.5)
    scene = Scene(seed=4, view="backlit", camera=camera, sensor=Sensor(blur_px=1.0))
    made = simulate_photo(folded_panel(2, 16, 200.0), scene)
    return headed(made.jpeg, tmp_path_factory.mktemp("piece") / "piece.jpg")


@pytest.fixture
def photo(photo):
    return replace(photo, camera=CAMERA, focal_35mm=26.0)


def kept(**said):
    return replace(KeptLens(CAMERA, 26.0, 4 / 3, K1, 0.0005), **said)


def entry(**said):
    lens = {"camera": CAMERA, "focal_35mm": 26.0, "proportion": 4 / 3, "k1": K1, "k1_u95": 0.001, "photos": []}
    return lens | said


def measured(path, *lenses):
    return inspect_photo(path, parse_plan(PLAN), InspectOptions(view="backlit", side="front", lenses=lenses))


def test_the_command_keeps_what_later_photos_read(home, bare):
    done = CliRunner().invoke(foldtrue, ["camera", str(bare), "--keep"])
    assert done.exit_code == 0, done.output
    assert CAMERA in done.output
    assert "SN-0042" not in (home / "camera.json").read_text()
    (lens,) = kept_lenses(home)
    assert (lens.camera, lens.focal_35mm) == (CAMERA, 26.0)
    assert lens.proportion == pytest.approx(4 / 3)
    assert lens.k1 == pytest.approx(K1, abs=0.004)
    assert lens_for(read_photo(bare), [lens]) == lens


def test_measured_twice_it_is_kept_once_and_another_zoom_beside_it(home, bare):
    first = json.loads(with_camera([], entry()))["cameras"]
    again = json.loads(with_camera(first, entry(k1=-0.04)))["cameras"]
    assert [one["k1"] for one in again] == [-0.04]
    assert len(json.loads(with_camera(again, entry(focal_35mm=52.0)))["cameras"]) == 2


def test_a_kept_lens_halves_the_uncertainty_of_the_lens(piece):
    alone, with_lens = (measured(piece, *lenses).fit for lenses in ((), (kept(),)))
    true = K1  # of a 26 mm equivalent lens, which this camera has
    assert with_lens.k1_std < 0.5 * alone.k1_std
    assert abs(with_lens.map.k1 - true) < 1.96 * with_lens.k1_std
    assert (alone.lens_prior, with_lens.lens_prior) == ("usual", "kept")


def test_the_result_says_which_lens_it_started_from(piece):
    record = result_record(measured(piece, kept()))
    told = record["fit"]["lens_prior"]
    assert told["camera"] == CAMERA
    assert (told["k1"], told["k1_u95"]) == pytest.approx((K1, 1.96 * 0.0005), rel=1e-3)
    assert told["k1_u95_counted"] == pytest.approx(1.96 * kept_std(kept()), rel=1e-3)
    assert f"kept of {CAMERA} at 26 mm" in piece_text(record)
    assert "lenses" not in record["provenance"]["options"]


def test_a_lens_that_the_photo_contradicts_is_said_and_not_used(piece):
    alone, other = measured(piece), measured(piece, kept(k1=0.2))
    assert "kept_lens_contradicted" in other.plane.assumed
    assert other.fit.map.k1 == pytest.approx(alone.fit.map.k1)
    assert other.fit.k1_std == pytest.approx(alone.fit.k1_std)


@pytest.mark.parametrize("other", [{"focal_35mm": 52.0}, {"proportion": 16 / 9}, {"camera": "Quarter Moon Pane 3"}])
def test_the_lens_of_another_zoom_proportion_or_camera_is_not_taken(photo, other):
    assert lens_for(photo, [kept(**other)]) is None
    assert lens_for(photo, [kept(**other), kept()]) == kept()


def test_an_upright_picture_is_of_the_same_camera(photo):
    turned = replace(photo, pixels=np.ascontiguousarray(photo.pixels.transpose(1, 0, 2)))
    assert lens_for(turned, [kept()]) == kept()


@pytest.mark.parametrize("missing", ["camera", "focal_35mm"])
def test_a_photo_without_a_header_has_no_kept_lens_and_is_not_kept(photo, missing):
    bare = replace(photo, **{missing: None})
    assert lens_for(bare, [kept()]) is None
    with pytest.raises(UsageError, match="header") as refusal:
        named_camera([bare])
    assert "editing" in refusal.value.advice


def test_photos_of_two_zooms_are_not_kept_as_one(photo):
    with pytest.raises(UsageError, match="more than one"):
        named_camera([photo, replace(photo, focal_35mm=52.0)])


@pytest.mark.parametrize(
    "content",
    [
        "", "[]", "{}", '{"format": "foldtrue-cameras", "version": 2, "cameras": []}',
        '{"format": "foldtrue-cameras", "version": 1, "cameras": [3]}',
        *(json.dumps({"format": "foldtrue-cameras", "version": 1, "cameras": [entry(**wrong)]})
          for wrong in ({"k1": "x"}, {"k1": 1e9}, {"k1_u95": 0}, {"focal_35mm": -1}, {"camera": 3})),
        "[" * 100_000,
    ],
)  # fmt: skip
def test_a_damaged_file_is_said_with_what_to_do(tmp_path, content):
    (tmp_path / "camera.json").write_text(content)
    with pytest.raises(UnreadableFile) as refusal:
        kept_lenses(tmp_path)
    assert "--no-kept-camera" in refusal.value.advice


def test_a_record_that_names_no_camera_is_no_prior(tmp_path):
    """As --out has written it and a person has copied it there."""
    (tmp_path / "camera.json").write_text('{"format": "foldtrue-camera", "version": 1, "k1": 0.1, "photos": []}')
    assert kept_lenses(tmp_path) == ()


def test_the_commands_for_pieces_take_the_kept_camera_unless_told_not_to(tmp_path, piece, monkeypatch):
    monkeypatch.setenv("FOLDTRUE_HOME", str(tmp_path))
    (tmp_path / "camera.json").write_bytes(with_camera([], entry()))
    (tmp_path / "plan.json").write_text(json.dumps(PLAN))
    call = ["piece", str(piece), "--plan", str(tmp_path / "plan.json"), "--view", "backlit", "--side", "front"]
    assert "kept of" in CliRunner().invoke(foldtrue, call).output
    assert "kept of" not in CliRunner().invoke(foldtrue, [*call, "--no-kept-camera"]).output
    (tmp_path / "camera.json").write_text("{")
    assert CliRunner().invoke(foldtrue, call).exit_code != 0
    assert CliRunner().invoke(foldtrue, [*call, "--no-kept-camera"]).exit_code == 0

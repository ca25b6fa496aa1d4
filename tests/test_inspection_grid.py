"""The whole check of an unfolded sheet, from file to figures, and what it declines."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from panels import folded_panel
from sheets import HEIGHT_MM, photographed, small_grid, small_plan, small_scene

from foldtrue.cli import run
from foldtrue.errors import NotThisPiece, UsageError
from foldtrue.inspection_grid import GridOptions, inspect_grid, inspect_sheet, shows_unfolded_grid
from foldtrue.plan.file import write_plan
from foldtrue.report.grid import grid_record, grid_text
from foldtrue.simulate import practice_scene, simulate_photo
from foldtrue.simulate.sheet_photo import simulate_grid
from foldtrue.simulate.sheet_scene import CreaseLook, GridErrors

DRIFT = GridErrors(kind="drift", family=2, end=1, size=0.8)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    path = tmp_path_factory.mktemp("grid")
    for view in ("backlit", "front"):
        (path / f"{view}.jpg").write_bytes(photographed(view, DRIFT).jpeg)
    bare = small_scene(look=CreaseLook(contrast=0.0))
    (path / "plain.jpg").write_bytes(simulate_grid(small_grid(), bare).jpeg)
    write_plan(small_plan(), path / "plan.json")
    return path


@pytest.fixture(scope="module")
def inspection(folder):
    return inspect_grid(folder / "front.jpg", small_plan())


@pytest.mark.parametrize("view", ["backlit", "front"])
def test_a_drift_is_found_with_its_direction_and_every_line_within_its_interval(folder, view):
    found = inspect_grid(folder / f"{view}.jpg", small_plan())
    assert found.view == view
    assert (found.cause.code, found.cause.effect.family) == ("cumulative_drift", 2)
    truth, grid = photographed(view, DRIFT).truth, found.grid
    seen = np.isfinite(found.fit.offset_error_mm)
    design = np.stack([*grid.normals[seen].T, grid.offset_mm[seen]], 1)
    error = (found.fit.offset_error_mm - truth.offset_mm)[seen]
    error = error - design @ np.linalg.lstsq(design, error, rcond=None)[0]
    assert np.sqrt(np.mean(error**2)) < 0.05
    assert np.mean(np.abs(error) < found.fit.offset_u95_mm[seen]) > 0.8


def test_the_record_keeps_its_contract(inspection):
    record = json.loads(json.dumps(grid_record(inspection), allow_nan=False))
    assert (record["format"], record["version"]) == ("foldtrue-grid", 1)
    assert len(record["lines"]) == 45
    for line in record["lines"]:
        assert 0 <= line["normal_deg"] < 180
        assert line["status"] in ("measured", "missing", "not_measured")
        measured = line["status"] == "measured"
        for key in ("offset_error_mm", "offset_u95_mm", "angle_error_deg", "angle_u95_deg"):
            assert (line[key] is not None) == measured
    assert record["cause"]["code"] == "cumulative_drift"
    assert record["cause"]["normal_deg"] == 150
    assert len(record["directions"]) == 3
    assert record["meeting_points"]["count"] > 100
    assert grid_text(record).startswith(record["cause"]["sentence"])


def test_a_drift_shows_in_its_own_direction_alone(inspection):
    drift = {row["normal_deg"]: row["drift_mm"] for row in grid_record(inspection)["directions"]}
    assert drift[150] == pytest.approx(-0.8, abs=0.1)
    assert abs(drift[30]) < 0.1
    assert abs(drift[90]) < 0.1


def test_the_command_writes_both_files_and_takes_old_ones_away_when_it_declines(folder, tmp_path, capsys):
    out = tmp_path / "out"
    call = ["grid", str(folder / "front.jpg"), "--plan", str(folder / "plan.json"), "--out", str(out)]
    assert run(call) == 0
    assert "drift" in capsys.readouterr().out
    assert sorted(p.name for p in out.iterdir()) == ["grid.json", "grid.png"]
    assert (out / "grid.png").read_bytes().startswith(b"\x89PNG")
    call[1] = str(folder / "plain.jpg")
    assert run(call) == 4
    assert "no grid" in capsys.readouterr().err
    assert not list(out.iterdir())


def test_a_plain_sheet_has_no_grid(folder):
    with pytest.raises(NotThisPiece, match="no grid of creases"):
        inspect_grid(folder / "plain.jpg", small_plan())


def test_a_folded_piece_is_no_unfolded_sheet(tmp_path):
    scene = practice_scene(3, "easy")
    made = simulate_photo(folded_panel(), replace(scene, camera=replace(scene.camera, width_px=1200, height_px=900)))
    (tmp_path / "piece.jpg").write_bytes(made.jpeg)
    with pytest.raises(NotThisPiece):
        inspect_grid(tmp_path / "piece.jpg", small_plan())
    assert not shows_unfolded_grid(made.photo, small_plan())


def test_an_unfolded_grid_is_known_as_one(folder):
    assert shows_unfolded_grid(photographed("front", DRIFT).photo, small_plan())


def test_another_grid_is_refused(folder):
    with pytest.raises(NotThisPiece):
        inspect_grid(folder / "backlit.jpg", small_plan(24))


def test_views_are_checked():
    with pytest.raises(UsageError, match="sideways"):
        GridOptions(view="sideways")


def test_the_sheet_is_measured_by_its_own_grid(tmp_path):
    made = photographed("backlit", GridErrors(kind="side", side=0, size=-0.9, side_mm=0.0))
    (tmp_path / "sheet.jpg").write_bytes(made.jpeg)
    shape = inspect_sheet(tmp_path / "sheet.jpg", small_plan()).shape
    assert shape.plane == "grid"
    assert shape.height_mm == pytest.approx([HEIGHT_MM - 0.9, HEIGHT_MM, HEIGHT_MM], abs=0.15)
    assert np.all(np.abs(shape.height_mm - [HEIGHT_MM - 0.9, HEIGHT_MM, HEIGHT_MM]) < 3 * shape.height_std_mm + 0.03)


def test_without_a_plane_the_sheet_is_not_measured_and_says_why(folder, tmp_path, capsys):
    out = tmp_path / "out"
    call = ["sheet", str(folder / "plain.jpg"), "--height", str(HEIGHT_MM), "--out", str(out)]
    assert run(call) == 0
    said = capsys.readouterr().out
    assert "not measured" in said
    record = json.loads((out / "sheet.json").read_text())
    assert record["plane"] is None
    assert record["sheet"] is None
    assert all(side["length_mm"] is None for side in record["sides"])
    assert record["out_of_true_at_least_mm"] >= 0


def test_the_sheet_command_wants_a_plan_or_a_height(folder, capsys):
    assert run(["sheet", str(folder / "plain.jpg")]) == 2
    assert "--height" in capsys.readouterr().err

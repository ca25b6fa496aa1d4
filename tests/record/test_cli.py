"""foldtrue record and foldtrue progress, as a person uses them."""

from __future__ import annotations

import hashlib
import io
import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from PIL import Image
from recorded import made_entry, made_result

from foldtrue.cli import run
from foldtrue.record.store import Record
from foldtrue.record.thumbnails import check_bare_jpeg

DOCS = Path(__file__).parents[2] / "docs"


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("FOLDTRUE_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


@pytest.fixture
def measured(tmp_path):
    """A folder with a result, and the photo it was made of, GPS position and serial number in it."""
    pixels = np.random.default_rng(1).integers(0, 256, (480, 640, 3)).astype(np.uint8)
    exif = Image.Exif()
    exif.get_ifd(0x8825)[2] = (47.0, 11.0, 12.0)
    exif.get_ifd(0x8769)[0xA431] = "serial-4711"
    Image.fromarray(pixels).save(tmp_path / "photo.jpg", exif=exif)
    result = made_result(1, photo=hashlib.sha256((tmp_path / "photo.jpg").read_bytes()).hexdigest())
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "result.json").write_text(json.dumps(result))
    return tmp_path


def call(*words):
    return run([str(word) for word in words])


def one_line(capsys):
    said = capsys.readouterr().err.strip()
    assert said.startswith("foldtrue: ")
    assert "\n" not in said
    return said


def filled(home, count, **more):
    with Record(home / "record.db", create=True) as record:
        for seed in range(count):
            level = 0.3 * np.exp(-seed / 12)
            record.add(made_entry(seed, result=made_result(seed, scatter_mm=level), **more))


def test_add_list_show(measured, home, capsys):
    assert (
        call("record", "add", measured / "out", "--piece", "panel 1", "--folder", "heron", "--date", "2026-03-01") == 0
    )
    said = capsys.readouterr().out
    assert "number 1" in said
    assert "no thumbnail. The photo was not given." in said
    assert (home / "record.db").exists()
    assert call("record", "list") == 0
    assert "panel 1" in capsys.readouterr().out
    assert call("record", "show", "1") == 0
    said = capsys.readouterr().out
    assert "heron" in said
    assert "2026-03-01" in said
    assert "ring 2" in said


def test_neither_place_nor_serial_number_of_the_photo_is_kept(measured, home, capsys):
    photo = measured / "photo.jpg"
    assert b"serial-4711" in photo.read_bytes()
    assert call("record", "add", measured / "out" / "result.json", "--piece", "a", "--photo", photo) == 0
    content = (home / "record.db").read_bytes()
    assert b"serial-4711" not in content
    assert b"Exif" not in content
    assert call("record", "show", "1", "--out", measured / "shown") == 0
    jpeg = (measured / "shown" / "thumbnail-0-panel-1.jpg").read_bytes()
    check_bare_jpeg(jpeg)
    assert dict(Image.open(io.BytesIO(jpeg)).getexif()) == {}
    shown = json.loads((measured / "shown" / "result.json").read_text())
    assert shown == json.loads((measured / "out" / "result.json").read_text())


def test_another_photo_than_the_measured_one_is_refused(measured, capsys):
    Image.open(measured / "photo.jpg").save(measured / "anew.jpg")
    call_ = ("record", "add", measured / "out", "--piece", "a", "--photo", measured / "anew.jpg")
    assert call(*call_) == 2
    assert "not the one that was measured" in one_line(capsys)


def test_the_same_photo_twice(measured, capsys):
    assert call("record", "add", measured / "out", "--piece", "a") == 0
    assert call("record", "add", measured / "out", "--piece", "b") == 2
    assert "recorded already, as number 1, piece 'a'" in one_line(capsys)
    assert call("record", "add", measured / "out", "--piece", "b", "--again") == 0


def test_a_plan_that_is_not_the_results_is_refused(measured, tmp_path, capsys):
    plan = tmp_path / "plan.json"
    grid = "--sheet hexagon --height 240 --grid point-to-point --divisions 16"
    twists = "--twists triangle --spacing 2 --rings 2"
    assert call("plan", "new", *grid.split(), *twists.split(), "--out", plan) == 0
    assert call("record", "add", measured / "out", "--piece", "a", "--plan", plan) == 2
    assert "not compared with the plan plan.json" in one_line(capsys)


@pytest.mark.parametrize(
    "content",
    ["", "{}", "[]", '{"format": "foldtrue-result", "version": 1}', '{"format": "foldtrue-result", "version": 7}'],
)
def test_what_is_no_result_is_declined(tmp_path, content, home, capsys):
    (tmp_path / "x.json").write_text(content)
    assert call("record", "add", tmp_path / "x.json", "--piece", "a") == 2
    one_line(capsys)
    assert not home.exists()


def test_a_folder_with_several_results_asks_which(measured, capsys):
    (measured / "out" / "grid.json").write_text("{}")
    assert call("record", "add", measured / "out", "--piece", "a") == 2
    assert "result.json and grid.json" in one_line(capsys)


def test_a_grid_is_no_finished_piece(measured, capsys):
    assert call("record", "add", measured / "out", "--piece", "a", "--stage", "grid") == 2
    assert "piece or ring" in one_line(capsys)


def test_names_from_a_strange_result_do_not_steer_the_terminal(home, capsys):
    with Record(home / "record.db", create=True) as record:
        record.add(made_entry(1, result=made_result(1, plan="\x1b]0;gotcha\x07")))
    for command in (("record", "list"), ("record", "show", "1"), ("progress",)):
        assert call(*command) == 0
        assert "\x1b" not in capsys.readouterr().out


def test_export_and_import(home, tmp_path, capsys):
    filled(home, 3)
    assert call("record", "export", tmp_path / "all.json") == 0
    assert call("record", "export", tmp_path / "all.csv", "--since", "2025-01-13") == 0
    assert len((tmp_path / "all.csv").read_text().splitlines()) == 3
    capsys.readouterr()
    assert call("record", "import", tmp_path / "all.json", "--record", tmp_path / "new.db") == 0
    assert capsys.readouterr().out == "3 recorded, 0 were there already.\n"
    assert call("record", "export", tmp_path / "x.txt") == 2


def test_check_backup_and_damage(home, tmp_path, capsys):
    filled(home, 2)
    assert call("record", "backup", tmp_path / "copy.db") == 0
    assert call("record", "check", "--record", tmp_path / "copy.db") == 0
    assert "2 inspections, all well" in capsys.readouterr().out
    import sqlite3

    with sqlite3.connect(tmp_path / "copy.db") as connection:
        connection.execute("DELETE FROM results WHERE inspection_id = 1")
    connection.close()
    assert call("record", "check", "--record", tmp_path / "copy.db") == 3
    captured = capsys.readouterr()
    assert "Inspection 1: the result cannot be read" in captured.out
    assert "damaged" in captured.err


def test_forget_asks_first(home, capsys, monkeypatch):
    filled(home, 2, folder="heron")
    monkeypatch.setattr("sys.stdin", io.StringIO("n\n"))
    assert call("record", "forget", "heron") == 130
    assert call("record", "forget", "heron", "--yes") == 0
    assert "2 inspections of 'heron' are deleted. Backups and exports are not" in capsys.readouterr().out
    assert call("record", "forget", "heron", "--yes") == 2


def test_remove_and_compact(home):
    filled(home, 2)
    assert call("record", "remove", "1") == 0
    assert call("record", "remove", "1") == 2
    assert call("record", "compact") == 0


@pytest.mark.parametrize(
    "command", [("record", "list"), ("record", "check"), ("progress",), ("record", "forget", "x", "--yes")]
)
def test_where_nothing_is_recorded_nothing_is_made(command, home, capsys):
    assert call(*command) == 3
    assert "Record something with" in one_line(capsys)
    assert not home.exists()


def test_progress_in_words_a_page_and_figures(home, tmp_path, capsys):
    filled(home, 15, folder="heron")
    assert call("progress", "--out", tmp_path / "progress.html") == 0
    said = capsys.readouterr().out
    assert "15 pieces" in said
    assert "Getting better" in said
    page = (tmp_path / "progress.html").read_text()
    assert page.count("<svg") >= 4
    record = json.loads((tmp_path / "progress.json").read_text())
    jsonschema.validate(record, json.loads((DOCS / "progress.schema.json").read_text()))
    assert record["metrics"][0]["trend"]["verdict"] == "better"
    assert len(record["metrics"][0]["points"]) == 15


def test_progress_of_few_pieces_says_so(home, capsys):
    filled(home, 3)
    assert call("progress") == 0
    assert (
        "Not enough pieces to say: even if these 3 rose or fell throughout, chance alone would do that with p = 0.33."
        in capsys.readouterr().out
    )


def test_progress_of_what_is_not_there(home, capsys):
    filled(home, 1)
    assert call("progress", "--stage", "grid") == 0
    assert "No grid like that is recorded." in capsys.readouterr().out
    assert call("progress", "--stage", "sheet") == 2

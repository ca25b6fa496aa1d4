"""The store: what goes in comes out, one transaction each, and what is deleted is gone."""

from __future__ import annotations

import io
import os
import sqlite3
import subprocess
import sys
from datetime import date
from pathlib import Path

import pytest
from PIL import Image
from recorded import PITCH_MM, made_entry, made_result, sha, thumbnail, with_photo

from foldtrue.errors import UnreadableFile, UsageError
from foldtrue.handover_record import ALL, RecordedPhoto, RecordFilter
from foldtrue.record.care import find_damage
from foldtrue.record.store import Record

TESTS = Path(__file__).parents[1]
WITH_SOURCE = {**os.environ, "PYTHONPATH": str(TESTS.parent / "inspect")}
WRITER = """
import sys
sys.path.insert(0, sys.argv[4])
from pathlib import Path
from recorded import made_entry
from foldtrue.record.store import Record
first, count = int(sys.argv[2]), int(sys.argv[3])
for seed in range(first, first + count):
    with Record(Path(sys.argv[1]), create=True) as record:
        record.add(made_entry(seed))
"""


def test_all_that_goes_in_comes_out(record):
    plan = {"format": "foldtrue-plan", "name": "x"}
    entry = with_photo(
        1, folder="heron", paper="kozo 30 g", note="damp day\nsecond try", tags=("first", "gift"), plan=plan
    )
    assert record.entry(record.add(entry)) == entry


def test_the_overview_has_the_figures_of_the_result(record):
    entry = made_entry(1)
    number = record.add(entry)
    (found,) = record.find()
    whole, summary = found.groups[ALL], entry.result["summary"]
    assert (found.number, found.piece, found.stage, found.planned, found.measured) == (
        number,
        "panel 1",
        "piece",
        24,
        24,
    )
    assert (whole.position_mm, whole.angle_deg) == (summary["position_mean_error_mm"], summary["angle_mean_error_deg"])
    assert found.pitch_mm == PITCH_MM
    assert found.photos == (sha("photo 1"),)


def test_what_was_confirmed_is_there_for_the_next_process(place):
    with Record(place, create=True) as record:
        record.add(made_entry(1))
    with Record(place) as record:
        assert len(record.find()) == 1
    assert not place.with_name(place.name + "-wal").exists()  # folded into the one file


@pytest.mark.parametrize(
    ("chosen", "pieces"),
    [
        (RecordFilter(), ["panel 1", "panel 2", "panel 3"]),
        (RecordFilter(piece="panel 2"), ["panel 2"]),
        (RecordFilter(plan="stair light (invented)"), ["panel 3"]),
        (RecordFilter(stage="ring"), ["panel 2"]),
        (RecordFilter(paper="kozo"), ["panel 1", "panel 2"]),
        (RecordFilter(tag="gift"), ["panel 1"]),
        (RecordFilter(folder="heron"), ["panel 1"]),
        (RecordFilter(since=date(2025, 1, 20), until=date(2025, 1, 26)), ["panel 2"]),
        (RecordFilter(folder="heron", stage="ring"), []),
    ],
)
def test_filters(record, chosen, pieces):
    record.add(made_entry(1, folder="heron", paper="kozo", tags=("gift", "damp")))
    record.add(made_entry(2, stage="ring", paper="kozo"))
    record.add(made_entry(3, result=made_result(3, plan="stair light (invented)")))
    assert [found.piece for found in record.find(chosen)] == pieces


def test_the_same_photo_twice_is_refused_and_nothing_of_it_lands(record):
    record.add(made_entry(1))
    with pytest.raises(UsageError, match=r"recorded already, as number 1, piece 'panel 1'.*--again"):
        record.add(made_entry(2, result=made_result(1)))
    assert [found.piece for found in record.find()] == ["panel 1"]


def test_the_same_photo_can_be_linked_by_choice(record):
    record.add(made_entry(1))
    record.add(with_photo(1, key=made_entry(2).key, piece="panel 2"), again=True)
    assert {found.photos for found in record.find()} == {(sha("photo 1"),)}
    assert record.entry(1).photos[0].thumbnail == thumbnail(1)  # one photo, one thumbnail


def test_a_piece_is_one_persons(record):
    record.add(made_entry(1, folder="heron"))
    with pytest.raises(UsageError, match="folded by 'heron', not 'wren'"):
        record.add(made_entry(2, piece="panel 1", folder="wren"))
    record.add(made_entry(2, piece="panel 1"))  # need not be said again
    assert {found.folder for found in record.find()} == {"heron"}


def test_remove_takes_what_only_it_had(record):
    record.add(made_entry(1, folder="heron"))
    record.add(made_entry(2, folder="heron"))
    record.remove(1)
    assert [found.piece for found in record.find()] == ["panel 2"]
    record.remove(2)
    assert record.find() == []
    with pytest.raises(UsageError, match="Nobody called 'heron'"):
        record.forget("heron")
    assert record.add(made_entry(3)) == 3  # a number is never given again


@pytest.mark.parametrize("act", [lambda r: r.remove(7), lambda r: r.entry(7)])
def test_a_number_that_is_not_there(record, act):
    with pytest.raises(UsageError, match="no inspection number 7"):
        act(record)


def test_forgetting_a_person_leaves_no_trace_in_the_file(place):
    with Record(place, create=True) as record:
        for seed in range(6):
            record.add(with_photo(seed, folder="golden plover" if seed % 2 else "wren", note=f"note of day {seed}"))
        assert record.forget("golden plover") == 3
        assert {found.folder for found in record.find()} == {"wren"}
        assert find_damage(record.engine, place) == []
        files = list(place.parent.iterdir())  # while the record is open, the log too
        content = b"".join(path.read_bytes() for path in files)
    for seed in range(6):
        kept = seed % 2 == 0
        for trace in (f"note of day {seed}".encode(), sha(f"photo {seed}").encode(), f"panel-{seed}.jpg".encode()):
            assert (trace in content) == kept
    assert b"golden plover" not in content
    assert thumbnail(1) not in content
    assert thumbnail(2) in content


def test_traces_that_another_program_holds_are_told(place, record, monkeypatch):
    monkeypatch.setattr("foldtrue.record.connection._WAIT_S", 0.1)
    record.add(with_photo(1, folder="heron"))
    reader = sqlite3.connect(place)
    reader.execute("BEGIN")
    reader.execute("SELECT * FROM people").fetchall()
    with (
        Record(place) as other,
        pytest.raises(UnreadableFile, match=r"traces of it may remain.*foldtrue record compact"),
    ):
        other.forget("heron")
    reader.close()
    assert record.find() == []


@pytest.mark.parametrize("jpeg", ["exif", "comment", "trailer", "png", "large"])
def test_no_picture_with_metadata_enters(record, jpeg):
    stream = io.BytesIO()
    image = Image.new("RGB", (32, 24))
    if jpeg == "exif":
        exif = Image.Exif()
        exif[0x010F] = "camera"
        image.save(stream, "JPEG", exif=exif)
    elif jpeg == "comment":
        image.save(stream, "JPEG", comment=b"serial 123")
    else:
        image.save(stream, "PNG" if jpeg == "png" else "JPEG")
    data = stream.getvalue() + {"trailer": b"more\xff\xd9", "large": b"\0" * 400_000 + b"\xff\xd9"}.get(jpeg, b"")
    entry = made_entry(1, photos=(RecordedPhoto("a.jpg", sha("photo 1"), data),))
    with pytest.raises(UsageError, match="without metadata"):
        record.add(entry)
    assert record.find() == []


@pytest.mark.parametrize(
    "more",
    [
        {"piece": " "},
        {"piece": " a"},
        {"folder": "a\nb"},
        {"paper": "x" * 201},
        {"tags": ("",)},
        {"note": "\x00"},
        {"stage": "x"},
    ],
)
def test_names_that_are_none_are_refused(more):
    with pytest.raises(UsageError):
        made_entry(1, **more)


def test_text_is_text_and_never_a_command(record):
    name = "Robert'); DROP TABLE pieces;--"
    record.add(made_entry(1, piece=name, folder=name))
    assert [found.piece for found in record.find(RecordFilter(folder=name))] == [name]


def test_any_string_of_a_json_file_survives(record):
    result = made_result(1)
    result["fit"]["said"] = "\ud800 é \x00"
    record.add(made_entry(1, result=result))
    assert record.entry(1).result == result


def test_what_is_no_character_is_refused_as_a_name(record):
    with pytest.raises(UsageError, match="no character"):
        record.find(RecordFilter(piece="\udcff"))  # a byte of the command line that is no UTF-8
    result = made_result(1)
    result["provenance"]["plan"]["name"] = "\ud800"
    with pytest.raises(UsageError, match="no character"):
        record.add(made_entry(1, result=result))
    assert record.find() == []


def test_a_number_that_is_none_is_refused(record):
    result = made_result(1)
    result["edges"] = [float("inf")]  # what JSON's 1e999 is read as
    with pytest.raises(UsageError, match="number that is none"):
        record.add(made_entry(1, result=result))
    assert record.find() == []


# ---- the file


def test_two_processes_that_write_at_once_both_land(place):
    command = [sys.executable, "-c", WRITER, str(place)]
    writers = [
        subprocess.Popen([*command, str(first), "12", str(TESTS)], env=WITH_SOURCE) for first in (0, 100)
    ]  # both make the file
    assert [writer.wait(60) for writer in writers] == [0, 0]
    with Record(place) as record:
        assert len(record.find()) == 24
        assert find_damage(record.engine, place) == []


def test_only_its_owner_reads_it(place, record):
    assert place.stat().st_mode & 0o077 == 0


def test_a_record_that_is_not_there(tmp_path):
    with pytest.raises(UnreadableFile, match=r"no record .* yet"):
        Record(tmp_path / "none.db")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("kind", ["text", "picture", "other_database", "folder"])
def test_what_is_no_record_is_refused_and_not_touched(tmp_path, kind):
    path = tmp_path / "x.db"
    if kind == "folder":
        path.mkdir()
    elif kind == "other_database":
        with sqlite3.connect(path) as other:
            other.execute("CREATE TABLE recipes (name)")
        other.close()
    else:
        path.write_bytes(b"words, words" * 1000 if kind == "text" else thumbnail())
    before = None if kind == "folder" else path.read_bytes()
    with pytest.raises(UnreadableFile, match="is not a record"):
        Record(path, create=True)
    assert [each.name for each in tmp_path.iterdir()] == ["x.db"]
    assert before is None or path.read_bytes() == before


def test_a_folder_where_nothing_can_be_made(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(UnreadableFile, match="cannot be made"):
        Record(tmp_path / "file" / "record.db", create=True)


def test_a_record_that_another_program_holds(place, record, monkeypatch):
    monkeypatch.setattr("foldtrue.record.connection._WAIT_S", 0.1)
    holder = sqlite3.connect(place)
    holder.execute("BEGIN EXCLUSIVE")
    with Record(place) as other, pytest.raises(UnreadableFile, match="in use by another program"):
        other.add(made_entry(1))
    holder.close()
    record.add(made_entry(1))

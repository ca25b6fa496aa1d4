"""Checks that find damage, and backups that are whole."""

from __future__ import annotations

import sqlite3
import threading

import pytest
from recorded import made_entry

from foldtrue.errors import UnreadableFile, UsageError
from foldtrue.record.care import back_up, find_damage
from foldtrue.record.exchange import export_json
from foldtrue.record.store import Record


def change(place, command):
    with sqlite3.connect(place) as connection:
        connection.execute(command)
    connection.close()


def test_a_sound_record_has_no_damage(record, place):
    record.add(made_entry(1))
    assert find_damage(record.engine, place) == []


@pytest.mark.parametrize(
    ("command", "said"),
    [
        ("UPDATE results SET document = '{'", "the result cannot be read"),
        ("DELETE FROM results", "the result cannot be read"),
        ("UPDATE figures SET position_mm = 0", "the figures are not those of its result"),
        ("DELETE FROM figures WHERE members_of = 'rim'", "the figures are not those of its result"),
        ("UPDATE inspections SET piece_id = 99", "refers to something in pieces that is not there"),
        ("UPDATE photos SET thumbnail = x'ffd8ffe1'", "is not a bare JPEG"),
    ],
)
def test_damage_is_found(record, place, command, said):
    record.add(made_entry(1))
    change(place, command)
    problems = find_damage(record.engine, place)
    assert len(problems) == 1
    assert said in problems[0]


def test_a_file_with_a_hole_in_it_is_found_or_refused(record, place):
    for seed in range(20):
        record.add(made_entry(seed))
    record.engine.dispose()
    content = bytearray(place.read_bytes())
    half = len(content) // 2 // 4096 * 4096
    content[half : half + 8192] = b"\xa5" * 8192
    place.write_bytes(bytes(content))
    try:
        with Record(place) as damaged:
            said = find_damage(damaged.engine, place)
    except UnreadableFile as error:
        said = [str(error)]
    assert any("damaged" in line or "cannot be read" in line for line in said)


def test_a_backup_is_a_record_with_all_in_it_in_one_file(record, place, tmp_path):
    for seed in range(5):
        record.add(made_entry(seed))
    back_up(place, tmp_path / "safe" / "copy.db")
    assert [path.name for path in (tmp_path / "safe").iterdir()] == ["copy.db"]
    assert (tmp_path / "safe" / "copy.db").stat().st_mode & 0o077 == 0
    with Record(tmp_path / "safe" / "copy.db") as copy:
        assert export_json(copy) == export_json(record)


def test_a_backup_while_another_writes_is_of_one_moment(record, place, tmp_path):
    stop = threading.Event()

    def write():
        seed = 0
        while not stop.is_set():
            record.add(made_entry(seed))
            seed += 1

    writer = threading.Thread(target=write)
    writer.start()
    try:
        for k in range(5):
            back_up(place, tmp_path / f"{k}.db")
    finally:
        stop.set()
        writer.join()
    for k in range(5):
        with Record(tmp_path / f"{k}.db") as copy:
            numbers = [found.number for found in copy.find()]
            assert sorted(numbers) == list(range(1, len(numbers) + 1))
            assert find_damage(copy.engine, copy.path) == []


def test_a_backup_replaces_an_older_one_whole(record, place, tmp_path):
    target = tmp_path / "copy.db"
    back_up(place, target)
    record.add(made_entry(1))
    back_up(place, target)
    with Record(target) as copy:
        assert len(copy.find()) == 1


def test_a_backup_into_the_record_itself_is_refused(record, place):
    with pytest.raises(UsageError):
        back_up(place, place)


def test_a_backup_that_cannot_be_written_leaves_nothing(record, place, tmp_path):
    (tmp_path / "file").touch()
    before = sorted(tmp_path.iterdir())
    with pytest.raises(UnreadableFile):
        back_up(place, tmp_path / "file" / "copy.db")
    assert sorted(tmp_path.iterdir()) == before

"""Schema versions: newer is refused, older is led up step by step, a step that fails leaves what was."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from recorded import made_entry
from sqlalchemy import inspect

from foldtrue.errors import UnreadableFile
from foldtrue.record.care import find_damage
from foldtrue.record.schema import SCHEMA_VERSION, metadata
from foldtrue.record.store import Record
from foldtrue.record.versions import STEPS, bring_up_to_date, version_of

OLD = Path(__file__).parent / "versions"


def version(record):
    with record.engine.connect() as connection:
        return version_of(connection)


def test_a_new_record_has_the_newest_version(record):
    assert version(record) == SCHEMA_VERSION


def test_there_is_a_step_to_every_version_but_the_first():
    assert sorted(STEPS) == list(range(2, SCHEMA_VERSION + 1))


@pytest.mark.parametrize("number", range(1, SCHEMA_VERSION + 1))
def test_a_record_of_every_version_is_opened_and_is_whole(tmp_path, number):
    path = tmp_path / "record.db"
    with sqlite3.connect(path) as made:
        made.executescript((OLD / f"{number}.sql").read_text("utf-8"))
    made.close()
    with Record(path) as record:
        assert version(record) == SCHEMA_VERSION
        assert [found.piece for found in record.find()] == ["panel 1", "panel 2"]
        assert record.entry(1).folder == "heron"
        assert find_damage(record.engine, path) == []
        tables = inspect(record.engine)
        for table in metadata.sorted_tables:
            there = {column["name"] for column in tables.get_columns(table.name)}
            assert there == set(table.columns.keys())


def test_a_newer_record_is_refused_and_not_touched(place, record):
    with sqlite3.connect(place) as newer:
        newer.execute("INSERT INTO record_version VALUES (99, 'later')")
    newer.close()
    before = place.read_bytes()
    with pytest.raises(UnreadableFile, match=r"version 99.*Install a newer foldtrue"):
        Record(place)
    assert place.read_bytes() == before


def add_weather(connection):
    connection.exec_driver_sql("ALTER TABLE inspections ADD COLUMN weather VARCHAR(20)")


def test_steps_are_taken_one_by_one_and_once(record):
    record.add(made_entry(1))
    taken = []

    def second(connection):
        taken.append(2)
        add_weather(connection)

    steps = {2: second, 3: lambda _: taken.append(3)}
    bring_up_to_date(record.engine, steps, 3)
    bring_up_to_date(record.engine, steps, 3)
    assert taken == [2, 3]
    assert version(record) == 3
    assert "weather" in {column["name"] for column in inspect(record.engine).get_columns("inspections")}
    assert len(record.find()) == 1


def test_a_step_that_fails_leaves_the_version_before_it(record):
    def fails(connection):
        add_weather(connection)
        raise RuntimeError("the power went")

    with pytest.raises(RuntimeError):
        bring_up_to_date(record.engine, {2: fails}, 2)
    assert version(record) == 1
    assert "weather" not in {column["name"] for column in inspect(record.engine).get_columns("inspections")}

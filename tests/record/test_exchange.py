"""Copies of the record: JSON there and back without loss, CSV for a spreadsheet, hostile files refused whole."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import jsonschema
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from recorded import made_entry, made_result, with_photo

from foldtrue.errors import UnreadableFile, UsageError
from foldtrue.handover_record import RecordFilter
from foldtrue.record.exchange import copy_schema, export_csv, export_json, import_entries, read_copy
from foldtrue.record.store import Record

DOCS = Path(__file__).parents[2] / "docs"


@pytest.fixture
def other(tmp_path):
    with Record(tmp_path / "other.db", create=True) as kept:
        yield kept


def copied(record, other, tmp_path):
    path = tmp_path / "copy.json"
    path.write_text(export_json(record), "utf-8")
    return import_entries(other, read_copy(path))


def test_there_and_back_without_loss(record, other, tmp_path):
    plan = {"format": "foldtrue-plan", "x": [1, 2.5, None]}
    record.add(with_photo(1, folder="heron", paper="kozo", tags=("a", "b"), note="é ± \n ✓", plan=plan))
    record.add(made_entry(2, stage="ring"))
    assert copied(record, other, tmp_path) == (2, 0)
    assert [other.entry(n) for n in (1, 2)] == [record.entry(n) for n in (1, 2)]
    assert export_json(other) == export_json(record)


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    note=st.none() | st.text(st.characters(blacklist_categories=("C", "Zl", "Zp")), max_size=40),
    piece=st.text(st.characters(blacklist_categories=("C", "Z")), min_size=1, max_size=40),
    value=st.floats(allow_nan=False, allow_infinity=False),
)
def test_any_text_and_any_number_survive(tmp_path_factory, note, piece, value):
    folder = tmp_path_factory.mktemp("copies")
    result = made_result(1, twists=8)
    result["fit"]["k1"] = value
    with Record(folder / "a.db", create=True) as record, Record(folder / "b.db", create=True) as other:
        entry = made_entry(1, piece=piece, note=note, result=result)
        record.add(entry)
        copied(record, other, folder)
        assert other.entry(1) == entry


def test_what_is_no_character_survives_too(record, other, tmp_path):
    result = made_result(1)
    result["fit"]["said"] = "\ud800 é"
    record.add(made_entry(1, result=result))
    copied(record, other, tmp_path)
    assert other.entry(1) == record.entry(1)


def test_what_is_there_already_is_left_as_it_is(record, other, tmp_path):
    record.add(made_entry(1))
    assert copied(record, other, tmp_path) == (1, 0)
    record.add(made_entry(2))
    assert copied(record, other, tmp_path) == (1, 1)
    assert len(other.find()) == 2


def test_the_copy_is_as_its_published_form_says(record):
    record.add(with_photo(1, folder="heron", plan={"format": "foldtrue-plan"}))
    jsonschema.validate(json.loads(export_json(record)), copy_schema())


def test_the_published_form_is_the_one_that_is_checked():
    assert json.loads((DOCS / "record-copy.schema.json").read_text()) == copy_schema()


def test_a_part_can_be_exported(record):
    record.add(made_entry(1, folder="heron"))
    record.add(made_entry(2))
    content = json.loads(export_json(record, RecordFilter(folder="heron")))
    assert [row["piece"] for row in content["inspections"]] == ["panel 1"]


def test_an_empty_record_is_a_copy_too(record, other, tmp_path):
    assert copied(record, other, tmp_path) == (0, 0)


def change(content, where, value):
    target = content
    for key in where[:-1]:
        target = target[key]
    target[where[-1]] = value


@pytest.mark.parametrize(
    ("where", "value"),
    [
        (("format",), "foldtrue-result"),
        (("version",), 2),
        (("inspections", 0, "key"), "../../etc"),
        (("inspections", 0, "stage"), "egg"),
        (("inspections", 0, "piece"), ""),
        (("inspections", 0, "piece"), 7),
        (("inspections", 0, "done_on"), "2025-13-40"),
        (("inspections", 0, "recorded_at"), "yesterday"),
        (("inspections", 0, "photos", 0, "sha256"), "x"),
        (("inspections", 0, "photos", 0, "thumbnail_base64"), "no base64!"),
        (("inspections", 0, "photos", 0, "thumbnail_base64"), "QUJD"),
        (("inspections", 0, "result"), {}),
        (("inspections", 0, "result", "twists"), None),
        (("inspections", 0, "result", "twists", 0, "position_error_mm"), "far"),
        (("inspections", 0, "unknown"), 1),
        (("inspections", 1, "key"), "same"),
        (("inspections",), 3),
    ],
)
def test_a_copy_with_something_wrong_is_refused_whole(record, other, tmp_path, where, value):
    record.add(made_entry(1))
    record.add(made_entry(2))
    content = json.loads(export_json(record))
    change(content, where, content["inspections"][0]["key"] if value == "same" else value)
    (tmp_path / "bad.json").write_text(json.dumps(content))
    with pytest.raises(UsageError):
        import_entries(other, read_copy(tmp_path / "bad.json"))
    assert other.find() == []


@pytest.mark.parametrize("text", ["", "{", "[]", "\x00\xff", '{"a": NaN}', "[" * 100_000])
def test_what_is_no_json_object_is_refused(tmp_path, text):
    (tmp_path / "bad.json").write_text(text)
    with pytest.raises(UsageError):
        read_copy(tmp_path / "bad.json")


def test_a_copy_that_is_not_there(tmp_path):
    with pytest.raises(UnreadableFile):
        read_copy(tmp_path / "none.json")


def test_csv_has_a_line_for_every_inspection_with_its_figures(record):
    entry = made_entry(1, tags=("a", "b"), note="two\nlines", folder="heron")
    record.add(entry)
    (row,) = csv.DictReader(io.StringIO(export_csv(record.find())))
    summary = entry.result["summary"]
    assert float(row["position_mean_error_mm"]) == summary["position_mean_error_mm"]
    assert float(row["angle_mean_error_u95_deg"]) == summary["angle_mean_error_u95_deg"]
    assert (row["piece"], row["folder"], row["paper"], row["tags"]) == ("panel 1", "heron", "", "a; b")
    assert row["note"] == "two / lines"


def test_no_cell_is_a_formula_in_a_spreadsheet(record):
    record.add(made_entry(1, piece='=HYPERLINK("http://x")'))
    (row,) = csv.DictReader(io.StringIO(export_csv(record.find())))
    assert row["piece"].startswith("'=")

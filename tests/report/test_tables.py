"""Figures as text: the CSV file, the table and summary in the terminal."""

from __future__ import annotations

import csv
import io

import pytest

from foldtrue.flags import FLAGS
from foldtrue.report.result import result_record
from foldtrue.report.tables import flag_notes, piece_text, summary_text, twist_table, twists_csv


@pytest.fixture
def record(inspection):
    return result_record(inspection)


def test_csv_holds_every_twist_with_empty_cells_where_nothing_was_measured(record):
    rows = list(csv.DictReader(io.StringIO(twists_csv(record))))
    assert [row["id"] for row in rows] == [twist["id"] for twist in record["twists"]]
    assert rows[3]["status"] == "not_measured"
    assert rows[3]["position_error_x_mm"] == ""
    assert float(rows[0]["position_error_y_mm"]) == record["twists"][0]["position_error_mm"][1]
    assert rows[3]["flags"] == "not_seen"


def test_table_begins_with_the_worst_and_ends_with_the_unmeasured(record):
    lines = twist_table(record).splitlines()[1:]
    assert lines[0].split()[0] == record["summary"]["worst_position"]["id"]
    assert all("not measured" in line for line in lines[-2:])
    assert not any("not measured" in line for line in lines[:-2])


def test_every_error_in_the_table_has_its_uncertainty(record):
    for line in twist_table(record).splitlines()[1:-2]:
        assert line.count("±") == 2


def test_summary_says_what_the_figures_rest_on(record):
    text = summary_text(record)
    assert "22 of 24 twists" in text
    assert FLAGS["scale_assumed"].sentence in text
    assert FLAGS["plane_from_piece"].sentence in text
    assert "±" in text


def test_flags_are_explained_once(record):
    assert flag_notes(record).count(FLAGS["not_seen"].sentence) == 1


def test_a_common_overturn_that_the_photo_does_not_tell_is_not_given_as_measured(record):
    plane = {**record["plane"], "assumed": [*record["plane"]["assumed"], "overturn_not_told"]}
    line = next(x for x in summary_text({**record, "plane": plane}).splitlines() if x.startswith("Common overturn"))
    assert "not measured" in line


def test_a_flag_unknown_to_this_version_is_shown_by_its_name(record):
    record["twists"][0]["flags"] = ["something_new"]
    assert "something_new" in piece_text(record)


def test_a_known_planes_figures_of_the_whole_piece_are_told(record):
    form = {"stretch_x": 0.0042, "stretch_x_u95": 0.0011, "shear_deg": -0.12, "shear_u95_deg": 0.05}
    record["fit"] |= {"scale": 1.004, "scale_u95": 0.002, "alignment": "similarity", **form}
    record["plane"] |= {"reference": "scan"}
    text = summary_text(record)
    assert "plane is known by the scan's resolution" in text
    assert "0.42 ± 0.11 %" in text
    assert "-0.12 ± 0.05 deg" in text

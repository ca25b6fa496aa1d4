"""Result files: whole or not there, and never an earlier run's."""

from __future__ import annotations

import json
import os

import pytest

from foldtrue.errors import UnreadableFile, UsageError
from foldtrue.report import write
from foldtrue.report.files import (
    REPORT_MARK,
    RESULT_FILES,
    check_practice_folder,
    clear_report,
    clear_results,
    write_whole,
)
from foldtrue.report.write import ReportOptions, record_text, write_report

WITHOUT_PICTURE = ReportOptions(overlay=False)


def test_all_files_are_written_into_a_new_folder(inspection, tmp_path):
    files = write_report(inspection, tmp_path / "new" / "folder")
    assert sorted(p.name for p in (tmp_path / "new" / "folder").iterdir()) == sorted(RESULT_FILES)
    assert json.loads(files.result.read_text("utf-8")) == files.record


def test_the_same_inspection_writes_the_same_bytes(inspection, tmp_path):
    first, second = (write_report(inspection, tmp_path / name) for name in "ab")
    assert first.result.read_bytes() == second.result.read_bytes()
    assert first.overlay.read_bytes() == second.overlay.read_bytes()


def test_record_text_is_json_with_a_line_for_each_row():
    record = {"a": [{"b": 1}, {"b": 2}], "empty": [], "c": "ü"}
    text = record_text(record)
    assert json.loads(text) == record
    assert text.count("\n") == 8


def test_a_report_that_fails_half_way_leaves_nothing(inspection, tmp_path, monkeypatch):
    def full(path, content):
        if path.name == "twists.csv":
            raise UnreadableFile("Disk full.", "Make room.")
        path.write_bytes(content)

    monkeypatch.setattr(write, "write_whole", full)
    with pytest.raises(UnreadableFile):
        write_report(inspection, tmp_path, WITHOUT_PICTURE)
    assert list(tmp_path.iterdir()) == []


def test_full_disk_is_said_and_leaves_no_half_file(tmp_path, monkeypatch):
    path = tmp_path / "result.json"
    path.write_text("old")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(UnreadableFile, match="No space left"):
        write_whole(path, b"new")
    assert [p.read_text() for p in tmp_path.iterdir()] == ["old"]


def test_a_folder_that_is_a_file_is_declined(inspection, tmp_path):
    (tmp_path / "out").write_text("a file")
    with pytest.raises(UnreadableFile, match="cannot be written"):
        write_report(inspection, tmp_path / "out", WITHOUT_PICTURE)


def test_an_earlier_runs_files_are_removed_and_nothing_else(inspection, tmp_path):
    write_report(inspection, tmp_path)
    (tmp_path / "notes.txt").write_text("mine")
    clear_results(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["notes.txt"]


def test_clearing_a_folder_that_is_not_there_is_fine(tmp_path):
    clear_results(tmp_path / "nowhere")


@pytest.mark.parametrize("content", ['{"format": "other"}', "no json", "[]", ""])
def test_anothers_result_file_is_not_removed(tmp_path, content):
    (tmp_path / "result.json").write_text(content)
    with pytest.raises(UsageError, match="not written by foldtrue"):
        clear_results(tmp_path)
    assert (tmp_path / "result.json").read_text() == content


def test_an_input_is_never_removed(inspection, tmp_path):
    write_report(inspection, tmp_path)
    with pytest.raises(UsageError, match="overwrite"):
        clear_results(tmp_path, inputs=[tmp_path / "overlay.png"])
    assert (tmp_path / "overlay.png").exists()


def test_practice_replaces_only_practice(tmp_path):
    (tmp_path / "photo.jpg").write_text("a real photo")
    with pytest.raises(UsageError, match=r"photo\.jpg"):
        check_practice_folder(tmp_path, None)
    (tmp_path / "truth.json").write_text('{"format": "foldtrue-truth"}')
    check_practice_folder(tmp_path, None)


def test_practice_may_use_the_plan_in_its_own_folder(tmp_path):
    plan = tmp_path / "plan.json"
    plan.write_text("{}")
    check_practice_folder(tmp_path, plan)
    with pytest.raises(UsageError):
        check_practice_folder(tmp_path, None)


def test_overlay_size_is_checked():
    with pytest.raises(UsageError):
        ReportOptions(longest_side_px=10)


# ---- an earlier report's page


def test_an_earlier_page_is_removed(tmp_path):
    (tmp_path / "r.html").write_bytes(b"<!doctype html>" + REPORT_MARK)
    clear_report(tmp_path / "r.html")
    assert not (tmp_path / "r.html").exists()


def test_no_page_is_fine(tmp_path):
    clear_report(tmp_path / "r.html")


def test_anothers_page_is_left_alone(tmp_path):
    (tmp_path / "r.html").write_text("mine")
    with pytest.raises(UsageError, match="not written by foldtrue"):
        clear_report(tmp_path / "r.html")
    assert (tmp_path / "r.html").read_text() == "mine"


def test_a_folder_of_that_name_is_declined(tmp_path):
    with pytest.raises(UnreadableFile, match="cannot be removed"):
        clear_report(tmp_path)

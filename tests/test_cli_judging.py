"""foldtrue piece with limits, and judge, compare and tolerances: what they print, write and refuse."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest

import foldtrue.inspection
from foldtrue.cli import run
from foldtrue.report.result import result_record
from foldtrue.report.write import record_text

LIMITS = {"format": "foldtrue-tolerances", "version": 1, "name": "mine", "limits": {"twist_position": {"mm": 0.05}}}
LIMITS["limits"]["twist_position"]["needed"] = False
WIDE = {**LIMITS, "name": "wide", "limits": {"twist_position": {"mm": 5.0, "needed": False}}}


def call(*arguments):
    return run([str(part) for part in arguments])


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("FOLDTRUE_HOME", str(tmp_path / "home"))
    return tmp_path / "home" / "tolerances"


@pytest.fixture
def files(tmp_path, inspection, monkeypatch):
    """The folder with a plan, a photo's name, limits and a result; every photo shows the made-up piece."""
    monkeypatch.setattr(foldtrue.inspection, "inspect_photo", lambda path, plan, options=None, on_step=None: inspection)
    plan = ["--height", 240, "--grid", "point-to-point", "--divisions", 16, "--spacing", 2, "--rings", 2]
    assert call("plan", "new", *plan, "--out", tmp_path / "plan.json") == 0
    (tmp_path / "mine.json").write_text(json.dumps(LIMITS))
    (tmp_path / "wide.json").write_text(json.dumps(WIDE))
    (tmp_path / "result.json").write_text(record_text(result_record(inspection)))
    return tmp_path


def measure(files, *more):
    return call("piece", files / "photo.jpg", "--plan", files / "plan.json", *more)


def test_piece_prints_the_verdict_and_the_list(files, capsys):
    assert measure(files, "--tolerances", files / "mine.json") == 0
    said = capsys.readouterr().out
    assert "Verdict: [X] outside its limits." in said
    assert "Limits: mine (" in said
    assert "Touch-up list" in said


def test_piece_writes_the_judgement_and_the_pictures(files):
    out = files / "out"
    assert measure(files, "--tolerances", files / "mine.json", "--out", out) == 0
    judgement = json.loads((out / "result.json").read_text())["judgement"]
    assert judgement["verdict"] == "outside"
    assert len(list((out / "touchup").glob("*.png"))) > 1
    assert measure(files, "--tolerances", files / "wide.json", "--out", out) == 0
    assert not (out / "touchup").exists()


def test_outside_fails_only_where_that_is_asked_for(files):
    assert measure(files, "--tolerances", files / "mine.json", "--fail-outside") == 1
    assert measure(files, "--tolerances", files / "wide.json", "--fail-outside") == 0


def test_an_outside_piece_is_written_before_the_command_fails(files):
    out = files / "out"
    assert measure(files, "--tolerances", files / "mine.json", "--fail-outside", "--out", out) == 1
    assert (out / "result.json").exists()


def test_a_slip_in_the_limits_is_told_before_the_earlier_result_is_removed(files, capsys):
    out = files / "out"
    assert measure(files, "--out", out) == 0
    assert measure(files, "--tolerances", "nonsense", "--out", out) == 2
    assert "no tolerances called nonsense" in capsys.readouterr().err
    assert (out / "result.json").exists()


def test_a_guard_band_belongs_to_the_guarded_rule(files, capsys):
    assert measure(files, "--rule", "simple", "--guard", "1") == 2
    assert measure(files, "--guard", "4") == 2
    assert measure(files, "--guard", "1") == 0
    assert "guard band of 1 U" in capsys.readouterr().out


def test_a_recorded_piece_is_judged_again_with_other_limits(files, capsys):
    before = (files / "result.json").read_bytes()
    assert call("judge", files / "result.json", "--tolerances", files / "mine.json", "--fail-outside") == 1
    assert call("judge", files / "result.json", "--tolerances", files / "wide.json", "--rule", "simple") == 0
    assert "[o] within its limits" in capsys.readouterr().out
    assert (files / "result.json").read_bytes() == before


@pytest.mark.parametrize("content", ["", "{}", '{"format": "foldtrue-result", "version": 1}', "[" * 99_999])
def test_a_broken_result_is_refused_in_one_line(files, capsys, content):
    (files / "broken.json").write_text(content)
    for arguments in (("judge", files / "broken.json"), ("compare", files / "broken.json", files / "result.json")):
        assert call(*arguments) == 3
        said = capsys.readouterr().err.strip()
        assert said.startswith("foldtrue: ")
        assert "\n" not in said


def test_before_and_after_mending(files, inspection, capsys):
    error = inspection.fit.position_error_mm.copy()
    error[0] = np.zeros(2)
    mended = dataclasses.replace(inspection, fit=dataclasses.replace(inspection.fit, position_error_mm=error))
    (files / "after.json").write_text(record_text(result_record(mended)))
    assert call("compare", files / "result.json", files / "after.json") == 0
    assert "twist position t0: better" in capsys.readouterr().out


# ---- tolerances


def test_a_new_set_is_kept_by_name_checked_listed_and_used(files, home, capsys):
    assert call("tolerances", "new", "--name", "gallery") == 0
    assert (home / "gallery.json").exists()
    assert call("tolerances", "check", "gallery") == 0
    assert "gallery" in capsys.readouterr().out
    assert call("tolerances", "show") == 0
    assert "gallery: gallery, 7 limits" in capsys.readouterr().out
    assert measure(files, "--tolerances", "gallery") == 0
    assert "Limits: gallery (" in capsys.readouterr().out


def test_a_set_of_ones_own_is_never_overwritten(home, tmp_path, capsys):
    for where in ([], ["--out", tmp_path / "mine.json"]):
        assert call("tolerances", "new", "--name", "mine", *where) == 0
        assert call("tolerances", "new", "--name", "mine", *where) == 2
        assert "is there already" in capsys.readouterr().err


def test_a_broken_set_is_listed_as_such(home, capsys):
    home.mkdir(parents=True)
    (home / "odd.json").write_text("{")
    assert call("tolerances", "show") == 0
    assert "odd: not valid" in capsys.readouterr().out
    assert call("tolerances", "check", "odd") == 2

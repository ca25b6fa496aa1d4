"""The command line: what it prints, what it writes, and how it declines."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

import foldtrue.inspection
import foldtrue.inspection_ring
from foldtrue.cli import run
from foldtrue.errors import MachineLacks, NotThisPiece, PhotoTooPoor, SiteAmbiguous, UnreadableFile
from foldtrue.handover import Progress
from foldtrue.photo import read_photo
from foldtrue.report.write import write_report

NEW = (
    "plan new --sheet hexagon --height 240 --grid point-to-point --divisions 16 --twists triangle --spacing 2 --rings 2"
)
WITH_SOURCE = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[1] / "inspect")}


def call(*arguments):
    return run([str(part) for text in arguments for part in (text.split() if isinstance(text, str) else [text])])


def one_line(captured):
    """stderr is exactly one line that begins with the tool's name."""
    said = captured.err.strip()
    assert said.startswith("foldtrue: ")
    assert "\n" not in said
    assert "Traceback" not in said
    return said


@pytest.fixture
def plan_file(tmp_path):
    assert call(NEW, "--out", tmp_path / "plan.json") == 0
    return tmp_path / "plan.json"


@pytest.fixture
def measured(monkeypatch, inspection):
    """inspect_photo that measures nothing and hands out the made-up inspection; remembers what it was asked."""
    asked = []

    def inspect_photo(path, plan, options=None, on_step=None):
        asked.append((path, plan, options))
        on_step("photo")
        return inspection

    monkeypatch.setattr(foldtrue.inspection, "inspect_photo", inspect_photo)
    return asked


@pytest.fixture
def refused(monkeypatch):
    def refuse(error):
        def inspect_photo(*_):
            raise error

        monkeypatch.setattr(foldtrue.inspection, "inspect_photo", inspect_photo)

    return refuse


# ---- help


def test_help_answers_at_once_and_loads_nothing_heavy():
    code = "import sys; from foldtrue.cli import run; run(['--help']); print(sorted(sys.modules), file=sys.stderr)"
    start = time.perf_counter()
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=WITH_SOURCE)
    assert time.perf_counter() - start < 2.0  # about 0.1 s on an idle machine; the import list below is the sharp test
    loaded = done.stderr
    assert not any(
        f"'{heavy}'" in loaded for heavy in ("numpy", "scipy", "cv2", "pydantic", "PIL", "skimage", "sqlalchemy")
    )


def test_no_arguments_show_the_help(capsys):
    assert run([]) == 0
    assert "Usage: foldtrue" in capsys.readouterr().out


def test_version(capsys):
    assert run(["--version"]) == 0
    assert "foldtrue" in capsys.readouterr().out


# ---- plan


def test_new_plan_is_written_and_described(tmp_path, capsys):
    # found independently, by folding the paper pattern facet by facet: 24 twists, 85 facets, 120 mm, 4 layers
    assert call(NEW, "--out", tmp_path / "plan.json") == 0
    assert json.loads((tmp_path / "plan.json").read_text())["format"] == "foldtrue-plan"
    out = capsys.readouterr().out
    assert "24 twists, 85 facets" in out
    assert "height 120.0 mm" in out
    assert "4.00 on the average" in out


def test_check_repeats_what_new_said(tmp_path, capsys):
    assert call(NEW, "--out", tmp_path / "plan.json") == 0
    said = capsys.readouterr().out
    assert call("plan check", tmp_path / "plan.json") == 0
    assert capsys.readouterr().out == said


def test_draw(plan_file, tmp_path):
    assert call("plan draw", plan_file, "--out", tmp_path / "plan.svg") == 0
    assert (tmp_path / "plan.svg").read_text().startswith("<svg")


def test_draw_on_paper_says_how_many_pages_there_are(plan_file, tmp_path, capsys):
    assert call("plan draw --what all --paper A4 --grid-lines", plan_file, "--out", tmp_path / "plan.pdf") == 0
    assert (tmp_path / "plan.pdf").read_bytes().startswith(b"%PDF-")
    assert " pages. Print at 100 %" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("options", "name", "words"),
    [("--paper A4", "x.svg", "not cut up into pages"), ("", "x.png", "neither a PDF nor an SVG")],
)
def test_a_drawing_in_a_form_that_cannot_hold_it_is_declined(options, name, words, plan_file, tmp_path, capsys):
    capsys.readouterr()
    assert call(f"plan draw {options}", plan_file, "--out", tmp_path / name) == 2
    assert words in one_line(capsys.readouterr())
    assert not (tmp_path / name).exists()


def test_a_plan_that_cannot_be_folded_is_declined_and_not_written(tmp_path, capsys):
    out = tmp_path / "plan.json"
    assert call(NEW.replace("--rings 2", "--rings 9"), "--out", out) == 2
    one_line(capsys.readouterr())
    assert not out.exists()


@pytest.mark.parametrize("wrong", ["--height nan", "--height -3", "--divisions 15", "--height 1e9", "--rings 0"])
def test_wrong_numbers_are_declined(wrong, tmp_path, capsys):
    option = wrong.split()[0]
    words = NEW.split()
    words[words.index(option) : words.index(option) + 2] = wrong.split()
    assert run([*words, "--out", str(tmp_path / "p.json")]) == 2
    one_line(capsys.readouterr())


@pytest.mark.parametrize("text", ["", "{", "[]", '{"format": "foldtrue-plan"}', "\x00\xff"])
def test_a_bad_plan_file_is_declined(text, tmp_path, capsys):
    (tmp_path / "bad.json").write_text(text)
    assert call("plan check", tmp_path / "bad.json") == 2
    one_line(capsys.readouterr())


def test_writing_where_nothing_can_be_written(plan_file, tmp_path, capsys):
    (tmp_path / "file").touch()
    assert call("plan draw", plan_file, "--out", tmp_path / "file" / "x.svg") == 3
    assert "cannot be written" in one_line(capsys.readouterr())


# ---- piece


def test_piece_writes_the_result_and_prints_the_worst_first(plan_file, tmp_path, capsys, measured):
    assert call("piece photo.jpg --plan", plan_file, "--out", tmp_path / "out") == 0
    captured = capsys.readouterr()
    assert "Mean error, noise taken out" in captured.out
    assert captured.err == ""  # no progress where stderr is no terminal
    assert json.loads((tmp_path / "out" / "result.json").read_text())["format"] == "foldtrue-result"


def test_piece_without_out_writes_nothing(plan_file, tmp_path, capsys, measured, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert call("piece photo.jpg --plan", plan_file) == 0
    assert [p.name for p in tmp_path.iterdir()] == ["plan.json"]
    assert "not measured" in capsys.readouterr().out


def test_what_the_person_says_reaches_the_measurement(plan_file, measured):
    assert call("piece photo.jpg --side back --view backlit --held window --at 1200.5,800 --plan", plan_file) == 0
    _, _, options = measured[0]
    assert (options.side, options.view, options.at_px) == ("back", "backlit", (1200.5, 800.0))
    assert options.held == "window"


def test_corners_reach_the_measurement(plan_file, measured):
    said = "piece photo.jpg --corners 1,2,3,4,5,6,7,8.5 --corners-mm 300,200 --plan"
    assert call(said, plan_file) == 0
    _, _, options = measured[0]
    assert options.corners_px == ((1.0, 2.0), (3.0, 4.0), (5.0, 6.0), (7.0, 8.5))
    assert options.corners_mm == (300.0, 200.0)


@pytest.mark.parametrize("corners", ["1,2,3,4,5,6,7", "1,2,3,4,5,6,7,a", "1,2,3,4,5,6,7,8,9", ""])
def test_corners_that_are_none_are_declined(corners, plan_file, capsys):
    said = ["piece", "photo.jpg", "--plan", str(plan_file), "--corners-mm", "300,200", "--corners", corners]
    assert run(said) == 2
    assert "8 numbers" in one_line(capsys.readouterr())


@pytest.mark.parametrize("at", ["3", "1,2,3", "a,b", ""])
def test_a_point_that_is_none_is_declined(at, plan_file, capsys):
    assert run(["piece", "photo.jpg", "--plan", str(plan_file), "--at", at]) == 2
    one_line(capsys.readouterr())


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (UnreadableFile("Damaged.", "Copy it again."), 3),
        (NotThisPiece("No piece of this plan.", "Check the plan."), 4),
        (SiteAmbiguous("It fits in two places.", "Use --at."), 4),
        (PhotoTooPoor("Too blurred.", "Hold still."), 5),
        (MachineLacks("No codec.", "Install one."), 6),
        (ImportError("libGL.so.1: cannot open shared object file"), 6),
        (ModuleNotFoundError("No module named 'cv2'", name="cv2"), 6),
        (MemoryError(), 6),
        (PermissionError(13, "Permission denied", "photo.jpg"), 3),
        (KeyboardInterrupt(), 130),
    ],
)
def test_every_way_of_declining_is_one_line_and_its_exit_code(error, code, plan_file, tmp_path, capsys, refused):
    refused(error)
    capsys.readouterr()
    assert call("piece photo.jpg --plan", plan_file, "--out", tmp_path / "out") == code
    one_line(capsys.readouterr())
    assert not (tmp_path / "out").exists()


def test_a_missing_system_library_is_said_with_its_cure(plan_file, capsys, refused):
    refused(ImportError("libGL.so.1: cannot open shared object file: No such file or directory"))
    call("piece photo.jpg --plan", plan_file)
    assert "apt-get install libgl1 libglib2.0-0" in capsys.readouterr().err


def test_a_refused_photo_leaves_no_earlier_result(plan_file, tmp_path, inspection, refused):
    write_report(inspection, tmp_path / "out")
    refused(PhotoTooPoor("Too blurred.", "Hold still."))
    assert call("piece photo.jpg --plan", plan_file, "--out", tmp_path / "out") == 5
    assert list((tmp_path / "out").iterdir()) == []


def test_a_missing_photo(plan_file, tmp_path, capsys):
    assert call("piece", tmp_path / "nowhere.jpg", "--plan", plan_file) == 3
    assert "no file" in one_line(capsys.readouterr())


@pytest.mark.parametrize("arguments", ["piece", "plan", "piece a --foo", "nonsense", "piece a.jpg"])
def test_a_wrong_call_is_one_line_with_the_way_to_the_help(arguments, capsys):
    assert call(arguments) == 2
    assert "--help" in one_line(capsys.readouterr())


def test_output_that_cannot_be_written_is_no_traceback(plan_file):
    with open("/dev/full", "w") as full:
        command = [sys.executable, "-m", "foldtrue", "plan", "check", str(plan_file)]
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, env=WITH_SOURCE)
    assert done.returncode == 3
    assert "Traceback" not in done.stderr
    assert "No space left" in done.stderr


# ---- ring


def test_ring_prints_the_stage_and_passes_on_what_was_said(plan_file, tmp_path, monkeypatch, inspection, capsys):
    asked = []

    def inspect_ring(path, plan, ring, options, on_step):
        asked.append((ring, options))
        return replace(inspection, progress=Progress("all rings", 2, 2, True, 0.9, "ring 1", 0.4, ()))

    monkeypatch.setattr(foldtrue.inspection_ring, "inspect_ring", inspect_ring)
    assert call("ring p.jpg --twists t0,t1 --view back --plan", plan_file, "--out", tmp_path / "o") == 0
    assert asked[0][0].twists == ("t0", "t1")
    assert asked[0][1].view == "back"
    assert json.loads((tmp_path / "o" / "result.json").read_text())["progress"]["rival"] == "ring 1"
    assert "The piece is finished" in capsys.readouterr().out


def test_ring_refuses_rings_and_twists_at_once_and_leaves_no_result(plan_file, tmp_path, capsys):
    assert call("ring p.jpg --rings 1 --twists t0 --plan", plan_file, "--out", tmp_path / "o") == 2
    assert "Leave one of --rings and --twists out" in one_line(capsys.readouterr())
    assert not (tmp_path / "o").exists()


# ---- practice


def test_practice_writes_a_photo_its_plan_and_its_truth(tmp_path, capsys):
    assert call("practice --difficulty easy --seed 2 --out", tmp_path / "p") == 0
    assert sorted(p.name for p in (tmp_path / "p").iterdir()) == ["photo.jpg", "plan.json", "truth.json"]
    truth = json.loads((tmp_path / "p" / "truth.json").read_text())
    assert truth["format"] == "foldtrue-truth"
    assert len(truth["twists"]) == 24
    assert "foldtrue piece" in capsys.readouterr().out


def test_practice_draws_a_half_done_piece(tmp_path, capsys):
    assert call("practice --difficulty easy --rings 1 --out", tmp_path / "p") == 0
    truth = json.loads((tmp_path / "p" / "truth.json").read_text())
    assert [twist["id"] for twist in truth["twists"]] == ["t0", "t1", "t2", "t3", "t4", "t5"]
    assert truth["settings"]["paper"]["crease_contrast"] >= 0.03
    assert "foldtrue ring" in capsys.readouterr().out


def test_practice_lays_the_reference_that_was_asked_for(tmp_path):
    assert call("practice --view back --reference card --out", tmp_path) == 0
    settings = json.loads((tmp_path / "truth.json").read_text())["settings"]
    assert len(settings["card_corners_px"]) == 4
    assert settings["card"]["size_mm"] == pytest.approx([85.60, 53.98], abs=0.13)
    assert settings["reference"] is None


def test_practice_can_be_a_scan(tmp_path):
    assert call("practice --view front --scan --out", tmp_path) == 0
    assert read_photo(tmp_path / "photo.jpg").dpi == (300.0, 300.0)
    assert json.loads((tmp_path / "truth.json").read_text())["settings"]["camera"]["dpi"] == 300.0


@pytest.mark.parametrize("options", ["--scan --reference mat", "--scan", "--reference card", "--rings 3"])
def test_practice_refuses_what_does_not_go_together(tmp_path, capsys, options):
    assert call(f"practice {options} --out", tmp_path / "p") == 2
    one_line(capsys.readouterr())
    assert not (tmp_path / "p").exists()


def test_practice_never_writes_over_a_persons_photo(tmp_path, capsys):
    (tmp_path / "photo.jpg").write_text("mine")
    assert call("practice --out", tmp_path) == 2
    one_line(capsys.readouterr())
    assert (tmp_path / "photo.jpg").read_text() == "mine"

"""foldtrue plan new: what it prints, writes and declines, in words and step by step."""

from __future__ import annotations

import json
import signal
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from foldtrue.cli import foldtrue, run
from foldtrue.plan.file import read_plan
from foldtrue.plan.questions import QUESTIONS

PANEL = ["plan", "new", "--height", "240"]


@pytest.fixture
def out(tmp_path):
    return tmp_path / "plan.json"


@pytest.fixture
def answer(tmp_path, monkeypatch):
    """answer(*answers, options=()) -> result; when they run out, Enter takes what is offered."""
    monkeypatch.chdir(tmp_path)

    def give(*answers, options=(), enters=30):
        typed = "\n".join(answers) + "\n" * (enters + 1)
        return CliRunner().invoke(foldtrue, ["plan", "new", "--ask", *options], input=typed)

    return give


def declined(capsys):
    said = capsys.readouterr().err.strip()
    assert said.startswith("foldtrue: ")
    assert "\n" not in said
    return said


@pytest.mark.parametrize(
    "words",
    [
        "--height 240",
        "--sheet square --side 200 --slope 14,3",
        "--sheet rectangle --width 297 --height 210 --divisions 21 --start corner",
        "--sheet square --side 200 --pitch 10 --twist triangle,0,0,ccw --twist triangle,3,0,cw,1",
        "--sheet square --side 200 --pitch 5 --twist triangle,0,0,ccw --step 6,0 --step 0,6 --rings 1",
        "--sheet square --side 300 --pitch 10 --twist triangle,-4,0,cw,0,1 --pleat 5,14,2,ccw,2",
    ],
)
def test_a_few_words_make_a_plan_that_check_repeats(words, out, capsys):
    assert run(["plan", "new", *words.split(), "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert "in the largest stack" in said
    assert run(["plan", "check", str(out)]) == 0
    assert said.startswith(capsys.readouterr().out.rstrip("\n"))


def test_a_polygon_is_said_by_its_corners(out):
    words = ["plan", "new", "--sheet", "polygon", "--corners", "-90,-80 110,-80 70,90 -60,75", "--pitch", "9"]
    assert run([*words, "--out", str(out)]) == 0
    assert json.loads(out.read_text())["sheet"]["corners_mm"][1] == [110, -80]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("--height 0", "sheet.height_mm: expected more than 0, found 0"),
        ("--height 240 --divisions 1", "grid.divisions: expected at least 2, found 1"),
        ("--height 240 --divisions 1000", "grid.divisions: expected at most 256, found 1000"),
        ("--height 240 --divisions 15", "expected an even number"),
        ("--height 240 --rings 9", "leave the sheet"),
        ("--height 240 --slope 3", "'3' should look like 9,4"),
        ("--height 240 --slope 3,1.5", "'3,1.5' should look like 9,4"),
        ("--height 240 --twist triangle,0,ccw", "should look like triangle,0,0,ccw,1,1"),
        ("--height 240 --twist triangel,0,0,ccw", 'found "triangel"; did you mean triangle?'),
        ("--height 240 --sheet square", "--height does not belong to a square sheet"),
        ("--height 240 --heigth 3", "No such option"),
        ("--finished-size -3", "--finished-size is a height in mm between 0 and 5000, not -3"),
        ("--finished-size nan", "--finished-size is a height in mm"),
        ("--finished-size 100 --ask", "--ask does not go with --finished-size"),
    ],
)
def test_what_is_wrong_is_said_in_one_line_and_nothing_is_written(words, said, out, capsys):
    assert run(["plan", "new", *words.split(), "--out", str(out)]) == 2
    assert said in declined(capsys)
    assert not out.exists()


def test_a_plan_needs_a_file(capsys):
    assert run(PANEL) == 2
    assert "'--out'" in declined(capsys)


def test_a_wanted_size_shows_the_choices_and_writes_the_plan_of_the_sheet_for_it(out, capsys):
    assert run(["plan", "new", "--finished-size", "120", "--divisions", "16", "--spacing", "2", "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert "Practical choices for a piece 120 mm high" in said
    assert "height 120.0 mm" in said
    assert read_plan(out).sheet.height_mm == 240.0  # computed independently: half the sheet


def test_a_wanted_size_alone_writes_nothing(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert run(["plan", "new", "--finished-size", "120", "--divisions", "16"]) == 0
    assert "For exactly 120 mm: hexagon 240 mm, point-to-point 16, spacing 2, rings 2." in capsys.readouterr().out
    assert not list(tmp_path.iterdir())


# ---- step by step


def test_enter_alone_makes_the_usual_panel(answer, tmp_path):
    result = answer()
    assert result.exit_code == 0
    assert read_plan(tmp_path / "plan.json").twists.rings == 2
    # after every answer the size, layers and twists that would come out
    assert result.output.count("So far: 24 twists, finished height 120.0 mm, layers 4.00") > 8


def test_answers_are_taken(answer, tmp_path):
    typed = (
        "square",
        "200",
        "mixed",
        "edge-to-edge",
        "32",
        "centre",
        "1",
        "5",
        "fill",
        "trimmed",
        "cw",
        "0",
        "my panel",
    )
    result = answer(*typed, "mine.json")
    assert result.exit_code == 0
    plan = read_plan(tmp_path / "mine.json")
    assert (plan.name, plan.sheet.side_mm, plan.twists.recipe, plan.twists.first_hand) == (
        "my panel",
        200,
        "mixed",
        "cw",
    )


def test_back_returns_to_the_question_before_and_offers_its_answer_again(answer, tmp_path):
    result = answer("hexagon", "300", "back", "360", "back", "", "back", "back", "square", "150")
    assert result.exit_code == 0
    assert "Height, mm [300]" in result.output
    assert "Height, mm [360]" in result.output
    assert read_plan(tmp_path / "plan.json").sheet.side_mm == 150


def test_back_at_the_first_question_stays_there(answer):
    assert "This is the first question." in answer("back").output


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        (("hexgon",), "'hexgon' is none of hexagon, square, rectangle, polygon."),
        (("", "tall"), "'tall' is not a number."),
        (("", "0"), "sheet.height_mm: expected more than 0"),
        (("", "", "", "", "8.5"), "'8.5' is not a whole number."),
        (("", "", "", "", "1000"), "grid.divisions: expected at most 256"),
        (("", "", "", "rotated", "3"), "'3' should look like 9,4."),
    ],
)
def test_what_is_no_answer_is_said_and_asked_again(answer, answers, said, tmp_path):
    result = answer(*answers)
    assert said in result.output
    assert result.exit_code == 0
    assert (tmp_path / "plan.json").exists()


def test_what_does_not_fold_is_said_at_once_and_not_written(answer, tmp_path):
    result = answer(*[""] * 8, "9", enters=4)  # nine rings on sixteen divisions, then Enter until the questions end
    assert "So far it does not fold: t24" in result.output
    assert "This plan cannot be folded" in result.output
    assert result.exit_code == 1  # the input ends at a question: stopped
    assert not (tmp_path / "plan.json").exists()


def test_options_become_the_answers_offered(answer, tmp_path):
    options = ("--sheet", "square", "--side", "150", "--slope", "14,3", "--rings", "2", "--out", "mine.json")
    result = answer(options=options)
    assert "Side, mm [150]" in result.output
    assert "Slope M,N [14,3]" in result.output
    assert read_plan(tmp_path / "mine.json").grid.slope == (14, 3)


def test_an_odd_number_of_divisions_starts_in_a_corner(answer, tmp_path):
    result = answer("square", "200", "", "", "21")
    assert "(centre, corner) [corner]" in result.output
    assert read_plan(tmp_path / "plan.json").grid.start == "corner"


def test_a_file_that_exists_is_replaced_only_when_asked(answer, tmp_path):
    (tmp_path / "plan.json").write_text("mine")
    count = sum(1 for q in QUESTIONS if q.word not in ("side", "width", "corners", "slope", "pitch", "every")) - 1
    result = answer(*[""] * count, "plan.json", "n", "", "other.json")
    assert result.exit_code == 0
    assert (tmp_path / "plan.json").read_text() == "mine"
    assert (tmp_path / "other.json").exists()


@pytest.mark.skipif(sys.platform == "win32", reason="no terminal to drive")
def test_in_a_real_terminal_ctrl_c_stops_without_a_file(tmp_path):
    pexpect = pytest.importorskip("pexpect")
    source = str(Path(__file__).parents[2] / "inspect")
    child = pexpect.spawn(
        sys.executable,
        ["-m", "foldtrue", "plan", "new", "--ask"],
        cwd=str(tmp_path),
        env={"PYTHONPATH": source},
        timeout=60,
        # whoever runs tests in the background has Ctrl-C ignored, and so would the child
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    child.expect(r"Sheet \(.*\) \[hexagon\]: ")
    child.sendline("square")
    child.expect(r"Side, mm \[200\]: ")
    child.sendline("180")
    child.expect("So far: .* twists, finished height")
    child.sendintr()
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 130
    assert not list(tmp_path.iterdir())

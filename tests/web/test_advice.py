"""Advice is written once, in the words of the command line; pages say it in the words of their own controls."""

from __future__ import annotations

import ast
import json
import re
from pathlib import Path

import pytest
from advice import COMMAND, OPTION, strings

import foldtrue
from foldtrue.web.controls import PHOTO, page_words, without_place

HOME = Path(foldtrue.__file__).parent
SAID = {"held": "glass", "reference": "card"}
NEVER_ON_PAGES = {
    "--corners": "pages do not offer corners of a known rectangle",
    "Leave one of --rings and --twists out.": "pages do not offer single twists of a ring",
    "Leave out --{}, or give it some letters.": "a page's report has the title of the plan and names nobody",
    "Leave out --stage, or say {}.": "a page records a result under the stage it was measured at",
    "Record the photo itself with --photo": "a page makes the thumbnail from the photo",
    "Record it once more with --again": "the form that records says it itself",
    "foldtrue record compact": "a terminal says it of a file that another program keeps open",
    "foldtrue record copy, version 1": "the title of a schema",
    "foldtrue piece PHOTO --plan PLAN --bars": "printed on the mat, which names the page as well",
    "--at": "the name of an option, put into a sentence about several photos",
}
"""What pages never say, and why; each must be in the sources."""
PLACES = ("cli", "web", "plan")
"""Not looked at: the command line, the pages' own words, and plans, whose form words it (test_plan_form.py)."""


def texts():
    """Every text of the sources that names an option or a command, as (module, text); {} stands for what is put in."""
    for path in sorted(HOME.rglob("*.py")):
        module = path.relative_to(HOME)
        if module.parts[0] not in PLACES:
            yield from ((module.as_posix(), text) for text in strings(ast.parse(path.read_text())))


def is_exempt(text):
    return any(known in text if len(known) > 9 else known in text.split() for known in NEVER_ON_PAGES)


def test_there_is_advice_that_names_options():
    assert sum("--" in text for _, text in texts()) > 30


@pytest.mark.parametrize(("module", "text"), [found for found in texts() if not is_exempt(found[1])])
def test_every_advice_has_words_for_the_pages(module, text):
    said = page_words(text)
    assert not re.search(OPTION, said)
    assert not re.search(COMMAND, said) or "in a terminal" in said


@pytest.mark.parametrize("known", NEVER_ON_PAGES)
def test_what_is_exempt_is_there(known):
    assert any(is_exempt(text) and known in text for _, text in texts())


@pytest.mark.parametrize(
    ("said", "meant"),
    [
        ("Say which with --side front or --side back.", "Say which with “the front” or “the back” under “{side}”."),
        ("Leave out --side.", "Leave out “{side}”."),
        ("or that it is neither with --reference none.", "or that it is neither with “none” under “{reference}”."),
        ("--reference A4 or Letter", "“a sheet of A4 under it” or “a sheet of Letter under it” under “{reference}”"),
        ("Give both: --bars 180.5,260.5.", "Give both: “180.5,260.5” under “{bars}”."),
        ("Say it with --dpi N, or not.", "Say it with “{dpi}”, or not."),
        ("A piece that is -- so to say -- flat.", "A piece that is -- so to say -- flat."),
    ],
)
def test_options_are_named_as_the_pages_label_them(said, meant):
    assert page_words(said) == meant.format(**{name: control.label for name, control in PHOTO.items()})


def test_an_option_that_no_control_answers_is_said_to_be_the_command_lines():
    assert page_words("Say it with --at PX,PY.", without_place(PHOTO)) == "Say it with --at PX,PY on the command line."


@pytest.fixture
def place(app, desk, plan_text, upload):
    """place(kind, **changes) -> address of a job on the desk."""

    def lay(kind="piece", result=None, **changes):
        kept = app.state.bench.desk
        job = kept.add(kind, ("Window panel", plan_text), [("panel.jpg", upload)], dict(SAID))
        if result:
            kept.out(job).mkdir()
            (kept.out(job) / "result.json").write_text(json.dumps(result))
        kept.change(job, **changes)
        return f"/job/{job.id}"

    return lay


def test_a_declined_photo_is_told_by_controls_that_are_on_its_page(client, place):
    page = client.get(place(state="declined", what="No.", advice="Say --held free; give --dpi N.")).text
    assert "Say “lying or hanging free” under “How was it held?”; give “Resolution of a scan, dpi”." in page
    assert all(f">{PHOTO[name].label}</label>" in page for name in ("held", "dpi"))


def test_other_answers_start_from_the_ones_before(client, place):
    page = client.get(place(state="declined", what="No.", advice="")).text
    assert re.search(r'<option value="glass" selected', page)
    assert re.search(r'<option value="card" selected', page)


def test_the_same_photo_is_measured_again_with_other_answers(client, app, token, place):
    said = {"token": token, "view": "front", "held": "free", "reference": "scan", "dpi": "600", "bars": ""}
    answer = client.post(f"{place(state='declined')}/again", data=said, follow_redirects=False)
    job = app.state.bench.desk.read(answer.headers["location"].rsplit("/", 1)[1])
    assert job.options == {
        "view": "front", "held": "free", "reference": "scan", "dpi": 600.0, "same_way_up": False, "pins": None,
    }  # fmt: skip


@pytest.mark.parametrize("dpi", ["many", "0", "-600", "nan", "inf"])
def test_a_resolution_that_is_none_is_refused(client, token, place, dpi):
    answer = client.post(f"{place(state='declined')}/again", data={"token": token, "dpi": dpi})
    assert answer.status_code == 400
    assert "is no resolution" in answer.text


def test_a_failure_on_any_page_is_told_in_the_pages_words(client, app, monkeypatch):
    from foldtrue.errors import UsageError

    def fail(name):
        raise UsageError("Bars belong to the printed mat.", "Leave out --bars, or say --reference mat.")

    monkeypatch.setattr(app.state.bench.plans, "find", fail)
    assert "Leave out “Bars of the mat as measured, mm”" in client.get("/plan?plan=0").text

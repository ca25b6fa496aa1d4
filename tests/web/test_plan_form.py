"""The form of a new plan: every kind of plan that `foldtrue plan new` makes, without any script, and its refusals."""

from __future__ import annotations

import ast
import json
import re
from pathlib import Path
from urllib.parse import urlencode

import pytest
from advice import OPTION, strings

import foldtrue
from foldtrue.plan.file import parse_plan, plan_text
from foldtrue.plan.new import PlanWords, make_plan
from foldtrue.web.controls import page_words
from foldtrue.web.plan_form import PLAN, plan_form

SHEETS = {"hexagon": "height", "square": "side", "rectangle": "width", "polygon": "corners"}
PLANS = Path(foldtrue.__file__).parent / "plan"


def ask(client, **given):
    return client.get(f"/plan/new?{urlencode(given)}")


def keep(client, token, **given):
    """The plan that is kept, as its file says it."""
    answer = client.post("/plan", data={"token": token, **given}, follow_redirects=False)
    assert answer.status_code == 303, answer.text
    name = answer.headers["location"].split("=")[1]
    return json.loads(client.app.state.bench.plans.find(name).text)


def fields_on(page):
    return set(re.findall(r'<(?:input|select|textarea) id="(\w+)"', page))


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({}, {"height": 240, "rings": 2}),
        ({"height": "300", "divisions": "24", "spacing": "3", "rings": "2"},
         {"height": 300, "divisions": 24, "spacing": 3, "rings": 2}),
        ({"twists": "mixed"}, {"height": 240, "twists": "mixed", "border": "trimmed"}),
        ({"sheet": "square", "twists": "clusters"},
         {"sheet": "square", "side": 200, "twists": "clusters", "border": "trimmed"}),
        ({"sheet": "rectangle", "twists": "rhombi", "grid": "rotated", "slope": "20,4"},
         {"sheet": "rectangle", "width": 297, "height": 210, "twists": "rhombi", "slope": (20, 4)}),
        ({"sheet": "polygon", "pitch": "8", "border": "trimmed"},
         {"sheet": "polygon", "corners": ((-90, -80), (110, -80), (70, 90), (-60, 75)), "pitch": 8,
          "border": "trimmed"}),
        ({"sheet": "square", "side": "200", "grid": "pitch", "pitch": "10",
          "twist": "triangle,0,0,ccw\r\ntriangle,3,0,cw,1", "leave_out": "", "first_hand": "cw"},
         {"sheet": "square", "side": 200, "pitch": 10, "twist": (
             {"kind": "triangle", "grid": [0, 0], "hand": "ccw"},
             {"kind": "triangle", "grid": [3, 0], "hand": "cw", "turn": 1})}),
        ({"sheet": "square", "side": "200", "grid": "pitch", "pitch": "5", "twist": "triangle,0,0,ccw",
          "step": "6,0 0,6", "rings": "1"},
         {"sheet": "square", "side": 200, "pitch": 5, "twist": ({"kind": "triangle", "grid": [0, 0], "hand": "ccw"},),
          "step": ((6, 0), (0, 6)), "rings": 1}),
    ],
)  # fmt: skip
def test_the_page_keeps_the_plan_that_the_same_words_make(client, token, given, words):
    meant = json.loads(plan_text(make_plan(PlanWords(**words)).plan))
    found = keep(client, token, **given)
    assert {**found, "name": ""} == {**meant, "name": ""}


def test_a_wanted_finished_size_finds_the_sheet(client, token):
    from foldtrue.plan.summary import check_plan

    plan = parse_plan(keep(client, token, finished="150", divisions="16", rings="2"))
    assert check_plan(plan).finished_height_mm == pytest.approx(150, abs=0.1)


def test_practical_choices_lead_to_their_plans(client):
    page = ask(client, finished="150", show="choices", sheet="hexagon", border="keep", start="centre").text
    assert page.count(">show it</a>") > 5
    place = re.search(r'<a href="(/plan/new\?[^"]*)"', page)[1].replace("&amp;", "&")
    assert "Keep this plan" in client.get(place).text


@pytest.mark.parametrize("sheet", SHEETS)
def test_a_sheet_is_asked_for_its_own_measures(client, sheet):
    asked = fields_on(ask(client, sheet=sheet).text)
    assert SHEETS[sheet] in asked
    assert asked.isdisjoint(set(SHEETS.values()) - {SHEETS[sheet], "height"})


@pytest.mark.parametrize(("grid", "field"), [("point-to-point", "divisions"), ("rotated", "slope")])
def test_a_grid_is_asked_for_its_own_measures(client, grid, field):
    asked = fields_on(ask(client, grid=grid).text)
    assert asked & {"divisions", "slope", "pitch"} == {field}


def test_an_answer_to_a_question_that_no_longer_comes_up_is_dropped():
    """A pitch belongs to a polygon's grid; the hexagon that is chosen afterwards is divided."""
    assert plan_form({"sheet": "hexagon", "grid": "pitch", "pitch": "8"}).words.pitch is None


def test_the_plan_is_shown_with_its_drawings_before_it_is_kept(client, tmp_path):
    page = ask(client, sheet="square", show="plan").text
    drawings = [place.replace("&amp;", "&") for place in re.findall(r'src="(/plan/new/[^"]*)"', page)]
    assert len(drawings) == 2
    for place in drawings:
        answer = client.get(place)
        assert answer.headers["content-type"] == "image/svg+xml"
        assert "<svg" in answer.text
    assert not list((tmp_path / "plans").glob("*"))


def test_a_kept_plan_is_shown_with_its_drawings(client, token):
    page = client.post("/plan", data={"token": token}).text
    for place in re.findall(r'src="(/print/[^"]*)"', page):
        assert client.get(place).status_code == 200
    assert page.count("/print/") >= 2


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"divisions": "1000"}, "expected at most 256"),
        ({"divisions": "1"}, "expected at least"),
        ({"divisions": "nan"}, "Divisions: &#39;nan&#39; is not a whole number."),
        ({"height": "0"}, "expected more than 0"),
        ({"height": "1e999"}, "is not a number"),
        ({"spacing": "nan"}, "Spacing, pitches: &#39;nan&#39; is not a number."),
        ({"rings": "inf"}, "Rings: &#39;inf&#39; is not a whole number."),
        ({"finished": "-3"}, "is not a height between 0 and 5000 mm"),
        ({"finished": "150", "height": "240"}, "“Finished height, mm” asks for the sheet"),
        ({"finished": "150", "sheet": "rectangle"}, "works for a hexagon or a square, not for a rectangle"),
        ({"grid": "rotated", "slope": "9"}, "should look like 9,4"),
        ({"twist": "triangle"}, "should look like triangle,0,0,ccw,1,1"),
        ({"step": "6,0"}, "“Repeat them along” twice"),
        ({"leave_out": "1,1", "twist": "triangle,0,0,ccw"}, "“Places to leave out” does not belong to these twists"),
    ],
)
def test_a_plan_that_cannot_be_is_refused_with_the_reason_and_what_was_typed(client, token, given, said):
    answer = client.post("/plan", data={"token": token, **given})
    assert answer.status_code == 400
    alert = re.search(r'role="alert">(.*?)</div>', answer.text, re.DOTALL)[1]
    assert said in alert
    assert all(typed in answer.text for typed in given.values())
    assert ask(client, show="plan", **given).status_code == 400


def test_what_is_typed_is_shown_as_text(client):
    script = "<script>alert(1)</script>"
    for word in ("name", "twist", "spacing", "finished", "leave_out"):
        assert script not in ask(client, show="plan", **{word: script}).text


def texts():
    return [text for path in sorted(PLANS.glob("*.py")) for text in strings(ast.parse(path.read_text()))]


@pytest.mark.parametrize("text", [text for text in texts() if text != "--{}"])
def test_every_reason_has_words_for_the_page(text):
    assert not re.search(OPTION, page_words(text, PLAN))


def test_every_word_of_a_plan_has_a_field():
    """So that no plan of the command line is out of reach; corners, width and the like come with their sheets."""
    from dataclasses import fields

    from foldtrue.web.plan_form import WORDS

    assert {field.name for field in fields(PlanWords)} <= set(WORDS)

"""The verdict in result.json and in the terminal: its published form, word and shape, never a bare shift in x and y."""

from __future__ import annotations

import json
import re
from pathlib import Path

import jsonschema
import pytest

from foldtrue.handover_judge import Rule
from foldtrue.judge.compare import compare_records
from foldtrue.judge.piece import judge_record
from foldtrue.judge.tolerances import default_tolerances
from foldtrue.report.judgement import comparison_text, judgement_record, judgement_text
from foldtrue.report.result import result_record

SCHEMA = json.loads((Path(__file__).parents[2] / "docs" / "result.schema.json").read_text())


@pytest.fixture
def judge():
    return lambda record, **rule: judgement_record(judge_record(record, default_tolerances(), Rule(**rule)))


@pytest.mark.parametrize("guard", [0.0, 0.83, 1.0])
def test_a_judged_result_has_the_published_form(inspection, judge, guard):
    record = result_record(inspection)
    record["judgement"] = judge(record, guard=guard)
    jsonschema.validate(record, SCHEMA)
    json.dumps(record, allow_nan=False)


def test_a_judgement_without_a_pitch_has_the_published_form(inspection, judge):
    record = result_record(inspection)
    old = {**record, "summary": {**record["summary"], "position_mean_error_mm": None}}
    del old["summary"]["pitch_mm"]
    found = judge(old)
    assert found["verdict"] == "not_enough_measured"
    jsonschema.validate({**record, "judgement": found}, SCHEMA)
    assert "which the result does not tell" in judgement_text(found)


def test_it_can_be_judged_again_with_another_rule(inspection, judge):
    record = result_record(inspection)
    first, second = judge(record), judge({**record, "judgement": judge(record, guard=0.0)})
    assert first == second


def test_the_terminal_tells_the_verdict_its_limits_and_the_list(inspection, judge):
    found = judge(result_record(inspection))
    text = judgement_text(found)
    assert "Verdict: [-] not enough measured." in text
    assert "Needed and not measured: 2 twist position, 2 twist turn." in text
    assert found["tolerances"]["sha256"][:8] in text
    assert "no standard" in text
    assert "guard band of 0.83 U" in text
    assert not re.search(r"\b(dx|dy|x =|y =)\b", text)


def test_simple_acceptance_says_what_it_does_not_promise(inspection, judge):
    assert "the value alone decides" in judgement_text(judge(result_record(inspection), guard=0.0))


def test_no_verdict_is_a_colour(inspection, judge):
    assert not re.search(r"\b(red|green|amber|yellow)\b|\x1b\[", judgement_text(judge(result_record(inspection))))


def test_a_comparison_tells_how_many_would_seem_changed_by_chance(inspection):
    before = result_record(inspection)
    after = result_record(inspection)
    after["twists"][0]["position_error_mm"] = [0.9, 0.0]
    text = comparison_text(compare_records(before, after))
    assert re.match(r"1 of \d+ figures changed by more than both uncertainties together; about \d+ would", text)
    assert "twist position t0: worse" in text

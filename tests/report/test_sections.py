"""Parts of a report in words: what was taken for granted is said, and what was not measured says why."""

from __future__ import annotations

import copy

import pytest

from foldtrue.report.result import result_record
from foldtrue.report.sections import budget_rows, causes, how_measured, pleat_rows, quality_facts, summary_facts
from foldtrue.report.units import Units

MM = Units("mm")


@pytest.fixture
def record(inspection):
    return copy.deepcopy(result_record(inspection))


def said(facts, name):
    return dict(facts)[name]


def test_a_side_that_was_assumed_is_said_to_be(record):
    record["plane"]["assumed"] = []
    assert said(how_measured(record), "Side") == "the front faced the camera"
    record["plane"]["assumed"] = ["side_assumed"]
    assert said(how_measured(record), "Side").endswith("which the photo cannot tell")


def test_a_reference_that_was_assumed_is_said_to_be(record):
    record["plane"] |= {"reference": "card", "assumed": []}
    assert said(how_measured(record), "Of known size") == "the card beside it"
    record["plane"]["assumed"] = ["card_assumed"]
    assert said(how_measured(record), "Of known size") == "the card beside it, taken to be one"


def test_without_a_scale_the_size_was_not_measured(record):
    assert said(summary_facts(record, MM), "Size against the plan").startswith("not measured")


def test_with_a_scale_the_size_has_its_uncertainty(record):
    record["fit"] |= {"scale": 1.004, "scale_u95": 0.002}
    record["plane"]["reference"] = "A4"
    assert said(summary_facts(record, MM), "Size against the plan").startswith("100.40 ± 0.20 % of the planned size")


def test_photos_of_one_piece_are_counted(record):
    photo = {"status": "used", "view": "front", "provenance": None, "name": "a.jpg"}
    record["photos"] = [photo, {**photo, "view": "backlit"}, {**photo, "status": "refused", "view": None}]
    assert said(how_measured(record), "Photos") == "2 of 3 given, combined"
    assert said(how_measured(record), "View") == "from the front, lit from the camera's side; against the light"


def test_the_resolution_is_that_of_the_map_from_plan_to_photo(record):
    """The made-up camera sees 8 px per mm in the middle."""
    assert said(quality_facts(record, MM), "Resolution on the piece") == "8 px/mm"
    assert said(quality_facts(record, Units("inch")), "Resolution on the piece") == "203 px/in"


@pytest.mark.parametrize(("view", "words"), [("backlit", "not measured"), ("front", "only against the light")])
def test_blur_that_was_not_measured_says_why(record, view, words):
    record["view"] = view
    assert said(quality_facts(record, MM), "Blur of edges (median)").endswith(words)


def test_a_result_without_pleats_measured_none(record):
    record["pleats"] = []
    assert pleat_rows(record, MM) == ("not measured", [])


def test_what_the_result_does_not_tell_is_left_out(record):
    assert budget_rows(record, MM) == []
    assert causes(record) is None


def test_too_few_twists_for_causes_is_said(record):
    record["diagnosis"] = {"reason": "Too few twists were measured.", "findings": []}
    assert causes(record) == ["Habits: Too few twists were measured."]


def test_small_terms_are_small_and_not_none(record):
    terms = {"lens": {"position_u95_mm": 0.1, "angle_u95_deg": 0.1}}
    terms["unseen"] = {"position_u95_mm": 0.001, "angle_u95_deg": 0.0}
    for twist in record["twists"]:
        twist["budget"] = {"terms": terms} if twist["position_error_mm"] else None
    large, small = budget_rows(record, MM)
    assert (large.place, small.place, small.turn) == ("100 %, ± 0.10 mm", "< 1 %, ± 0.0010 mm", "0 %, ± 0 deg")

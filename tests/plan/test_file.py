"""The plan file: what is read, what is refused and in which words."""

from __future__ import annotations

import json
from math import sqrt
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from foldtrue.errors import PlanError
from foldtrue.plan.file import parse_plan, plan_schema, plan_sha256, read_plan, write_plan

DOCS = Path(__file__).parents[2] / "docs"


@pytest.fixture
def content():
    return {
        "format": "foldtrue-plan",
        "version": 1,
        "name": "window panel (invented)",
        "sheet": {"shape": "hexagon", "height_mm": 240},
        "grid": {"kind": "point-to-point", "divisions": 16},
        "twists": {"recipe": "honeycomb", "spacing": 2, "rings": 2},
    }


def test_a_plan_survives_writing_and_reading(content, tmp_path):
    plan = parse_plan(content)
    write_plan(plan, tmp_path / "plan.json")
    assert read_plan(tmp_path / "plan.json") == plan


def test_the_hash_is_that_of_the_content_not_of_the_spelling(content):
    reordered = dict(reversed(content.items()))
    reordered["sheet"] = {"height_mm": 240.0, "shape": "hexagon"}
    reordered["twists"] = content["twists"] | {"first_hand": "ccw", "width_rows": 1}
    assert plan_sha256(parse_plan(reordered)) == plan_sha256(parse_plan(content))


def test_the_hash_changes_with_the_content(content):
    other = content | {"twists": content["twists"] | {"first_hand": "cw"}}
    assert plan_sha256(parse_plan(other)) != plan_sha256(parse_plan(content))


def test_a_hexagon_by_its_side_is_the_one_by_its_height(content):
    # regular hexagon: height = sqrt(3) * side
    by_side = parse_plan(content | {"sheet": {"shape": "hexagon", "side_mm": 240 / sqrt(3)}})
    assert by_side.pitch_mm == pytest.approx(parse_plan(content).pitch_mm, abs=1e-9)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"sheet": {"shape": "hexagon", "height_mm": -1}}, "sheet.height_mm: expected more than 0, found -1"),
        ({"sheet": {"shape": "hexagon", "height_mm": 5000}}, "sheet.height_mm: expected less than 5000, found 5000"),
        ({"sheet": {"shape": "hexagon", "height_mm": "wide"}}, 'sheet.height_mm: expected a number, found "wide"'),
        ({"sheet": {"shape": "hexagon", "height_mm": float("nan")}}, "sheet.height_mm: expected"),
        ({"sheet": {"shape": "hexagon"}}, "sheet: expected either height_mm (flat to flat) or side_mm"),
        ({"sheet": {"shape": "hexagon", "height_mm": 9, "side_mm": 9}}, "sheet: expected either height_mm"),
        ({"sheet": {"shape": "circle"}}, "sheet: expected one of 'hexagon', 'polygon'"),
        ({"sheet": {"height_mm": 240}}, "sheet: expected one that says its shape"),
        ({"grid": {"kind": "point-to-point", "divisions": 1}}, "grid.divisions: expected at least 2, found 1"),
        ({"grid": {"kind": "point-to-point", "divisions": 258}}, "grid.divisions: expected at most 256, found 258"),
        ({"grid": {"kind": "point-to-point", "divisions": 15}}, "grid: expected an even number"),
        ({"grid": {"kind": "point-to-point", "divisions": 16.5}}, "grid.divisions: expected a whole number"),
        ({"grid": {"kind": "pitch", "pitch_mm": 20}}, "expected grid kind edge-to-edge or point-to-point"),
        ({"twists": {"recipe": "honeycomb", "spacing": 2}}, "twists.rings: is missing"),
        ({"twists": {"recipe": "honeycomb", "spacing": 2, "rings": 2, "hand": "cw"}}, "twists.hand: is not a field"),
        ({"twists": []}, "twists: expected at least 1 entries"),
        ({"twists": [3]}, "twists[0]: expected an object with named fields, found 3"),
        ({"twists": [{"grid": 3, "kind": "triangle", "hand": "cw"}]}, "twists[0].grid: expected a list, found 3"),
        ({"sheet": []}, "sheet: expected an object with named fields"),
        (
            {"grid": {"kind": "point-to-point", "divisions": "16"}},
            'grid.divisions: expected a whole number, found "16"',
        ),
        (
            {"grid": {"kind": "point-to-point", "divisions": True}},
            "grid.divisions: expected a whole number, found true",
        ),
        ({"sheet": {"shape": "hexagon", "height_mm": 10**400}}, "sheet.height_mm: expected"),
        ({"name": 3}, "name: expected a text, found 3"),
        ({"twists": "many"}, "twists: expected a recipe or a list of twists"),
        ({"twists": [{"grid": [0, 0], "kind": "square", "hand": "ccw"}]}, "twists[0].kind: expected 'triangle'"),
        ({"twists": [{"grid": [0, 0], "kind": "triangle", "hand": "left"}]}, "twists[0].hand: expected 'ccw' or 'cw'"),
        ({"twists": [{"grid": [0], "kind": "triangle", "hand": "cw"}]}, "twists[0].grid[1]: is missing"),
        ({"colour": "white"}, "colour: is not a field of this format"),
        ({"version": 2}, "version: expected 1, found 2"),
        ({"twist": []}, "twist: is not a field of this format; did you mean twists?"),
        ({"sheet": {"shape": "hexgon", "height_mm": 9}}, "did you mean hexagon?"),
        ({"sheet": {"shape": "square", "side_mm": 9, "height_mm": 9}}, "this format; expected shape, side_mm."),
        ({"grid": {"kind": "point-to-point", "division": 16}}, "grid.division: is not a field of this format; did you"),
        ({"twists": {"recipe": "honycomb"}}, "did you mean honeycomb?"),
        ({"twists": [{"grid": [0, 0], "kind": "triangel", "hand": "cw"}]}, 'found "triangel"; did you mean triangle?'),
        ({"twists": [{"grid": [0, 0], "knd": "triangle", "hand": "cw"}]}, "twists[0].knd: is not a field of this form"),
        ({"panels": [{"corner": [[0, 0], [1, 0], [0, 1]]}]}, "did you mean corners?"),
        ({"name": ""}, "name: expected a text of at least 1 character"),
    ],
)
def test_a_wrong_field_is_named_with_what_was_expected(content, change, words):
    with pytest.raises(PlanError) as refusal:
        parse_plan(content | change)
    assert words in str(refusal.value)


def test_a_plan_without_its_format_is_refused(content):
    del content["format"]
    with pytest.raises(PlanError, match="format: is missing"):
        parse_plan(content)


def test_more_than_2000_twists_are_refused(content):
    twist = {"grid": [0, 0], "kind": "triangle", "hand": "cw"}
    with pytest.raises(PlanError, match="twists: expected at most 2000 entries"):
        parse_plan(content | {"twists": [twist] * 2001})


@pytest.mark.parametrize(
    ("corners", "words"),
    [
        ([[-9, -9], [9, -9], [0, 0.5], [9, 9], [-9, 9]], "convex"),
        ([[-9, -9], [9, -9], [9, 9], [9, 9], [-9, 9]], "convex"),
        ([[-9, -9], [9, 9], [9, -9], [-9, 9]], "convex"),
        ([[0, 10], [9, -9], [3, 4], [9, 9], [-9, -9]], "convex"),
        ([[1, 1], [9, 1], [9, 9], [1, 9]], "around the origin"),
        ([[0, 0], [9, 1]], "at least 3"),
    ],
)
def test_a_sheet_that_is_not_a_convex_polygon_around_its_centre_is_refused(content, corners, words):
    sheet = {"sheet": {"shape": "polygon", "corners_mm": corners}, "grid": {"kind": "pitch", "pitch_mm": 1}}
    with pytest.raises(PlanError, match=words):
        parse_plan(content | sheet)


@pytest.mark.parametrize("text", ["", "[1, 2]", '{"format": ', "\x00\x01", '"plan"', "[" * 100_000, "9" * 9999])
def test_a_file_that_is_not_a_json_object_is_refused(tmp_path, text):
    (tmp_path / "plan.json").write_text(text)
    with pytest.raises(PlanError, match=r"plan\.json is not a"):
        read_plan(tmp_path / "plan.json")


def test_a_field_that_stands_twice_is_refused(tmp_path):
    # JSON itself would quietly take the last of the two
    (tmp_path / "plan.json").write_text('{"format": "foldtrue-plan", "version": 1, "name": "a", "name": "b"}')
    with pytest.raises(PlanError, match=r"plan\.json says name twice in one place"):
        read_plan(tmp_path / "plan.json")


def test_a_binary_file_is_refused(tmp_path):
    (tmp_path / "photo.jpg").write_bytes(b"\xff\xd8\xff\xe0")
    with pytest.raises(PlanError, match="not a JSON text"):
        read_plan(tmp_path / "photo.jpg")


def test_a_missing_file_and_a_folder_are_refused(tmp_path):
    for path in (tmp_path / "none.json", tmp_path):
        with pytest.raises(PlanError, match="Cannot read the plan"):
            read_plan(path)


def test_a_file_far_too_large_is_refused_unread(tmp_path):
    (tmp_path / "plan.json").write_text(" " * 4_000_001)
    with pytest.raises(PlanError, match="too large"):
        read_plan(tmp_path / "plan.json")


def test_a_plan_that_cannot_be_written_says_so(content, tmp_path):
    with pytest.raises(PlanError, match="Cannot write the plan"):
        write_plan(parse_plan(content), tmp_path)


def test_the_schema_in_the_docs_is_current():
    assert json.loads((DOCS / "plan.schema.json").read_text("utf-8")) == plan_schema()


def test_the_schema_accepts_what_the_reader_accepts(content):
    validator = Draft202012Validator(plan_schema())
    listed = {"twists": [{"grid": [0.5, 0], "kind": "rhombus", "turn": 1, "hand": "cw", "width_rows": 2}]}
    for good in (content, content | listed):
        parse_plan(good)
        assert validator.is_valid(good)
    assert not validator.is_valid(content | {"colour": "white"})


def test_the_examples_in_the_docs_fold():
    from foldtrue.plan.fold import fold_plan

    text = (DOCS / "plan-file.md").read_text("utf-8")
    examples = [block.split("```")[0] for block in text.split("```json\n")[1:]]
    assert len(examples) == 4
    for example in examples:
        fold_plan(parse_plan(json.loads(example)))

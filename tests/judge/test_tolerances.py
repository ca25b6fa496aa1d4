"""Tolerance files: what they say, what is refused, and where the person's own sets are kept."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from foldtrue.errors import FoldtrueError, UsageError
from foldtrue.judge.tolerances import (
    BUILT_IN,
    default_tolerances,
    find_tolerances,
    kept_path,
    parse_tolerances,
    read_tolerances,
    tolerances_schema,
    tolerances_text,
)

DOCS = Path(__file__).parents[2] / "docs"


def content(**limits):
    named = limits or {"twist_position": {"mm": 0.5}}
    return {"format": "foldtrue-tolerances", "version": 1, "name": "mine", "limits": named}


@pytest.fixture
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("FOLDTRUE_HOME", str(tmp_path))
    (tmp_path / "tolerances").mkdir()
    return tmp_path / "tolerances"


def test_the_published_schema_is_the_readers():
    assert json.loads((DOCS / "tolerances.schema.json").read_text("utf-8")) == tolerances_schema()


def test_limits_are_read_with_their_unit():
    found = parse_tolerances(
        content(twist_position={"of_pitch": 0.03}, twist_angle={"deg": 2, "needed": False}, size={"percent": 1.5})
    ).limits
    assert (found["twist_position"].value, found["twist_position"].unit, found["twist_position"].needed) == (
        0.03,
        "of_pitch",
        True,
    )
    assert (found["twist_angle"].value, found["twist_angle"].unit, found["twist_angle"].needed) == (2, "deg", False)
    assert set(found) == {"twist_position", "twist_angle", "size"}


def test_a_limit_counts_as_needed_unless_said_otherwise():
    assert parse_tolerances(content(pleat_width={"mm": 1.0})).limits["pleat_width"].needed


def test_the_built_in_set_says_that_it_is_ours():
    assert default_tolerances().built_in
    assert not parse_tolerances(BUILT_IN).built_in


def test_the_hash_is_of_the_content_not_of_the_spelling(tmp_path):
    plain = content(twist_angle={"deg": 2.0, "needed": True}, closure={"mm": 1})
    (tmp_path / "a.json").write_text(json.dumps(plain, indent=3))
    (tmp_path / "b.json").write_text(json.dumps(content(closure={"mm": 1.0}, twist_angle={"deg": 2})))
    one, other = (read_tolerances(tmp_path / name) for name in ("a.json", "b.json"))
    assert one.sha256 == other.sha256
    assert one.sha256 != parse_tolerances(content(twist_angle={"deg": 2.1}, closure={"mm": 1})).sha256


def test_a_new_file_can_be_read_and_holds_the_built_in_limits(tmp_path):
    (tmp_path / "mine.json").write_text(tolerances_text('my "own"'))
    found = read_tolerances(tmp_path / "mine.json")
    assert found.limits == default_tolerances().limits
    assert found.name == 'my "own"'


# ---- refused


@pytest.mark.parametrize(
    ("limits", "said"),
    [
        ({"twist_positon": {"mm": 1}}, "did you mean twist_position"),
        ({"twist_angle": {"degrees": 1}}, "twist_angle"),
        ({"twist_angle": {"mm": 1}}, "twist_angle"),
        ({"twist_position": {"mm": 1, "of_pitch": 0.1}}, "one of the two"),
        ({"twist_position": {}}, "one of the two"),
        ({"twist_position": {"mm": 0}}, "more than 0"),
        ({"twist_position": {"mm": -1}}, "more than 0"),
        ({"twist_position": {"mm": "0.5"}}, "expected a number"),
        ({"twist_position": {"mm": True}}, "expected a number"),
        ({"twist_position": {"mm": float("nan")}}, "finite"),
        ({"twist_position": {"mm": float("inf")}}, "finite"),
        ({"twist_position": {"mm": 1, "needed": "yes"}}, "needed"),
        ({"twist_angle": {"deg": 181}}, "at most 180"),
        ({"twist_position": [1]}, "twist_position"),
    ],
)
def test_a_wrong_limit_is_named(limits, said):
    with pytest.raises(UsageError, match=said):
        parse_tolerances(content(**limits))


@pytest.mark.parametrize(
    "change",
    [{"format": "foldtrue-plan"}, {"version": 2}, {"name": ""}, {"limits": {}}, {"limits": None}, {"rule": "simple"}],
)
def test_a_wrong_head_is_refused(change):
    with pytest.raises(UsageError):
        parse_tolerances({**content(), **change})


@pytest.mark.parametrize(
    "hostile",
    [
        b"",
        b"[]",
        b"null",
        b"{",
        b"\xff\xfe\x00",
        b"[" * 90_000,
        b'{"a":' * 15_000,
        b"1" * 99_000,
        b'{"format": "foldtrue-tolerances", "format": "foldtrue-tolerances"}',
        b" " * 200_000,
        json.dumps(content()).replace("0.5", "NaN").encode(),
        json.dumps(content()).replace("0.5", "1e999").encode(),
    ],
)
def test_a_hostile_file_is_refused_in_one_line(tmp_path, hostile):
    path = tmp_path / "hostile.json"
    path.write_bytes(hostile)
    with pytest.raises(FoldtrueError) as refusal:
        read_tolerances(path)
    assert "\n" not in str(refusal.value)


def test_a_field_given_twice_is_refused(tmp_path):
    path = tmp_path / "twice.json"
    path.write_text(json.dumps(content()).replace('{"mm": 0.5}', '{"mm": 0.5, "mm": 5.0}'))
    with pytest.raises(UsageError, match="'mm' is there twice"):
        read_tolerances(path)


def test_a_file_that_is_not_there_or_a_folder_is_said(tmp_path):
    for path in (tmp_path / "none.json", tmp_path):
        with pytest.raises(UsageError, match="Cannot read"):
            read_tolerances(path)


# ---- named sets


def test_a_set_is_found_by_its_name_or_its_file(home):
    (home / "gallery.json").write_text(json.dumps(content(twist_angle={"deg": 0.5})))
    assert find_tolerances("gallery").limits == find_tolerances(str(home / "gallery.json")).limits


def test_a_set_of_ones_own_called_default_comes_first(home):
    assert find_tolerances("default").built_in
    (home / "default.json").write_text(json.dumps(content()))
    assert not find_tolerances("default").built_in


def test_an_unknown_name_is_refused_with_those_that_are_known(home):
    (home / "gallery.json").write_text(json.dumps(content()))
    with pytest.raises(UsageError, match="Did you mean gallery"):
        find_tolerances("galery")


@pytest.mark.parametrize("name", ["", "../up", "a/b", "a.b", "x" * 65, "-x", "a b"])
def test_a_name_cannot_lead_out_of_the_folder(home, name):
    with pytest.raises(UsageError):
        kept_path(name)

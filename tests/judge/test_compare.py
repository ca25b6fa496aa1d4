"""Before and after mending: what changed beyond the uncertainty, and that the same twists are compared."""

from __future__ import annotations

import numpy as np
import pytest

from foldtrue.errors import NotThisPiece
from foldtrue.judge.compare import compare_records


def spread(seed=1, mm=0.3):
    rng = np.random.default_rng(seed)
    return {f"t{i}": tuple(rng.normal(0, mm, 2)) for i in range(24)}


def turned_by(record, errors, degrees):
    """The same errors on the piece turned: what twist i had has the twist that its place is turned onto."""
    a = np.radians(degrees)
    motion = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    places = {twist["id"]: np.array(twist["planned_mm"]) for twist in record["twists"]}
    out = {}
    for name, error in errors.items():
        image = min(places, key=lambda other: np.linalg.norm(places[other] - motion @ places[name]))
        out[image] = tuple(motion @ np.array(error))
    return out


def word(found, kind, name):
    return next(c.word for c in found.changes if (c.before.kind, c.before.id) == (kind, name))


def test_a_mended_twist_is_better_and_the_rest_unchanged(make_record):
    before, errors = make_record(moved=spread()), spread()
    after = make_record(moved={**errors, "t7": (0.0, 0.01)})
    found = compare_records(before, after)
    assert found.changes[0].before.id == "t7"
    assert [c.word for c in found.changes if c.word != "no_difference"] == ["better"]
    assert found.same_way_up


def test_a_change_within_both_uncertainties_is_no_difference(make_record):
    before = make_record(turned={"t7": 1.0}, u95_deg=0.3)
    near, far = (make_record(turned={"t7": 1.0 + change}, u95_deg=0.4) for change in (0.49, 0.51))
    assert word(compare_records(before, near), "twist_angle", "t7") == "no_difference"
    assert word(compare_records(before, far), "twist_angle", "t7") == "worse"


def test_a_twist_moved_past_its_place_is_no_nearer(make_record):
    before, after = make_record(turned={"t7": 1.0}), make_record(turned={"t7": -1.05})
    assert word(compare_records(before, after), "twist_angle", "t7") == "moved"
    before, after = make_record(moved={"t7": (0.5, 0.0)}), make_record(moved={"t7": (0.0, 0.5)})
    assert word(compare_records(before, after), "twist_position", "t7") == "moved"


def test_repeated_photos_of_one_piece_seem_changed_no_more_often_than_the_uncertainty_says(make_record):
    rng, errors, std = np.random.default_rng(5), spread(), 0.05 / np.sqrt(-2 * np.log(0.05))
    seem = total = 0
    for _ in range(20):
        shots = [{k: tuple(np.array(v) + rng.normal(0, std, 2)) for k, v in errors.items()} for _ in range(2)]
        found = compare_records(*(make_record(moved=shot) for shot in shots))
        places = [c for c in found.changes if c.before.kind == "twist_position"]
        seem, total = seem + sum(c.word != "no_difference" for c in places), total + len(places)
    assert seem / total == pytest.approx(0.05, abs=3 * np.sqrt(0.05 * 0.95 / total))


@pytest.mark.parametrize("degrees", [60, 120, 240])
def test_a_piece_photographed_another_way_up_is_refused(make_record, degrees):
    before = make_record(moved=spread())
    with pytest.raises(NotThisPiece, match="same way up"):
        compare_records(before, make_record(moved=turned_by(before, spread(), degrees)))


def test_without_errors_the_way_up_is_taken_for_granted(make_record):
    assert not compare_records(make_record(), make_record()).same_way_up


def test_another_plan_is_refused(make_record):
    other = make_record()
    other["provenance"] = {**other["provenance"], "plan": {"name": "other", "sha256": "1" * 64}}
    with pytest.raises(NotThisPiece, match="different plans"):
        compare_records(make_record(), other)


def test_what_one_of_both_does_not_hold_is_not_compared(make_record):
    found = compare_records(make_record(lost=("t7",)), make_record())
    assert "t7" not in {c.before.id for c in found.changes}

"""What is taken from a result file: the summary's own figures, and those of groups."""

from __future__ import annotations

import numpy as np
import pytest
from recorded import PITCH_MM, made_result

from foldtrue.averages import mean_error
from foldtrue.errors import UsageError
from foldtrue.handover_record import ALL
from foldtrue.record.figures import digest, photo_origins, stages_of
from foldtrue.report.result import result_record


def test_a_result_that_foldtrue_wrote_can_be_read(inspection):
    record = result_record(inspection)
    found = digest(record)
    assert found.planned == len(record["twists"])
    assert found.measured == record["summary"]["measured"]
    assert found.groups[ALL].position_mm == record["summary"]["position_mean_error_mm"]
    assert found.taken == 8  # the camera's plane was found from the piece
    assert set(found.groups) == {ALL, "ring 1", "ring 2", "rim", "inside", "ccw", "cw"}
    assert found.groups["ring 1"].members + found.groups["ring 2"].members == found.measured


def test_groups_together_make_the_whole():
    # Means of squares add by members, exactly where nothing was cut at zero (definition of the mean error).
    result = made_result(5)
    groups = digest(result).groups
    for one, other in (("ring 1", "ring 2"), ("rim", "inside"), ("ccw", "cw")):
        for figure in ("position_mm", "angle_deg"):
            parts = [(groups[name].members, getattr(groups[name], figure) ** 2) for name in (one, other)]
            whole = sum(n * square for n, square in parts) / 24
            assert whole == pytest.approx(getattr(groups[ALL], figure) ** 2, rel=1e-9)


def test_a_groups_figures_are_those_of_round_errors():
    result = made_result(6, noise_mm=0.1)
    own = [twist for twist in result["twists"] if twist["ring"] == 1]
    error = np.array([twist["position_error_mm"] for twist in own])
    wanted = mean_error(error, np.tile(np.eye(2) * 0.1**2, (len(own), 1, 1)))
    found = digest(result).groups["ring 1"]
    assert found.position_mm == pytest.approx(wanted["mean_error"], rel=1e-3)
    assert found.position_u95_mm == pytest.approx(wanted["u95"], rel=1e-3)


def test_the_common_overturn_is_taken_out_of_the_turns_of_groups():
    plain, turned = made_result(7), made_result(7)
    turned["fit"]["overturn_deg"] = 0.3
    for twist in turned["twists"]:
        twist["angle_error_deg"] += 0.3 if twist["hand"] == "ccw" else -0.3
    assert digest(turned).groups["ccw"].angle_deg == pytest.approx(digest(plain).groups["ccw"].angle_deg)


def test_an_older_result_tells_its_pitch_by_two_of_its_figures():
    result = made_result(1)
    del result["provenance"]["plan"]["pitch_mm"]
    assert digest(result).pitch_mm == pytest.approx(PITCH_MM)
    result["summary"]["position_mean_error_mm"] = 0.0
    assert digest(result).pitch_mm is None


def test_a_result_in_which_nothing_was_measured():
    result = made_result(1)
    result["twists"] = [{**twist, "status": "not_measured"} for twist in result["twists"]]
    result["summary"] = dict.fromkeys(result["summary"])
    found = digest(result)
    assert (found.measured, found.groups[ALL].position_mm) == (0, None)


def test_lines_of_a_grid_by_direction():
    lines = [
        {
            "normal_deg": 60.0 * (k % 3), "status": "measured" if k else "missing", "offset_error_mm": 0.3,
            "offset_u95_mm": 0.1, "angle_error_deg": 0.1, "angle_u95_deg": 0.02,
        }
        for k in range(31)
    ]  # fmt: skip
    origin = {"photo": {"name": "a", "sha256": "0" * 64}, "plan": {"name": "p", "sha256": "1" * 64, "pitch_mm": 10.0}}
    found = digest({"format": "foldtrue-grid", "version": 1, "provenance": origin, "view": "front", "lines": lines})
    assert {name: group.members for name, group in found.groups.items()} == {
        ALL: 30,
        "0 deg": 10,
        "60 deg": 10,
        "120 deg": 10,
    }
    assert found.groups[ALL].position_mm == pytest.approx(np.sqrt(0.3**2 - (0.1 / 1.96) ** 2), rel=1e-4)
    assert found.taken == 4


def half_done(seed=1, rings=1):
    """A result of a piece of which only the first ring is folded."""
    result = made_result(seed)
    result["progress"] = {"stage": "ring 1", "finished": False, "rings": rings, "of_rings": 2}
    result["twists"] = [t if t["ring"] <= rings else {**t, "status": "not_made"} for t in result["twists"]]
    return result


def test_a_half_done_piece_is_a_ring_of_the_twists_that_are_made():
    result = half_done()
    assert stages_of(result) == ("ring",)
    assert (digest(result).planned, digest(result).measured) == (6, 6)
    result["progress"]["finished"] = True
    assert stages_of(result) == ("piece", "ring")


@pytest.mark.parametrize(
    "content", [{}, {"format": "foldtrue-result", "version": 2}, {"format": "foldtrue-result", "version": 1}]
)
def test_what_is_no_result_is_refused(content):
    with pytest.raises(UsageError):
        digest(content)


def test_photos_of_several_are_those_that_were_used():
    result = made_result(1)
    one = result["provenance"]["photo"]
    two = {"name": "b.jpg", "sha256": "b" * 64}
    result["photos"] = [
        {"status": "used", "provenance": {"photo": one}},
        {"status": "used", "provenance": {"photo": two}},
        {"status": "left_out", "provenance": {"photo": {"name": "c.jpg", "sha256": "c" * 64}}},
        {"status": "refused", "provenance": None},
    ]
    assert photo_origins(result) == [(one["name"], one["sha256"]), ("b.jpg", "b" * 64)]


@pytest.mark.parametrize("photo", [None, {}, {"name": "a", "sha256": "nonsense"}])
def test_a_result_of_no_photo_is_refused(photo):
    result = made_result(1)
    result["provenance"]["photo"] = photo
    with pytest.raises(UsageError):
        photo_origins(result)


@pytest.mark.parametrize(
    ("where", "value"),
    [
        (("twists",), 7),
        (("twists", 0), None),
        (("twists", 0, "ring"), "one"),
        (("twists", 0, "position_error_mm"), [1, 2, 3]),
        (("twists", 0, "position_error_mm"), [10**400, 0]),
        (("twists", 0, "angle_error_deg"), "far"),
        (("summary",), []),
        (("summary", "position_mean_error_mm"), "0.1"),
        (("summary", "angle_mean_error_deg"), -1.0),
        (("summary", "position_mean_error_u95_mm"), float("inf")),
        (("provenance", "plan", "pitch_mm"), 0),
        (("provenance", "plan", "pitch_mm"), "wide"),
        (("provenance", "plan", "sha256"), ["x"]),
        (("provenance", "plan"), "a plan"),
        (("provenance",), None),
        (("plane",), "grid"),
        (("view",), {}),
        (("fit", "overturn_deg"), "right"),
    ],
)
def test_a_damaged_result_is_refused(where, value):
    result = made_result(1)
    target = result
    for key in where[:-1]:
        target = target[key]
    target[where[-1]] = value
    with pytest.raises(UsageError, match="damaged"):
        digest(result)

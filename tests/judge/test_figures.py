"""What is read from a published result, of any age."""

from __future__ import annotations

import contextlib
import copy
import json
import math

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from foldtrue.errors import FoldtrueError, UnreadableFile
from foldtrue.handover_judge import Rule
from foldtrue.judge.compare import compare_records
from foldtrue.judge.figures import nearest_twists, read_figures, read_record
from foldtrue.judge.piece import judge_record
from foldtrue.judge.tolerances import default_tolerances
from foldtrue.measured import COVERAGE_95
from foldtrue.report.judgement import judgement_record, judgement_text
from foldtrue.report.result import result_record
from foldtrue.report.write import record_text

PLEAT = {"id": "t0-t1", "twists": ["t0", "t1"], "flags": [], "width_error_mm": 0.1, "width_u95_mm": 0.2}
PLEAT |= {"parallelism_deg": 0.1, "parallelism_u95_deg": 0.2}
NUMBERS = [0, -1, 1e-300, 1e300, 10**400, float("nan"), float("inf"), True]
HOSTILE = st.sampled_from([*NUMBERS, None, "", "t99", "t0", [], [1], [[]], {}, {"x": 1}])


@pytest.fixture
def record(inspection):
    return result_record(inspection)


def figure(record, kind, name):
    return next(f for f in read_figures(record).figures if (f.kind, f.id) == (kind, name))


def test_a_position_is_read_as_a_length_with_its_vector(record):
    twist = record["twists"][0]
    found = figure(record, "twist_position", "t0")
    assert found.value == pytest.approx(math.hypot(*twist["position_error_mm"]))
    assert found.vector == tuple(twist["position_error_mm"])
    assert (found.u95, found.std) == (twist["position_u95_mm"], twist["position_std_mm"])


def test_the_standard_uncertainty_of_a_position_is_that_of_its_least_certain_direction(inspection, record):
    import numpy as np

    largest = math.sqrt(np.linalg.eigvalsh(inspection.fit.position_cov_mm2[0])[1])
    assert record["twists"][0]["position_std_mm"] == pytest.approx(largest)


def test_an_older_result_without_it_is_read_on_the_safe_side(record):
    twist = record["twists"][0]
    known = twist.pop("position_std_mm")
    found = figure(record, "twist_position", "t0")
    assert found.std == pytest.approx(twist["position_u95_mm"] / COVERAGE_95)
    assert found.std >= known


def test_a_turn_is_relative_to_the_piece(record):
    twist = record["twists"][0]  # ccw; common overturn 0.1 deg
    found = figure(record, "twist_angle", "t0")
    assert found.value == pytest.approx(twist["angle_error_deg"] - 0.1)
    assert found.u95 == twist["angle_relative_u95_deg"]


def test_what_was_not_measured_has_no_figure(record):
    for kind in ("twist_position", "twist_angle"):
        found = figure(record, kind, "t3")
        assert (found.value, found.std, found.u95) == (None, None, None)
    assert figure(record, "size", "piece").value is None


def test_a_result_without_pleats_or_outline_holds_them_as_not_measured(record):
    assert record["pleats"] == []
    assert record["outline"] is None
    assert figure(record, "pleat_width", "all pleats").value is None
    assert figure(record, "outline", "all sides").value is None


def test_a_result_from_before_pleats_were_measured_is_read(record):
    del record["pleats"], record["outline"]
    assert figure(record, "pleat_width", "all pleats").value is None


def test_the_size_is_a_percentage_where_the_scale_is_known(record):
    record["fit"].update(scale=1.01, scale_u95=0.004)
    found = figure(record, "size", "piece")
    assert (found.value, found.u95) == (pytest.approx(1.0), pytest.approx(0.4))


def test_the_pitch_is_the_plans_and_found_in_older_results_too(record):
    assert read_figures(record).pitch_mm == pytest.approx(20.0)
    del record["summary"]["pitch_mm"]
    assert read_figures(record).pitch_mm == pytest.approx(20.0, rel=1e-6)
    record["summary"]["position_mean_error_mm"] = 0.0
    assert read_figures(record).pitch_mm is None


def test_several_photos_count_as_against_the_light_where_one_is(record):
    record.update(view="front", photos=[{"view": "backlit", "status": "used"}, {"view": "front", "status": "used"}])
    assert read_figures(record).view == "backlit"


def test_a_node_belongs_to_the_twists_nearest_to_it(record):
    twists = read_figures(record).twists
    assert set(nearest_twists((0.0, 0.0), twists)) == {"t0", "t1", "t2", "t3", "t4", "t5"}


def test_a_record_on_disk_is_read_back(record, tmp_path):
    (tmp_path / "result.json").write_text(record_text(record), "utf-8")
    assert read_figures(read_record(tmp_path / "result.json")) == read_figures(record)


@given(data=st.data())
@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
def test_a_record_broken_anywhere_is_judged_or_refused(record, data):
    broken = json.loads(json.dumps(record))
    inner = {key: broken[key] for key in ("twists", "nodes", "fit", "summary", "provenance", "view")}
    broken.update(inner, pleats=[json.loads(json.dumps(PLEAT))], vertices=[], edges=[])
    inner = broken
    while True:
        keys = list(inner) if isinstance(inner, dict) else list(range(min(len(inner), 3)))
        key = data.draw(st.sampled_from(keys))
        if not (isinstance(inner[key], dict | list) and inner[key] and data.draw(st.booleans())):
            break
        inner = inner[key]
    inner[key] = data.draw(HOSTILE)
    with contextlib.suppress(FoldtrueError):
        judgement_text(judgement_record(judge_record(broken, default_tolerances(), Rule())))
        compare_records(record, broken)


@pytest.mark.parametrize("content", [b"", b"{}", b"[1]", b"\xff", b"[" * 99_000, b'{"format": "foldtrue-grid"}'])
def test_what_is_no_result_is_refused(tmp_path, content):
    (tmp_path / "result.json").write_bytes(content)
    with pytest.raises(UnreadableFile):
        read_record(tmp_path / "result.json")


@pytest.mark.parametrize(
    ("where", "what"),
    [
        (("twists",), None),
        (("twists", 0, "planned_mm"), [1.0]),
        (("twists", 0, "hand"), "left"),
        (("twists", 0, "position_error_mm"), "far"),
        (("twists", 0, "position_u95_mm"), -1.0),
        (("twists", 0, "angle_error_deg"), float("nan")),
        (("twists", 0, "angle_relative_u95_deg"), "small"),
        (("nodes", 0), {}),
        (("fit",), []),
        (("summary",), 3),
        (("provenance", "plan"), None),
        (("pleats",), 5),
    ],
)
def test_a_broken_record_is_refused_in_one_line(record, where, what):
    broken = copy.deepcopy(record)
    inner = broken
    for key in where[:-1]:
        inner = inner[key]
    inner[where[-1]] = what
    with pytest.raises(FoldtrueError) as refusal:
        read_figures(broken)
    assert "\n" not in str(refusal.value)

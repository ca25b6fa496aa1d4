"""Pleats and outline in result.json, pleats.csv and the printed text: null and empty where nothing was measured."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from foldtrue.handover_figures import Outline, Pleats
from foldtrue.report.result import result_record
from foldtrue.report.tables import pleats_csv, summary_text

SCHEMA = json.loads((Path(__file__).parents[2] / "docs" / "result.schema.json").read_text())
NAN = float("nan")


@pytest.fixture
def shaped(inspection):
    """The made-up inspection with three pleats, one of them not measured, and an outline of which side 2 is not."""
    pleats = Pleats(
        ids=("t0-t1", "t0-t5", "t7-rim0"),
        twists=(("t0", "t1"), ("t0", "t5"), ("t7",)),
        edges_seen=np.array([[True, True], [True, True], [True, False]]),
        planned_mm=np.full(3, 17.3),
        width_error_mm=np.array([0.1, -0.3, NAN]),
        width_std_mm=np.array([0.02, 0.025, NAN]),
        parallelism_deg=np.array([0.2, -0.1, NAN]),
        parallelism_std_deg=np.array([0.05, 0.05, NAN]),
        straightness_mm=np.array([0.0, 0.02, 0.01]),
        straightness_u95_mm=np.array([0.01, 0.01, 0.01]),
        flags=((), (), ("edge_not_seen",)),
    )
    told = np.arange(6) != 2
    both = np.tile(told, 2)
    cov = np.where(np.outer(both, both), np.eye(12) * 0.05**2 + 0.1**2, NAN)
    spans = np.array([True, True, False])
    met = told & np.roll(told, 1)
    outline = Outline(
        offset_mm=np.where(told, 0.1, NAN),
        angle_deg=np.where(told, -0.05, NAN),
        cov=cov,
        seen=np.where(told, 1.0, 0.2),
        across=np.array([[0, 3], [1, 4], [2, 5]]),
        across_error_mm=np.array([0.3, 0.1, NAN]),
        across_cov_mm2=np.where(np.outer(spans, spans), 0.2**2 + np.eye(3) * 0.03**2, NAN),
        corner_error_mm=np.where(met[:, None], [0.1, 0.1], NAN),
        corner_cov_mm2=np.where(met[:, None, None], np.eye(2) * 0.1**2, NAN),
        flags=tuple(() if ok else ("edge_not_seen",) for ok in told),
    )
    return dataclasses.replace(inspection, fit=dataclasses.replace(inspection.fit, pleats=pleats, outline=outline))


def test_pleats_and_outline_have_the_published_form(shaped, inspection):
    jsonschema.validate(result_record(shaped), SCHEMA)
    without = result_record(inspection)
    assert without["pleats"] == []
    assert without["outline"] is None


def test_a_pleat_that_was_not_measured_has_no_width_and_says_why(shaped):
    rows = result_record(shaped)["pleats"]
    assert [row["status"] for row in rows] == ["measured", "measured", "not_measured"]
    assert rows[2]["width_error_mm"] is rows[2]["width_u95_mm"] is rows[2]["parallelism_deg"] is None
    assert rows[2]["edges_seen"] == ["mountain"]
    assert rows[2]["flags"] == ["edge_not_seen"]
    assert rows[0]["width_u95_mm"] == pytest.approx(1.96 * 0.02, rel=1e-3)


def test_relative_distances_lose_what_all_directions_share(shaped):
    rows = result_record(shaped)["outline"]["across"]
    assert [row["relative_error_mm"] for row in rows] == [pytest.approx(0.1), pytest.approx(-0.1), None]
    assert rows[0]["error_u95_mm"] > 0.39
    assert rows[0]["relative_u95_mm"] == pytest.approx(1.96 * 0.03 / np.sqrt(2), rel=1e-3)
    # The folded height of this plan, H - 3 R a = 240 - 3 * 2 * 20 mm.
    assert all(row["planned_mm"] == pytest.approx(120) for row in rows)


def test_true_distances_need_a_scale_and_carry_its_uncertainty(shaped):
    assert result_record(shaped)["outline"]["across"][0]["true_mm"] is None
    fit = dataclasses.replace(shaped.fit, scale=1.01, scale_std=0.003)
    row = result_record(dataclasses.replace(shaped, fit=fit))["outline"]["across"][0]
    assert row["true_mm"] == pytest.approx(1.01 * 120.3)
    assert row["true_u95_mm"] == pytest.approx(1.96 * np.hypot(1.01 * np.hypot(0.2, 0.03), 120.3 * 0.003), rel=1e-3)


def test_corners_of_an_unseen_side_are_null(shaped):
    corners = result_record(shaped)["outline"]["corners"]
    assert [corner["error_mm"] is None for corner in corners] == [False, False, True, True, False, False]
    assert corners[0]["u95_mm"] == pytest.approx(2.45 * 0.1, rel=2e-3)


def test_pleats_csv_holds_every_pleat_with_empty_cells_where_nothing_was_measured(shaped):
    rows = list(csv.DictReader(io.StringIO(pleats_csv(result_record(shaped)))))
    assert [row["id"] for row in rows] == ["t0-t1", "t0-t5", "t7-rim0"]
    assert rows[0]["twists"] == "t0 t1"
    assert rows[2]["width_error_mm"] == ""
    assert float(rows[1]["width_error_mm"]) == -0.3


def test_the_summary_names_the_worst_pleat_the_worst_closure_and_the_odd_direction(shaped, inspection):
    text = summary_text(result_record(shaped))
    assert "Worst of 2 pleats measured: t0-t5, -0.30 ± 0.05 mm of 17.3 mm." in text
    assert "Worst closure:" in text
    assert "sides 0 and 3, 0.10 ± 0.04 mm" in text
    assert "pleats measured" not in summary_text(result_record(inspection))

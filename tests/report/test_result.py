"""result.json: its published form, its definitions, and null where nothing was measured."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from foldtrue.handover_figures import Form
from foldtrue.report.result import as_json, result_record

SCHEMA = json.loads((Path(__file__).parents[2] / "docs" / "result.schema.json").read_text())


def with_fit(inspection, **changes):
    return dataclasses.replace(inspection, fit=dataclasses.replace(inspection.fit, **changes))


def test_the_schema_is_a_schema():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


def test_a_result_has_the_published_form(inspection):
    jsonschema.validate(result_record(inspection), SCHEMA)


def test_a_result_with_nothing_measured_has_the_published_form(inspection):
    twists = len(inspection.nominal.twists)
    nothing = with_fit(
        inspection,
        measured=np.zeros(twists, bool),
        vertex_measured=np.zeros(len(inspection.nominal.vertices_mm), bool),
        edge_offset_mm=np.full(len(inspection.nominal.creases.ids), np.nan),
        overturn_deg=None,
        overturn_std_deg=None,
    )
    record = result_record(nothing)
    jsonschema.validate(record, SCHEMA)
    assert record["summary"]["measured"] == 0
    assert record["summary"]["worst_position"] is None


def test_nan_and_infinity_are_written_as_null(inspection):
    broken = with_fit(inspection, k1_std=float("inf"), sample_rms_px=float("nan"))
    text = json.dumps(result_record(broken), allow_nan=False)  # raises if one got through
    assert json.loads(text)["fit"]["sample_rms_px"] is None
    assert json.loads(text)["fit"]["k1_u95"] is None


def test_json_values_keep_nine_digits_and_lose_minus_zero():
    assert as_json(np.float64(1.23456789012)) == 1.23456789
    assert str(as_json(-0.0)) == "0.0"
    assert as_json((np.int64(3), None, "x", True, np.array([1.5]))) == [3, None, "x", True, [1.5]]


def test_unmeasured_twists_carry_no_figures(inspection):
    twist = result_record(inspection)["twists"][3]
    assert twist["status"] == "not_measured"
    assert twist["flags"] == ["not_seen"]
    assert twist["position_error_mm"] is None
    assert twist["centre_px"] is None


def test_planned_place_is_the_plans(inspection):
    # A honeycomb of spacing 2: the first ring of six lies at L*a = 40 mm on the sheet and folds to half of it.
    record = result_record(inspection)
    np.testing.assert_allclose([np.hypot(*t["planned_mm"]) for t in record["twists"][:6]], 20.0, atol=1e-6)


def test_overturn_is_the_angle_error_times_the_hand(inspection):
    for twist in result_record(inspection)["twists"]:
        if twist["status"] == "measured":
            sign = 1 if twist["hand"] == "ccw" else -1
            assert twist["overturn_deg"] == pytest.approx(sign * twist["angle_error_deg"])


def test_the_angle_is_given_with_and_without_the_common_overturn(inspection):
    twist = result_record(inspection)["twists"][0]
    assert twist["angle_relative_u95_deg"] == pytest.approx(1.959964 * 0.04, rel=1e-6)
    assert twist["angle_u95_deg"] == pytest.approx(1.959964 * np.hypot(0.04, 0.08), rel=1e-6)


def test_position_uncertainty_is_the_radius_that_holds_95_percent(inspection):
    # sqrt(-2 ln 0.05) = 2.4477 deviations where the error is round
    round_error = with_fit(inspection, position_cov_mm2=np.tile(np.eye(2) * 0.03**2, (24, 1, 1)))
    assert result_record(round_error)["twists"][0]["position_u95_mm"] == pytest.approx(2.4477 * 0.03, rel=1e-4)


def test_no_scale_without_a_reference(inspection):
    record = result_record(inspection)
    assert record["plane"]["reference"] == "none"
    assert record["fit"]["scale"] is None
    assert record["fit"]["scale_u95"] is None


def test_the_written_map_places_the_plan_in_the_photo(inspection):
    fit = result_record(inspection)["fit"]
    planned = inspection.nominal.vertices_mm
    q = np.c_[planned, np.ones(len(planned))] @ np.array(fit["homography"]).T
    u = q[:, :2] / q[:, 2:] - fit["lens_centre_px"]
    r2 = np.sum(u**2, axis=1, keepdims=True) / fit["lens_focal_px"] ** 2
    found = u * (1 + fit["k1"] * r2) + fit["lens_centre_px"]
    np.testing.assert_allclose(found, inspection.fit.map.to_px(planned), atol=1e-4)


def test_the_form_of_a_piece_stands_after_a_similarity_alone(inspection):
    names = ("stretch_x", "shear_deg", "keystone_x", "keystone_y")
    plain = result_record(inspection)["fit"]
    assert plain["alignment"] == "homography"
    assert [plain[name] for name in names] == [None] * 4
    form = Form(np.array([0.002, 0.001, -0.003, 0.0]), np.diag([1e-6, 4e-6, 1e-6, 1e-6]))
    record = result_record(with_fit(inspection, alignment="similarity", form=form))
    jsonschema.validate(record, SCHEMA)
    fit = record["fit"]
    assert fit["alignment"] == "similarity"
    assert [fit[name] for name in names] == pytest.approx([0.002, np.degrees(0.001), -0.003, 0.0])
    assert fit["stretch_x_u95"] == pytest.approx(1.96 * 0.001, rel=1e-3)
    assert fit["shear_u95_deg"] == pytest.approx(1.96 * np.degrees(0.002), rel=1e-3)

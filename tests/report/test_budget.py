"""The budget in result.json's words, what leads, and advice whose figures follow from the term's law."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from foldtrue.camera_place import camera_place
from foldtrue.handover_figures import BUDGET_TERMS, Budget
from foldtrue.report.remedies import NAMES, Figure, remedy
from foldtrue.report.result import result_record
from foldtrue.report.tables import summary_text, twists_csv

LAWFUL = ("pixel_noise", "paper_height", "waves", "lens")
SCHEMA = json.loads((Path(__file__).parents[2] / "docs" / "result.schema.json").read_text())


def with_terms(inspection, **share):
    """The inspection with its variances split by these shares; what is left goes to the paper's texture."""
    fit = inspection.fit
    part = np.array([share.get(name, 0.0) for name in BUDGET_TERMS])
    part[BUDGET_TERMS.index("paper_texture")] += 1 - part.sum()
    budget = Budget(
        part[:, None, None, None] * fit.position_cov_mm2,
        part[:, None] * fit.angle_std_deg**2,
        part * fit.overturn_std_deg**2,
    )
    return replace(inspection, fit=replace(fit, budget=budget))


def test_shares_squared_add_up_to_every_figure(inspection):
    split = with_terms(inspection, paper_height=0.5, light_shift=0.2)
    scale = {"scale": 0.99, "scale_std": 0.00495, "scale_budget": {"paper": 0.003, "lens": 0.004}}
    scale["scale_limits"] = (0.99 * 0.003 * math.sqrt(3.0),)
    record = result_record(replace(split, fit=replace(split.fit, **scale)))
    jsonschema.validate(record, SCHEMA)
    for twist in record["twists"]:
        if twist["status"] == "not_measured":
            assert twist["budget"] is None
            continue
        for name in ("position_u95_mm", "angle_u95_deg"):
            total = math.hypot(*(term[name] for term in twist["budget"]["terms"].values()))
            assert total == pytest.approx(twist[name], rel=1e-6)
    of_piece = record["budget"]
    assert math.hypot(*of_piece["overturn_u95_deg"].values()) == pytest.approx(record["fit"]["overturn_u95_deg"])
    assert math.hypot(*of_piece["scale_u95"].values()) == pytest.approx(record["fit"]["scale_u95"])
    assert record["fit"]["scale_u95"] < 1.955 * 0.00495  # the paper's tolerance has no tails


def test_what_leads_is_named_for_every_twist_and_for_the_piece(inspection):
    record = result_record(with_terms(inspection, which_edge=0.7))
    assert record["twists"][0]["budget"]["position_leads"] == "which_edge"
    assert record["summary"]["uncertainty_leads"]["position"]["term"] == "which_edge"
    assert record["summary"]["uncertainty_leads"]["angle"]["share"] == pytest.approx(0.7)
    assert ",which_edge,which_edge," in twists_csv(record)
    assert summary_text(record).count(NAMES["which_edge"]) == 1  # one cause of both is said once


def test_of_several_photos_no_budget_is_told(inspection):
    record = result_record(inspection)
    jsonschema.validate(record, SCHEMA)
    assert record["summary"]["uncertainty_leads"] is None
    assert record["budget"] == {"overturn_u95_deg": None, "scale_u95": None}
    assert "Largest cause" not in summary_text(record)


def test_every_term_has_a_name_and_is_published():
    assert tuple(NAMES) == BUDGET_TERMS == tuple(SCHEMA["$defs"]["term"]["enum"])


def figure(**share):
    """One twist with an uncertainty of 0.1 mm."""
    part = np.array([share.get(name, 0.0) for name in BUDGET_TERMS])
    return Figure(0.1 * np.sqrt(part)[:, None], "mm")


def test_twice_the_distance_takes_three_quarters_of_the_heights_variance(inspection):
    found = remedy(inspection, figure(paper_height=0.8, paper_texture=0.2))
    far = camera_place(inspection.photo, inspection.fit.map).distance_mm
    assert 2 * far < 1500
    assert found.u95_after == pytest.approx(0.1 * math.sqrt(0.2 + 0.8 / 4))
    assert f"from about {far / 10:.0f} to {2 * far / 10:.0f} cm" in found.text
    assert found.text.endswith("about 0.06 instead of 0.10 mm.")


def test_a_camera_whose_distance_is_not_known_is_told_no_centimetres(inspection):
    blind = replace(inspection, photo=replace(inspection.photo, focal_35mm=None))
    assert "to 2 times the distance" in remedy(blind, figure(paper_height=1.0)).text


def test_pixels_cannot_be_had_where_the_piece_fills_the_picture(inspection):
    """Four photos then: independent noise, a quarter of the variance."""
    large = replace(inspection.fit.map, homography=inspection.fit.map.homography @ np.diag([1.3, 1.3, 1.0]))
    full = replace(inspection, fit=replace(inspection.fit, map=large))
    found = remedy(full, figure(pixel_noise=1.0))
    assert found.text.startswith("Take 4 photos")
    assert found.u95_after == pytest.approx(0.05)


def test_a_smaller_picture_is_promised_no_less_than_it_costs_in_noise(inspection):
    """Fourth power of the size for the lens, against the inverse cube for the noise."""
    found = remedy(inspection, figure(lens=0.9, pixel_noise=0.1))
    assert found.u95_after == pytest.approx(0.1 * math.sqrt(0.9 * 0.7**4 + 0.1 / 0.7**3))
    assert remedy(inspection, figure(lens=0.55, pixel_noise=0.45)).u95_after is None


@pytest.mark.parametrize("name", [n for n in BUDGET_TERMS if n not in LAWFUL])
def test_no_figure_is_promised_without_a_law(inspection, name):
    found = remedy(inspection, figure(**{name: 1.0}))
    assert found.u95_after is None
    assert not any(letter.isdigit() for letter in found.text)


def test_against_waves_step_back_or_flatten(inspection):
    """As for any height a quarter of the variance from twice as far; its own share of the misses of edges with it."""
    found = remedy(inspection, figure(waves=0.7, paper_height=0.1, paper_texture=0.2))
    assert found.u95_after == pytest.approx(0.1 * math.sqrt(0.2 + 0.8 / 4))
    assert "about 0.06 instead of 0.10 mm. Or: press the piece flat under glass" in found.text
    flat = replace(inspection, provenance={**inspection.provenance, "options": {"held": "glass"}})
    assert "glass" not in remedy(flat, figure(waves=1.0)).text

"""The coverage study: what it counts, on rows of known coverage; and a few of its photos, measured."""

from __future__ import annotations

import numpy as np
import pytest
from coverage import LEAST_PHOTOS, biases, outside, report, shares
from intervals import photos, share_of
from judging import Truth, true_form
from scenes import FORM, budget_photo

from foldtrue.frames import rotation


def drawn(seed, count=24, too_small=1.0, scale_u95=0.002, bias=0.0):
    """A row whose stated limits are the true ones divided by too_small; bias in standard uncertainties."""
    rng = np.random.default_rng(seed)
    turn = rng.normal(0, 0.1, count)
    return {
        "seed": seed, "view": "front", "laid": "none", "reference": "none", "alignment": "homography", "declined": "",
        "spacing": 2, "rings": 2, "tilt_deg": 5.0, "distance_mm": 400.0, "focal_mm": 50.0, "k1": 0.0, "thick_mm": 0.5,
        "blur_px": 1.0, "pitch_px": 60.0,
        "miss_mm": rng.normal([0.05 * bias, 0], 0.05, (count, 2)).tolist(),
        "but_lens_mm": np.zeros((count, 2)).tolist(),
        "limit_mm": [0.05 * 2.4477 / too_small] * count,
        "angle_deg": turn.tolist(), "relative_deg": turn.tolist(), "overturn_deg": float(turn.mean()),
        "limit_deg": [0.196 / too_small] * count, "limit_relative_deg": [0.196 / too_small] * count,
        "whole": {"scale": [float(rng.normal(0, 0.001)), scale_u95]},
    }  # fmt: skip


def test_intervals_that_are_right_are_as_wanted():
    rows = [drawn(seed, scale_u95=0.00196) for seed in range(200)]
    assert [text for text in outside("all", rows) if "scale" not in text] == []
    assert np.mean(shares(rows)["position"]) == pytest.approx(0.95, abs=0.01)


def test_intervals_a_third_too_small_are_told():
    rows = [drawn(seed, too_small=1.5) for seed in range(60)]
    told = "\n".join(outside("all", rows))
    assert all(f"all: {figure}" in told for figure in ("position", "angle", "relative angle"))


def test_a_figure_without_an_uncertainty_is_a_miss():
    row = drawn(1, scale_u95=None)
    row["limit_mm"] = [float("nan")] * 24
    assert shares([row])["position"] == [0.0]
    assert shares([row])["scale"] == [0.0]


def test_a_bias_is_given_in_standard_uncertainties_and_told():
    rows = [drawn(seed, bias=0.5) for seed in range(60)]
    assert np.mean(biases(rows)["x"]) == pytest.approx(0.5, abs=0.03)
    assert any("bias of x" in text for text in outside("all", rows))


def test_of_photos_that_all_hold_the_scale_chance_is_told_from_excess():
    """Of 60 that each hold it with 98.5 % all do in two cases of five; of 400, in one of four hundred."""
    few, many = ([drawn(seed, scale_u95=0.1) for seed in range(count)] for count in (60, 400))
    assert share_of(shares(few)["scale"]) == (100.0, pytest.approx(100 * 0.025 ** (1 / 60)), 100.0)
    told = [text for rows in (few, many) for text in outside("Letter", rows) if "scale" in text]
    assert ["which chance allows" in text for text in told] == [True, False]


def test_nothing_is_asked_of_few_photos():
    assert outside("all", [drawn(seed, too_small=3.0) for seed in range(LEAST_PHOTOS - 1)]) == []


def test_a_declined_photo_is_counted_and_no_more():
    lines = report([drawn(1), drawn(2) | {"declined": "PhotoTooPoor: dark"}])
    assert "| all | 2 | 1 | 24 |" in lines[2]
    assert "- Declined 1: PhotoTooPoor." in lines


@pytest.fixture(scope="module")
def few(tmp_path_factory):
    return photos(8, tmp_path_factory.mktemp("coverage") / "store.jsonl", budget_photo)


def test_measured_photos_of_the_budgets_scenes_hold_most_of_the_truth(few):
    """Eight photos, correlated within each: a share as low as this has a reason."""
    done = [row for row in few if not row["declined"]]
    assert len(done) >= 5
    for figure, least in (("position", 0.75), ("angle", 0.7), ("relative angle", 0.7)):
        assert np.mean(shares(done)[figure]) > least
    assert all(np.isfinite(row["limit_mm"]).all() for row in done)


def test_form_is_stated_after_a_similarity_alone(few):
    for row in (row for row in few if not row["declined"]):
        assert all((name in row["whole"]) == (row["alignment"] == "similarity") for name in FORM)


@pytest.mark.parametrize("turned_deg", [60.0, 180.0])
def test_form_is_judged_on_the_results_axes(turned_deg):
    """A mat's arrow may turn the plan by what looks alike; keystone and stretch lie on its axes then."""
    rng = np.random.default_rng(1)
    sixth = rng.uniform(-50, 50, (5, 2))
    planned = np.concatenate([sixth @ rotation(60.0 * k).T for k in range(6)])  # as a honeycomb, alike every 60 degrees
    error = rng.normal(0, 0.2, (30, 2))

    def truth(planned, error):
        nothing = np.zeros(len(planned))
        return Truth(planned, error, nothing, nothing + 1, planned, nothing == 0, 1.0, "similarity")

    there = truth(planned @ rotation(turned_deg).T, error @ rotation(turned_deg).T)
    site = np.arange(30)
    wanted = true_form(truth(planned, error), site)
    np.testing.assert_allclose(true_form(there, site, turned_deg), wanted, rtol=1e-6)

"""The piece as a whole: noise taken out, worst twists, nothing claimed beyond the uncertainty."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from foldtrue.report.summary import mean_error, summarise


def test_noise_is_taken_out_of_the_mean_error():
    # true errors of 0.3 mm per twist measured with 0.2 mm noise per axis: the plain RMS says 0.41, the mean error 0.3
    rng = np.random.default_rng(4)
    turn = rng.uniform(0, 2 * np.pi, 4000)
    true = 0.3 * np.c_[np.cos(turn), np.sin(turn)]
    found = mean_error(true + rng.normal(0, 0.2, true.shape), np.tile(np.eye(2) * 0.04, (4000, 1, 1)))
    assert found["rms"] == pytest.approx(np.sqrt(0.09 + 2 * 0.04), rel=0.02)
    assert found["mean_error"] == pytest.approx(0.3, rel=0.03)


def test_pure_noise_gives_a_mean_error_within_its_uncertainty_of_zero():
    rng = np.random.default_rng(5)
    covariances = np.tile(np.eye(2) * 0.01, (24, 1, 1))
    found = [mean_error(rng.normal(0, 0.1, (24, 2)), covariances) for _ in range(500)]
    assert min(f["mean_error"] for f in found) == 0.0
    assert np.mean([f["mean_error"] <= f["u95"] for f in found]) >= 0.95


def test_uncertainty_of_the_mean_error_covers():
    rng = np.random.default_rng(6)
    true = rng.normal(0, 0.3, (24, 2))
    size = np.sqrt(np.mean(np.sum(true**2, 1)))
    covariances = np.tile(np.diag([0.01, 0.0025]), (24, 1, 1))
    noise = rng.normal(0, 1, (2000, 24, 2)) * [0.1, 0.05]
    found = [mean_error(true + n, covariances) for n in noise]
    assert np.mean([abs(f["mean_error"] - size) <= f["u95"] for f in found]) == pytest.approx(0.95, abs=0.02)


def test_nothing_measured_gives_nothing():
    assert set(mean_error(np.zeros((0, 2)), np.zeros((0, 2, 2))).values()) == {None}


def test_worst_twist_is_named(inspection):
    error = inspection.fit.position_error_mm.copy()
    error[8] = [3.0, 4.0]
    fit = dataclasses.replace(inspection.fit, position_error_mm=error)
    record = summarise(dataclasses.replace(inspection, fit=fit))
    assert record["worst_position"]["id"] == inspection.nominal.twists[8].id
    assert record["worst_position"]["error_mm"] == pytest.approx(5.0)


def test_common_overturn_is_taken_out_of_the_angles(inspection):
    hand = np.array([twist.hand for twist in inspection.nominal.twists])
    fit = dataclasses.replace(inspection.fit, angle_error_deg=0.7 * hand, overturn_deg=0.7)
    record = summarise(dataclasses.replace(inspection, fit=fit))
    assert record["angle_rms_deg"] == pytest.approx(0, abs=1e-12)
    assert record["overturn_deg"] == 0.7

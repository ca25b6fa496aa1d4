"""What is planted comes out, within what is claimed; what does not show is not measured."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from foldtrue.alignment import fit_globally
from foldtrue.frames import apply_homography


def left_after_fit(nominal, error):
    """Planted errors (T, 2) with the best homography of the whole piece taken out, as the tool reports them."""
    planned = np.array([t.planned_mm for t in nominal.twists])
    fit = fit_globally(planned, planned + error, "homography", np.ones(len(planned)))
    return apply_homography(np.linalg.inv(fit.matrix), planned + error) - planned


@pytest.mark.parametrize(("spacing", "divisions"), [(2, 16), (3, 24)])
def test_planted_errors_come_out(shoot, plan, spacing, divisions):
    shot = shoot(plan(spacing, divisions), camera={"roll_deg": 4.0})
    found = shot.measure()
    assert found.fit.measured.all()
    wanted = left_after_fit(shot.nominal, shot.poses.position_error_mm)
    error = np.hypot(*(found.fit.position_error_mm - wanted).T)
    zero = np.hypot(*wanted.T)
    assert np.sqrt(np.mean(error**2)) < 0.25 * np.sqrt(np.mean(zero**2))
    std = np.sqrt(np.trace(found.fit.position_cov_mm2, axis1=1, axis2=2))
    assert np.mean(error < 3 * std) >= 0.85


def test_turns_come_out_with_their_sign(shoot, plan):
    shot = shoot(plan(3, 24), errors={"outliers": ()})
    found = shot.measure()
    hand = np.array([t.hand for t in shot.nominal.twists])
    off = found.fit.angle_error_deg - shot.poses.angle_error_deg
    relative = off - hand * np.median(hand * off)
    relative = relative - np.median(relative)
    assert np.sqrt(np.mean(relative**2)) < 0.15
    assert np.corrcoef(found.fit.angle_error_deg, shot.poses.angle_error_deg)[0, 1] > 0.95


@pytest.mark.parametrize(("spacing", "divisions", "victim"), [(2, 16, 3), (3, 24, 9)])
def test_painting_over_one_twist_makes_exactly_that_twist_not_measured(shoot, plan, spacing, divisions, victim):
    shot = shoot(plan(spacing, divisions), camera={"width_px": 1400, "height_px": 1060})
    pixels = cv2.imread(str(shot.path))
    tips = shot.truth.tips_px[victim]
    grown = tips.mean(0) + (tips - tips.mean(0)) * 1.06
    mask = np.zeros(pixels.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.rint(grown).astype(np.int32)], 255)
    level = pixels[mask > 0].mean(0)
    soft = cv2.GaussianBlur(mask.astype(np.float32) / 255, (0, 0), 2.0)[:, :, None]
    cv2.imwrite(str(shot.path), np.rint(pixels * (1 - soft) + level * soft).astype(np.uint8))
    found = shot.measure()
    where = np.hypot(*(found.fit.centre_px - tips.mean(0)).T).argmin()
    assert list(np.flatnonzero(~found.fit.measured)) == [where]
    assert found.fit.flags[where]


def test_a_gross_outlier_is_named_and_moves_no_other(shoot, plan):
    from foldtrue.simulate import Outlier

    loose = Outlier(twist="t4", x_mm=1.2, y_mm=-0.8, angle_deg=3.0)
    shot = shoot(plan(3, 24), errors={"outliers": (loose,)})
    found = shot.measure()
    assert "outlier" in found.fit.flags[4]
    wanted = left_after_fit(shot.nominal, shot.poses.position_error_mm)
    error = np.hypot(*(found.fit.position_error_mm - wanted).T)
    assert np.delete(error, 4).max() < 0.15

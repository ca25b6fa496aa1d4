"""What is claimed is kept: the share of errors that lie within the stated uncertainty."""

from __future__ import annotations

import numpy as np
import pytest

from foldtrue.alignment import fit_globally
from foldtrue.frames import apply_homography, rotation
from foldtrue.measured import radius95


def wanted_and_found(shot, found):
    """Planted errors as the tool should state them, on its axes and in its order, and those it states."""
    planned = np.array([t.planned_mm for t in shot.nominal.twists])
    fit = fit_globally(planned, planned + shot.poses.position_error_mm, "homography", np.ones(len(planned)))
    left = apply_homography(np.linalg.inv(fit.matrix), planned + shot.poses.position_error_mm) - planned
    drawn = np.array([t.mean(0) for t in shot.truth.tips_px])
    at = np.hypot(*(found.fit.centre_px[:, None] - drawn[None]).transpose(2, 0, 1)).argmin(1)
    turn = min(shot.nominal.symmetry["backlit"], key=lambda a: np.abs(planned @ rotation(a).T - planned[at]).max())
    return left[at] @ rotation(turn), found.fit.position_error_mm


@pytest.mark.accuracy
@pytest.mark.parametrize(("spacing", "divisions"), [(2, 16), (3, 24)])
def test_errors_lie_within_their_stated_uncertainties(shoot, plan, spacing, divisions):
    """Six photos of six pieces at six turns; about 4 px per mm, so 0.03 mm is an eighth of a pixel."""
    miss, radius, std = [], [], []
    for seed in range(1, 7):
        shot = shoot(plan(spacing, divisions), seed=seed, camera={"roll_deg": 11.0 * seed - 33.0})
        found = shot.measure()
        wanted, stated = wanted_and_found(shot, found)
        assert found.fit.measured.all()
        miss.append(np.hypot(*(stated - wanted).T))
        radius.append(radius95(found.fit.position_cov_mm2))
        std.append(np.sqrt(np.trace(found.fit.position_cov_mm2, axis1=1, axis2=2)))
    miss, radius, std = np.array(miss), np.array(radius), np.array(std)
    assert np.sqrt(np.mean(miss**2)) < 0.03
    assert np.mean(miss < 3 * std) >= 0.95
    # 144 errors, of each photo's 24 about ten independent: 95 % less two standard deviations of the share.
    assert np.mean(miss < radius) >= 0.95 - 2 * np.sqrt(0.95 * 0.05 / 60)


def test_half_the_pixels_give_more_uncertainty_and_keep_the_claim(shoot, plan):
    large, small = (
        shoot(plan(3, 24), seed=8, camera={"width_px": w, "height_px": h}) for w, h in ((1400, 1060), (700, 530))
    )
    fine, rough = large.measure(), small.measure()
    ratio = np.median(radius95(rough.fit.position_cov_mm2)) / np.median(radius95(fine.fit.position_cov_mm2))
    assert ratio > 1.2
    wanted, stated = wanted_and_found(small, rough)
    assert np.mean(np.hypot(*(stated - wanted).T) < 1.5 * radius95(rough.fit.position_cov_mm2)) >= 0.95

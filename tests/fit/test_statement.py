"""From the adjusted network to figures: leave-one-out, leverage, edges and vertices, against doing it the long way."""

from __future__ import annotations

import numpy as np
import pytest

from foldtrue.alignment import freedoms
from foldtrue.fit.lattice import FitOptions, fit_lattice
from foldtrue.frames import apply_homography, rotation


@pytest.fixture(scope="module")
def piece(nominal):
    return np.random.default_rng(3).normal(0, 0.06, nominal.vertices_mm.shape)


@pytest.fixture(scope="module")
def fit(nominal, sampled, plane, piece):
    return fit_lattice(sampled(piece, 0.004), plane, nominal)


def test_leverages_add_up_to_the_freedoms_of_the_whole_fit(fit, nominal):
    """Trace of the hat matrix: 8 for a homography, over both axes; the leverage is the mean of both."""
    assert 2 * np.sum(fit.leverage) == pytest.approx(8.0, rel=0.1)
    corner = np.hypot(*np.array([t.planned_mm for t in nominal.twists]).T).argmax()
    assert fit.leverage[corner] > np.median(fit.leverage)


def test_leave_one_out_is_the_error_against_the_others_alone(fit, nominal):
    """The long way: each twist judged by a plain least-squares fit of the same freedoms to all the others."""
    planned = np.array([t.planned_mm for t in nominal.twists])
    design, _ = freedoms(planned, "homography")
    error = fit.position_error_mm
    for k in (0, 7, 15):
        others = np.repeat(np.arange(len(planned)) != k, 2)
        coef = np.linalg.lstsq(design[others], error.ravel()[others], rcond=None)[0]
        wanted = error[k] - design[2 * k : 2 * k + 2] @ coef
        np.testing.assert_allclose(fit.leave_one_out_mm[k], wanted, atol=0.02)


def test_the_whole_piece_being_off_is_not_an_error_of_its_twists(nominal, sampled, plane):
    """Shift, turn, size and keystone of all together cannot be told from the camera's."""
    whole = np.eye(3)
    whole[:2, :2] = 1.003 * rotation(0.3)
    whole[:2, 2] = [0.2, -0.15]
    whole[2, :2] = [1e-5, -2e-5]
    moved = apply_homography(whole, nominal.vertices_mm) - nominal.vertices_mm
    found = fit_lattice(sampled(moved, 0.001), plane, nominal)
    assert np.abs(found.position_error_mm).max() < 0.01
    assert np.abs(found.angle_error_deg).max() < 0.03


def test_a_common_overturn_is_stated_with_the_sign_of_the_hands(nominal, sampled, plane):
    true = np.zeros_like(nominal.vertices_mm)
    for twist in nominal.twists:
        tips = list(twist.tips)
        p = nominal.vertices_mm[tips]
        true[tips] = (p - p.mean(0)) @ rotation(0.5 * twist.hand).T + p.mean(0) - p
    found = fit_lattice(sampled(true, 0.002), plane, nominal)
    assert found.overturn_deg == pytest.approx(0.5, abs=max(3 * found.overturn_std_deg, 0.02))


def test_centres_in_the_photo_are_the_measured_tips_means(fit, nominal):
    for k, twist in enumerate(nominal.twists):
        tips = fit.vertices_mm[list(twist.tips)]
        np.testing.assert_allclose(fit.tips_px[k], fit.map.to_px(tips), atol=1e-9)
        np.testing.assert_allclose(fit.centre_px[k], fit.map.to_px(tips.mean(0)[None])[0], atol=1e-9)


def test_edge_errors_are_those_of_the_ends_they_run_between(fit, nominal, piece):
    """Offset at the middle is the mean of the ends' normal displacements, angle their difference over the length."""
    names = nominal.creases.ids
    for k in [i for i, name in enumerate(names) if name.startswith("t5:side")]:
        if np.isnan(fit.edge_offset_mm[k]):
            continue
        ends = nominal.creases.ends[k]
        d = nominal.vertices_mm[ends[1]] - nominal.vertices_mm[ends[0]]
        normal = np.array([-d[1], d[0]]) / np.hypot(*d)
        off = (fit.vertices_mm[ends] - nominal.vertices_mm[ends]) @ normal
        assert fit.edge_offset_mm[k] == pytest.approx(off.mean(), abs=0.02)
        assert fit.edge_angle_deg[k] == pytest.approx(np.degrees((off[1] - off[0]) / np.hypot(*d)), abs=0.1)


def test_covariances_are_symmetric_and_positive(fit):
    for cov in (fit.position_cov_mm2, fit.vertex_cov_mm2[fit.vertex_measured]):
        np.testing.assert_allclose(cov, cov.transpose(0, 2, 1), atol=1e-10)
        assert (np.linalg.eigvalsh(cov) > 0).all()


def test_the_overturn_is_the_mean_of_hand_times_turn(fit, nominal):
    hand = np.array([t.hand for t in nominal.twists])
    assert fit.overturn_deg == pytest.approx(np.mean(hand * fit.angle_error_deg), abs=1e-9)


@pytest.mark.parametrize("name", ["prior_pitch", "shift_mm", "most_position_pitch", "most_angle_deg"])
def test_options_are_checked_at_birth(name):
    with pytest.raises(ValueError, match="positive"):
        FitOptions(**{name: 0.0})

"""Twist poses and the whole piece's fit, against scikit-image and OpenCV."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage.transform import EuclideanTransform

from foldtrue.alignment import fit_globally
from foldtrue.fit.poses import pose_rows, rigid_pose, supported_share
from foldtrue.frames import apply_homography, rotation


def test_rigid_pose_equals_the_euclidean_transform_of_scikit_image():
    rng = np.random.default_rng(1)
    planned = rng.normal(0, 10, (6, 2))
    measured = planned @ rotation(3.7).T + [0.4, -0.2] + rng.normal(0, 0.1, (6, 2))
    shift, turn, _ = rigid_pose(planned, measured)
    other = EuclideanTransform.from_estimate(planned, measured)
    assert turn == pytest.approx(np.degrees(other.rotation), abs=1e-9)
    np.testing.assert_allclose(other(planned).mean(0) - planned.mean(0), shift, atol=1e-9)


def test_linear_rows_agree_with_the_exact_pose_for_small_errors(nominal):
    rows = pose_rows(nominal)[4]
    tips = nominal.vertices_mm[list(nominal.twists[4].tips)]
    moved = (tips - tips.mean(0)) @ rotation(0.5).T + tips.mean(0) + [0.3, -0.1]
    shift, turn, size = rigid_pose(tips, moved)
    linear = rows @ (moved - tips).ravel()
    np.testing.assert_allclose(linear[:2], shift, atol=1e-9)
    assert np.degrees(linear[2]) == pytest.approx(turn, rel=1e-3)
    assert size == pytest.approx(0.0, abs=1e-9)


def test_whole_piece_fit_equals_opencvs_homography_on_clean_data():
    rng = np.random.default_rng(2)
    planned = rng.uniform(-60, 60, (24, 2))
    true = np.array([[1.002, 0.003, 0.2], [-0.002, 0.999, -0.1], [2e-5, -1e-5, 1.0]])
    measured = apply_homography(true, planned)
    found = fit_globally(planned, measured, "homography", np.ones(24)).matrix
    other = cv2.findHomography(planned, measured)[0]
    np.testing.assert_allclose(apply_homography(found, planned), apply_homography(other, planned), atol=1e-6)


def test_one_bad_twist_does_not_move_the_others():
    rng = np.random.default_rng(3)
    planned = rng.uniform(-60, 60, (24, 2))
    measured = planned + rng.normal(0, 0.05, planned.shape)
    clean = fit_globally(planned[1:], measured[1:], "homography", np.ones(23)).matrix
    measured[0] += [3.0, -2.0]
    fit = fit_globally(planned, measured, "homography", np.ones(24))
    assert fit.weights[0] == 0.0
    np.testing.assert_allclose(
        apply_homography(fit.matrix, planned[1:]), apply_homography(clean, planned[1:]), atol=0.02
    )


def test_similarity_keeps_shear_in_the_errors():
    planned = np.array([[x, y] for x in (-50.0, 0, 50) for y in (-40.0, 0, 40)])
    sheared = planned @ np.array([[1.0, 0.0], [0.01, 1.0]]).T
    fit = fit_globally(planned, sheared, "similarity", np.ones(9))
    left = apply_homography(np.linalg.inv(fit.matrix), sheared) - planned
    assert np.abs(left).max() > 0.1


@pytest.mark.parametrize("twists", [7, 24])
def test_ordinary_errors_seldom_cost_a_twist_its_say(twists):
    """200 draws of normal errors: the fit takes up eight freedoms, so residuals are smaller than errors, and a scale
    that forgot it would leave out one of seven twists in a third of all pieces."""
    rng = np.random.default_rng(4)
    angle = np.arange(twists) * 2 * np.pi / (twists - 1)
    planned = np.r_[[[0.0, 0.0]], 50.0 * np.stack([np.cos(angle), np.sin(angle)], 1)[1:]]
    planned[1:] *= rng.uniform(0.6, 1.0, (twists - 1, 1)) if twists > 7 else 1.0
    lost = [
        (
            fit_globally(planned, planned + rng.normal(0, 0.1, planned.shape), "homography", np.ones(twists)).weights
            < 0.01
        ).any()
        for _ in range(200)
    ]
    assert np.mean(lost) < 0.1


def test_support_is_the_share_of_seen_samples_inside_the_twist(nominal):
    """Samples laid on the sides of one twist, three quarters of them seen; none on the others."""
    tips = nominal.vertices_mm[list(nominal.twists[3].tips)]
    f = (np.arange(40) + 0.5) / 40
    points = np.concatenate([a + (b - a) * f[:, None] for a, b in zip(tips, np.roll(tips, -1, 0), strict=True)])
    seen = np.arange(len(points)) % 4 > 0
    share = supported_share(points, seen, np.zeros(len(points), np.int64), nominal, 0.5)
    assert share[3] == pytest.approx(0.75)
    far = [k for k, t in enumerate(nominal.twists) if not set(t.tips) & set(nominal.twists[3].tips)]
    assert share[far].max() < 1.0


def test_without_samples_inside_the_creases_that_end_at_the_tips_speak(nominal):
    """Samples only outside the polygon, on one crease that ends at a tip and on one that does not."""
    twist = nominal.twists[3]
    tips = nominal.vertices_mm[list(twist.tips)]
    centre = tips.mean(0)
    out = centre + (tips[0] - centre) * np.linspace(1.3, 1.9, 10)[:, None]
    ends = nominal.creases.ends
    touching = next(k for k in range(len(ends)) if twist.tips[0] in ends[k])
    other = next(k for k in range(len(ends)) if not set(ends[k].tolist()) & set(twist.tips))
    points, crease = np.concatenate([out, out]), np.repeat([touching, other], 10)
    seen = np.repeat([True, False], 10)
    assert supported_share(points, seen, crease, nominal, 0.1)[3] == 1.0
    assert supported_share(points, ~seen, crease, nominal, 0.1)[3] == 0.0

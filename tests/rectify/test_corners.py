"""The map of a rectangle whose corners the person points at."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from foldtrue.errors import UsageError
from foldtrue.frames import PlaneMap
from foldtrue.handover import Photo
from foldtrue.lens_prior import CORRECTED, EITHER, UNCORRECTED, usual
from foldtrue.photo import linear_table
from foldtrue.rectify.corners import corners_reference

SIZE_MM = (300.0, 200.0)
CORNERS = np.array([[210.0, 160.0], [980.0, 190.0], [1040.0, 700.0], [170.0, 740.0]])
PIXELS = np.zeros((900, 1200, 3), np.uint8)
PHOTO = Photo(PIXELS, linear_table(PIXELS.dtype), "0" * 64, "JPEG", 1, None, None)


def seen(tilt_deg=25.0, axis_deg=30.0, roll_deg=10.0, size_mm=SIZE_MM):
    """Corners (4, 2) px of a rectangle before a pinhole camera, clockwise from its top left."""
    a, t, r = np.deg2rad([axis_deg, tilt_deg, roll_deg])
    axis = np.array([np.cos(a), np.sin(a), 0])
    cross = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    lean = np.eye(3) + np.sin(t) * cross + (1 - np.cos(t)) * cross @ cross
    roll = np.array([[np.cos(r), -np.sin(r), 0], [np.sin(r), np.cos(r), 0], [0, 0, 1]])
    half = np.array([*size_mm, 0]) / 2
    corners = half * np.array([[-1, 1, 0], [1, 1, 0], [1, -1, 0], [-1, -1, 0]])
    camera = (corners @ roll.T @ lean.T) * [1, -1, -1] + [0, 0, 500.0]
    return 900.0 * camera[:, :2] / camera[:, 2:] + [599.5, 449.5]


def numeric(of, at, step=1e-3):
    """Derivative of a function of (K,) by central differences."""
    return np.stack([(of(at + e) - of(at - e)) / (2 * step) for e in step * np.eye(len(at))], -1)


@settings(max_examples=30, deadline=None)
@given(tilt=st.floats(0, 40), axis=st.floats(-180, 180), roll=st.floats(-40, 40))
def test_the_map_takes_the_rectangle_to_its_corners(tilt, axis, roll):
    corners = seen(tilt, axis, roll)
    reference = corners_reference(PHOTO, corners, SIZE_MM)
    mm = np.array([[-150.0, 100], [150, 100], [150, -100], [-150, -100]])  # x right, y up
    assert reference.map.to_px(mm) == pytest.approx(corners, abs=1e-6)
    assert reference.kind == "corners"
    assert reference.rms_px == 0


def test_covariance_of_the_clicks_is_carried_exactly():
    def terms(px):
        return corners_reference(PHOTO, px.reshape(4, 2), SIZE_MM).map.homography.ravel()[:8]

    corners = seen()
    by_px = numeric(terms, corners.ravel())
    lens = numeric(
        lambda k: terms(PlaneMap(np.eye(3), float(k[0]), np.array([599.5, 449.5]), focal()).undistort(corners).ravel()),
        np.zeros(1),
        1e-4,
    )
    expected = 2.0**2 * by_px @ by_px.T + usual()[1] ** 2 * lens @ lens.T
    found = corners_reference(PHOTO, corners, SIZE_MM, corners_std_px=2.0).map_cov
    scale = np.sqrt(np.diag(expected))
    assert found[:8, :8] / np.outer(scale, scale) == pytest.approx(expected / np.outer(scale, scale), abs=2e-4)
    assert found[8, 8] == pytest.approx(usual()[1] ** 2)
    assert found[:8, 8] / scale == pytest.approx(lens[:, 0] * usual()[1] ** 2 / scale, abs=2e-4)


def focal():
    return corners_reference(PHOTO, seen(), SIZE_MM).map.focal_px


def test_clicks_that_err_scatter_as_stated():
    corners = seen()
    at = np.array([[40.0, -30.0]])
    true = corners_reference(PHOTO, corners, SIZE_MM)
    rng = np.random.default_rng(7)
    px = true.map.to_px(at)
    off = np.concatenate(
        [corners_reference(PHOTO, corners + rng.normal(0, 1.5, (4, 2)), SIZE_MM).map.to_mm(px) - at for _ in range(400)]
    )
    # Without the lens's share: k1 is 0 in all of them.
    each = true.map_cov[:8, :8] - np.outer(true.map_cov[:8, 8], true.map_cov[:8, 8]) / true.map_cov[8, 8]

    def to_mm(terms):
        matrix = np.append(terms, 1.0).reshape(3, 3)
        return PlaneMap(matrix, 0.0, true.map.centre_px, true.map.focal_px).to_mm(px)[0]

    terms = true.map.homography.ravel()[:8]
    by = np.stack(
        [(to_mm(terms + e) - to_mm(terms - e)) / (2 * np.abs(e).max()) for e in np.diag(1e-6 * np.abs(terms))], -1
    )
    stated = np.sqrt(np.diag(by @ each @ by.T))
    assert off.std(0) == pytest.approx(stated, rel=0.12)


def test_the_ruler_is_read_to_half_a_millimetre():
    # JCGM 100:2008, 4.3.7: a half-width of 0.5 mm is a standard uncertainty of 0.5 mm / sqrt(3) (common practice).
    reference = corners_reference(PHOTO, seen(), SIZE_MM)
    assert reference.size_std == pytest.approx((0.5 / np.sqrt(3) / 300, 0.5 / np.sqrt(3) / 200))
    assert reference.common_std == 0


def test_the_lens_is_supposed_as_the_fit_supposes_it():
    # 95 % of two normal distributions in equal shares lie within 1.96 of what is stated (SciPy's norm.cdf).
    reach = 1.96 * np.sqrt(corners_reference(PHOTO, seen(), SIZE_MM).map_cov[8, 8])
    kinds = zip(EITHER, (CORRECTED[1], UNCORRECTED[1]), strict=True)
    inside = sum(share * (2 * norm.cdf(reach / std) - 1) for share, std in kinds)
    assert inside == pytest.approx(0.95, abs=1e-4)


@pytest.mark.parametrize(
    ("corners", "why"),
    [
        (CORNERS[[0, 2, 1, 3]], "cross"),
        (CORNERS[::-1], "counter-clockwise"),
        (np.array([[200.0, 200], [600, 203], [1000, 200], [600, 700]]), "nearly in one line"),
        (np.array([[200.0, 200], [1000, 200], [500, 330], [200, 800]]), "one corner lies inside"),
        (CORNERS[[0, 1, 1, 3]], "on one another"),
        (CORNERS + np.array([900.0, 0.0]), "far outside the photo"),
        (CORNERS[:3], "four corners"),
        (np.where(CORNERS == 980.0, np.nan, CORNERS), "four corners"),
    ],
)
def test_corners_of_no_rectangle_are_refused(corners, why):
    with pytest.raises(UsageError, match=why) as refusal:
        corners_reference(PHOTO, corners, SIZE_MM)
    assert refusal.value.advice


@pytest.mark.parametrize("size_mm", [(200.0, 300.0), (300.0, 100.0)])
def test_a_size_that_the_corners_do_not_have_is_refused(size_mm):
    with pytest.raises(UsageError, match="not those of a rectangle"):
        corners_reference(PHOTO, seen(), size_mm)


@pytest.mark.parametrize("size_mm", [(0.0, 100.0), (300.0, -1.0), (1e6, 10.0), (float("nan"), 10.0)])
def test_an_absurd_size_is_refused(size_mm):
    with pytest.raises(UsageError, match="no use"):
        corners_reference(PHOTO, seen(), size_mm)


def test_a_corner_a_little_out_of_the_picture_will_do():
    corners = seen() - seen().min(0) + [-60.0, 40.0]
    assert corners_reference(PHOTO, corners, SIZE_MM).kind == "corners"

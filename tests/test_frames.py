"""Pixels and plan millimetres: against OpenCV, finite differences and the round trip."""

from __future__ import annotations

import cv2
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from foldtrue.frames import PlaneMap, apply_homography, homography_jacobian, rotation

H = np.array([[7.0, -1.0, 900.0], [-0.8, -7.5, 700.0], [2e-4, -1e-4, 1.0]])
POINTS = np.array([[0.0, 0.0], [40.0, -12.0], [-55.0, 33.0], [10.0, 60.0]])


def test_homography_equals_opencv():
    wanted = cv2.perspectiveTransform(POINTS[None], H)[0]
    np.testing.assert_allclose(apply_homography(H, POINTS), wanted, rtol=1e-12)


def test_homography_jacobian_equals_finite_differences():
    step = 1e-5
    wanted = np.stack(
        [(apply_homography(H, POINTS + d) - apply_homography(H, POINTS - d)) / (2 * step) for d in step * np.eye(2)], 2
    )
    np.testing.assert_allclose(homography_jacobian(H, POINTS), wanted, rtol=1e-6)


def test_lens_term_equals_opencvs_k1():
    plane = PlaneMap(H, -0.07, np.array([1000.0, 750.0]), 1500.0)
    flat = apply_homography(H, POINTS)
    camera = np.array([[1500.0, 0, 1000.0], [0, 1500.0, 750.0], [0, 0, 1]])
    rays = np.c_[(flat - [1000.0, 750.0]) / 1500.0, np.ones(len(flat))]
    wanted = cv2.projectPoints(rays, np.zeros(3), np.zeros(3), camera, np.array([-0.07, 0, 0, 0.0]))[0][:, 0]
    np.testing.assert_allclose(plane.to_px(POINTS), wanted, atol=1e-9)


def test_undistort_is_the_root_of_the_cubic():
    """r + k1 r^3 = distorted r, solved by numpy.roots: the smallest positive real root."""
    plane = PlaneMap(H, -0.07, np.array([1000.0, 750.0]), 1500.0)
    px = np.array([[200.0, 100.0], [1003.0, 750.0], [1900.0, 1400.0], [1500.0, 300.0]])
    away = px - plane.centre_px
    for point, offset in zip(px, away, strict=True):
        roots = np.roots([-0.07, 0.0, 1.0, -np.hypot(*offset) / 1500.0])
        real = roots[np.abs(roots.imag) < 1e-9].real
        wanted = plane.centre_px + offset / np.hypot(*offset) * 1500.0 * real[real > 0].min()
        np.testing.assert_allclose(plane.undistort(point[None])[0], wanted, atol=1e-8)


def test_the_lens_leaves_its_centre_where_it_is():
    plane = PlaneMap(np.eye(3), 0.1, np.array([320.0, 240.0]), 500.0)
    np.testing.assert_array_equal(plane.distort(plane.centre_px[None]), plane.centre_px[None])
    np.testing.assert_array_equal(plane.undistort(plane.centre_px[None]), plane.centre_px[None])


def test_jacobian_with_a_lens_equals_finite_differences():
    plane = PlaneMap(H, 0.09, np.array([1000.0, 750.0]), 1500.0)
    step = 1e-5
    wanted = np.stack([(plane.to_px(POINTS + d) - plane.to_px(POINTS - d)) / (2 * step) for d in step * np.eye(2)], 2)
    np.testing.assert_allclose(plane.jacobian(POINTS), wanted, rtol=1e-6)


@settings(deadline=None)
@given(k1=st.floats(-0.12, 0.12), x=st.floats(-70, 70), y=st.floats(-70, 70))
def test_there_and_back_is_where_it_was(k1, x, y):
    plane = PlaneMap(H, k1, np.array([1000.0, 750.0]), 1500.0)
    point = np.array([[x, y]])
    np.testing.assert_allclose(plane.to_mm(plane.to_px(point)), point, atol=1e-8)


@settings(deadline=None)
@given(k1=st.floats(-0.1, 0.15), x=st.floats(0, 2000), y=st.floats(0, 1500))
def test_undistorted_and_distorted_is_where_it_was(k1, x, y):
    plane = PlaneMap(H, k1, np.array([1000.0, 750.0]), 1500.0)
    px = np.array([[x, y]])
    np.testing.assert_allclose(plane.distort(plane.undistort(px)), px, atol=1e-8)


def test_a_front_view_turns_handedness_and_a_back_view_keeps_it():
    """The plan's y is up and the photo's is down: seen from the front the determinant is negative, mirrored it is
    not."""
    front = PlaneMap(H, 0.05, np.array([1000.0, 750.0]), 1500.0)
    back = PlaneMap(H @ np.diag([-1.0, 1.0, 1.0]), 0.05, np.array([1000.0, 750.0]), 1500.0)
    assert (np.linalg.det(front.jacobian(POINTS)) < 0).all()
    assert (np.linalg.det(back.jacobian(POINTS)) > 0).all()


def test_a_positive_turn_is_counter_clockwise():
    np.testing.assert_allclose(rotation(90.0) @ [1.0, 0.0], [0.0, 1.0], atol=1e-15)


@given(st.floats(-0.5, -0.01), st.floats(1.0, 50.0))
def test_a_pixel_that_no_point_is_imaged_at_still_gives_a_finite_place(k1, times):
    """Beyond r = sqrt(-1/(3 k1)) the radial polynomial turns back (its derivative 1 + 3 k1 r^2 is zero there)."""
    plane = PlaneMap(H, k1, np.array([900.0, 700.0]), 1200.0)
    far = plane.centre_px + np.array([1200.0 * times * np.sqrt(-1 / (3 * k1)), 0.0])
    assert np.isfinite(plane.undistort(far[None])).all()


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 8), st.floats(-0.05, 0.05))
def test_a_terms_field_is_how_far_the_place_read_at_a_pixel_moves(term, k1):
    plane = PlaneMap(H, k1, np.array([1000.0, 750.0]), 1500.0)
    px = plane.to_px(POINTS)
    size = np.array([7.0, 7.0, 900.0, 7.0, 7.0, 700.0, 2e-4, 2e-4, 0.02])[term] * 1e-4

    def read(step):
        terms = H.ravel().copy()
        terms[:8] += step * (np.arange(8) == term)
        return PlaneMap(terms.reshape(3, 3), k1 + step * (term == 8), plane.centre_px, plane.focal_px).to_mm(px)

    wanted = (read(size) - read(-size)) / (2 * size)
    found = plane.term_fields(POINTS)[:, :, term]
    np.testing.assert_allclose(found, wanted, rtol=1e-4, atol=1e-6 * np.abs(wanted).max())

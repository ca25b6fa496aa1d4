"""Exact pixel areas."""

from __future__ import annotations

import numpy as np
import pytest

from foldtrue.frames import Array
from foldtrue.simulate.raster import Image, Window, cells_of, outlines_of


def filled(corners: Array, height: int, width: int) -> Image:
    """Picture of a polygon whose corners run clockwise on the screen (y down)."""
    start, end = corners, np.roll(corners, -1, axis=0)
    return -cells_of(start, end, height, width).accumulated(np.ones(len(start)), (0, height), width)


def sampled(corners: Array, height: int, width: int, per_px: int) -> Array:
    """The same by counting sub-pixels in a convex polygon."""
    at = (np.arange(per_px) + 0.5) / per_px
    x = np.add.outer(np.arange(width), at).ravel()
    y = np.add.outer(np.arange(height), at).ravel()
    inside = np.ones((len(y), len(x)), bool)
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        inside &= (b[0] - a[0]) * (y[:, None] - a[1]) - (b[1] - a[1]) * (x[None] - a[0]) >= 0
    return inside.reshape(height, per_px, width, per_px).mean(axis=(1, 3))


TRIANGLE = np.array([[2.3, 1.2], [7.7, 3.1], [4.4, 8.9]])


def test_area_of_a_triangle_is_exact() -> None:
    assert filled(TRIANGLE, 10, 12).sum() == pytest.approx(18.795, rel=1e-6)


def test_every_pixel_holds_its_covered_share() -> None:
    assert filled(TRIANGLE, 10, 12) == pytest.approx(sampled(TRIANGLE, 10, 12, 64), abs=0.02)


def test_a_border_between_pixels_is_not_smeared() -> None:
    box = np.array([[2.0, 1.0], [5.0, 1.0], [5.0, 4.0], [2.0, 4.0]])
    expected = np.zeros((6, 8))
    expected[1:4, 2:5] = 1
    assert filled(box, 6, 8) == pytest.approx(expected, abs=1e-7)


def test_parts_outside_the_picture_do_not_change_what_is_inside() -> None:
    large = np.array([[-7.0, -3.5], [15.2, 2.1], [9.0, 21.0], [-12.0, 9.0]])
    inside = filled(large + np.array([20, 10]), 40, 50)[10:20, 20:32]
    assert filled(large, 10, 12) == pytest.approx(inside, abs=1e-6)


def test_strips_of_rows_join() -> None:
    cells = cells_of(TRIANGLE, np.roll(TRIANGLE, -1, axis=0), 10, 12)
    weight = np.array([0.3, 0.3, 0.3])
    whole = cells.accumulated(weight, (0, 10), 12)
    assert np.array_equal(np.vstack([cells.accumulated(weight, r, 12) for r in ((0, 4), (4, 10))]), whole)


def test_a_stroke_covers_length_times_width() -> None:
    start, end = outlines_of(np.array([[[2.0, 3.0], [14.0, 8.0]]]), 0.7)
    drawn = cells_of(start, end, 12, 18).accumulated(np.ones(4), (0, 12), 18)
    assert drawn.sum() == pytest.approx(13 * 0.7, rel=1e-6)
    assert drawn.min() > -1e-6


def test_pixel_centres_lie_at_whole_numbers() -> None:
    # Pixel (7, 5) of the photo spans 6.5..7.5; in a window that starts at pixel 6 it is the second one, 1..2.
    window = Window(6, 5, 10, 10)
    assert window.corner_coordinates(np.array([7.0, 5.0])) == pytest.approx([1.5, 0.5])

"""The plan's look slid over the picture: against correlation written out, OpenCV's, and known placements."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from foldtrue.frames import apply_homography, rotation
from foldtrue.rectify.backlit import TYPICAL_LEVELS
from foldtrue.rectify.look import Small, layer_raster
from foldtrue.rectify.place import Canvas, canvas, correlate, places, template


def field_of(value, mask=None):
    mask = np.ones_like(value) if mask is None else mask
    return Canvas((value * mask).astype(np.float32), mask.astype(np.float32), 1.0, np.zeros(2))


def test_unmasked_correlation_equals_opencvs():
    """cv2.matchTemplate, TM_CCOEFF_NORMED, over the shifts where the template lies wholly inside."""
    rng = np.random.default_rng(1)
    value, look = rng.normal(size=(50, 60)).astype(np.float32), rng.normal(size=(12, 15)).astype(np.float32)
    found = correlate(field_of(value), look, np.ones_like(look), 0.9)[11:50, 14:60]
    np.testing.assert_allclose(found, cv2.matchTemplate(value, look, cv2.TM_CCOEFF_NORMED), atol=1e-4)


@pytest.mark.parametrize(("dy", "dx"), [(0, 0), (-6, 9), (30, -5), (20, 31)])
def test_masked_correlation_is_the_plain_one_over_what_both_show(dy, dx):
    """numpy.corrcoef over the pixels that lie in both masks."""
    rng = np.random.default_rng(2)
    value, look = rng.normal(size=(40, 44)).astype(np.float32), rng.normal(size=(16, 18)).astype(np.float32)
    mask, own = (rng.random(s) < 0.7 for s in (value.shape, look.shape))
    found = correlate(field_of(value, mask), look, own.astype(np.float32), 0.02)[dy + 15, dx + 17]
    a, b = [], []
    for y in range(16):
        for x in range(18):
            if own[y, x] and 0 <= y + dy < 40 and 0 <= x + dx < 44 and mask[y + dy, x + dx]:
                a.append(value[y + dy, x + dx])
                b.append(look[y, x])
    assert found == pytest.approx(np.corrcoef(a, b)[0, 1], abs=1e-3)


def test_shifts_with_too_little_overlap_say_nothing():
    rng = np.random.default_rng(3)
    value, look = rng.normal(size=(40, 40)).astype(np.float32), rng.normal(size=(10, 10)).astype(np.float32)
    found = correlate(field_of(value), look, np.ones_like(look), 0.5)
    assert (found[:4] == 0).all()
    assert (np.abs(found) <= 1 + 1e-6).all()


def look_of(nominal, matrix, shape, mirrored=False):
    # Along edges two polygons claim one pixel, so a raster counts more layers there than the plan has.
    levels = np.array([TYPICAL_LEVELS.get(k, TYPICAL_LEVELS[5]) for k in range(64)], np.float32)
    flip = np.diag([-1.0 if mirrored else 1.0, 1.0, 1.0])
    return levels[layer_raster(nominal, matrix @ flip, shape)]


@pytest.mark.parametrize("mirrored", [False, True], ids=["front", "back"])
@pytest.mark.parametrize(("turn", "shift"), [(0.0, (0.0, 0.0)), (60.0, (25.0, -10.0))])
def test_a_placement_is_found_where_it_is(nominal, turn, shift, mirrored):
    """The plan drawn at a known turn and shift of its lattice comes out, up to its own 120 degree symmetry."""
    scale = 1.2
    base = np.array([[scale, 0, 150.0], [0, -scale, 150.0], [0, 0, 1.0]])
    motion = np.eye(3)
    motion[:2, :2], motion[:2, 2] = rotation(turn), shift
    value = look_of(nominal, base @ motion, (301, 301), mirrored)
    field = Canvas(value, np.ones_like(value), scale, np.array([150.0, 150.0]))
    best = places(field, nominal, "backlit", TYPICAL_LEVELS, mirrored)[0]
    assert best.correlation > 0.97
    assert best.turn_deg % 120 == pytest.approx(turn % 120)
    np.testing.assert_allclose(best.shift_mm, shift, atol=0.6 / scale)


def test_the_turn_by_60_degrees_that_swaps_hands_is_told_apart(nominal):
    base = np.array([[1.2, 0, 150.0], [0, -1.2, 150.0], [0, 0, 1.0]])
    value = look_of(nominal, base, (301, 301))
    field = Canvas(value, np.ones_like(value), 1.2, np.array([150.0, 150.0]))
    found = places(field, nominal, "backlit", TYPICAL_LEVELS, False)
    swapped = max(p.correlation for p in found if p.turn_deg % 120 == 60)
    assert swapped < found[0].correlation - 0.02


def test_a_template_is_the_plan_about_its_origin(nominal):
    value, mask, origin = template(nominal, TYPICAL_LEVELS, 0.0, 1.0, 5.0, False)
    assert value.shape == mask.shape
    np.testing.assert_array_equal(origin, [(value.shape[1] - 1) / 2, (value.shape[0] - 1) / 2])
    assert mask[value < TYPICAL_LEVELS[0]].all()
    assert mask.mean() < 1.0


def test_a_canvas_shows_the_picture_in_the_plans_axes():
    """A smooth ramp resampled: every canvas pixel holds the value at the picture place of its plan point."""
    y, x = np.mgrid[0:200, 0:300].astype(np.float32)
    small = Small((0.01 * x - 0.02 * y).astype(np.float32), np.zeros((200, 300, 3), np.float32), 1)
    matrix = np.array([[1.1, 0.2, 140.0], [0.1, -1.2, 90.0], [2e-4, 1e-4, 1.0]])
    field = canvas(small, matrix, 40.0, 1.0)
    rows, cols = np.nonzero(field.mask)
    mm = (np.stack([cols, rows], 1) - field.origin_px) * np.array([1.0, -1.0])
    px = apply_homography(matrix, mm)
    np.testing.assert_allclose(field.value[rows, cols], 0.01 * px[:, 0] - 0.02 * px[:, 1], atol=2e-3)


def test_what_lies_outside_the_picture_is_masked():
    small = Small(np.ones((100, 100), np.float32), np.zeros((100, 100, 3), np.float32), 1)
    field = canvas(small, np.array([[1.0, 0, 0.0], [0, -1.0, 50.0], [0, 0, 1.0]]), 30.0, 1.0)
    assert not field.mask[:, :30].any()
    assert field.mask[:, 32:].all()

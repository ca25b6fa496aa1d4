"""Parts of a card's or sheet's budget, against pieces of paper drawn at random."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from panels import folded_panel

from foldtrue.camera_place import CameraPlace
from foldtrue.fit.relief import Relief
from foldtrue.rectify.sides import Sides
from foldtrue.rectify.size_budget import Shape, places, waves_covariance

CAMERA = CameraPlace(np.array([30.0, -10.0]), 350.0, 0.0)


def rectangle(middle, size):
    half = np.array(size) / 2
    corners = np.array(middle) + half * np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]])
    lengths = np.hypot(*(np.roll(corners, -1, 0) - corners).T)
    nil = np.zeros(4)
    return Sides(corners, corners, lengths, nil, np.zeros((4, 3, 3)), nil, nil, np.ones(4, bool), 0.2, 0.0)


@pytest.mark.parametrize(("middle", "size"), [((115.0, 20.0), (54.0, 85.6)), ((8.0, -5.0), (297.0, 210.0))])
def test_waves_change_what_is_measured_beside_a_piece_as_widely_as_is_stated(middle, size):
    """Heights drawn from the process move the twists; OpenCV's homography is fitted to them, and the rectangle is read
    through it."""
    plan, shape = folded_panel(), Shape(rectangle(middle, size))
    at = places(plan)
    waves = Relief(CAMERA, 70.0, 0.2, 0.3).fields(at)
    stated = waves_covariance(shape, plan, waves)[:2, :2]
    rng, corners, found = np.random.default_rng(2), shape.points.reshape(4, -1, 2), []
    for _ in range(1500):
        # The map has a raised twist's place in the photo for its planned one; what is read through it moves back.
        seen = at + waves @ rng.normal(size=waves.shape[2])
        back, _ = cv2.findHomography(seen, at, 0)
        read = cv2.perspectiveTransform(corners.reshape(1, -1, 2), back)[0].reshape(corners.shape).mean(1)
        lengths = np.hypot(*(read[[1, 2]] - read[[3, 0]]).T)
        found.append(np.log(lengths / np.array(shape.lengths_mm)))
    assert np.std(found, 0) == pytest.approx(np.sqrt(np.diag(stated)), rel=0.1)
    assert np.corrcoef(np.transpose(found))[0, 1] == pytest.approx(
        stated[0, 1] / np.sqrt(stated[0, 0] * stated[1, 1]), abs=0.1
    )


def test_without_waves_there_is_no_term():
    shape = Shape(rectangle((115.0, 20.0), (54.0, 85.6)))
    assert not waves_covariance(shape, folded_panel(), None).any()

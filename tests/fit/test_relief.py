"""Height of the paper: against central projection by the simulator's own camera, and against its own waves."""

from __future__ import annotations

import numpy as np
import pytest

from foldtrue.camera_place import CameraPlace
from foldtrue.fit.held import FLATNESS
from foldtrue.fit.relief import WAVE_LENGTH, Relief
from foldtrue.simulate.camera import Pinhole
from foldtrue.simulate.heights import _waves
from foldtrue.simulate.scene import Camera

REACH = 70.0
WAVE_MM, BULGE_MM = FLATNESS["free"].wave_mm, FLATNESS["free"].bulge_mm
POINTS = np.array([[0.0, 0.0], [12.0, 5.0], [-40.0, 25.0], [55.0, -30.0], [54.0, -18.0]])


def test_a_raised_point_moves_as_a_camera_sees_it():
    pinhole = Pinhole(Camera(distance_mm=400.0, tilt_deg=15.0, tilt_axis_deg=40.0), 2 * REACH, "front")
    place = np.array(pinhole.seen_at(POINTS, np.full(len(POINTS), 1e-3))) - POINTS
    lines = [np.polyfit(POINTS[:, k], place[:, k], 1) for k in (0, 1)]
    foot = np.array([-level / slope for slope, level in lines])  # the point that height does not move
    camera = CameraPlace(foot, 1e-3 / float(lines[0][0]), 0.0)
    relief = Relief(camera, REACH, WAVE_MM, BULGE_MM)
    heights = relief.heights(POINTS)
    moved = np.array(pinhole.seen_at(POINTS, heights[:, 5] * 1e-3)) - POINTS
    np.testing.assert_allclose(relief.fields(POINTS)[:, :, 5] * 1e-3, moved, atol=1e-7)


def test_heights_go_together_as_the_process_says():
    heights = Relief(CameraPlace(np.zeros(2), 400.0, 0.0), REACH, WAVE_MM, BULGE_MM).heights(POINTS)
    apart = np.hypot(*(POINTS[:, None] - POINTS[None]).transpose(2, 0, 1))
    bulge = BULGE_MM * (1 - np.sum(POINTS**2, 1) / REACH**2)
    wanted = WAVE_MM**2 * np.exp(-(apart**2) / (2 * (2 * REACH * WAVE_LENGTH) ** 2)) + np.outer(bulge, bulge)
    np.testing.assert_allclose(heights @ heights.T, wanted, atol=0.03 * WAVE_MM**2)


def test_near_points_of_simulated_waves_go_together_alike():
    """To a fifth: drawn waves have 0.3 to 0.8 diameters, the process has one length."""
    apart = 0.08
    at = np.array([[0.0, 0.0], [apart, 0.0]])
    drawn = np.array([_waves(at, np.random.default_rng(seed)) for seed in range(3000)])
    assert np.corrcoef(drawn.T)[0, 1] == pytest.approx(np.exp(-(apart**2) / (2 * WAVE_LENGTH**2)), abs=0.1)

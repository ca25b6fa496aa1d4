"""The lattice alone: tilt from directions, scale from spacings, on pieces drawn at known places."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from foldtrue.frames import apply_homography, homography_jacobian, rotation
from foldtrue.rectify.by_lattice import edge_points, lattice_candidates, level_plane, plan_edge_points
from foldtrue.rectify.look import Small, layer_raster

SHAPE = (480, 640)
FOCAL = 600.0


def camera(tilt_deg, axis_deg, turn_deg, scale=3.4):
    """Pinhole homography mm -> px of a plane tilted about an axis in it; focal length FOCAL, centre of the picture."""
    axis = np.deg2rad(axis_deg)
    turn, _ = cv2.Rodrigues(np.deg2rad(tilt_deg) * np.array([np.cos(axis), np.sin(axis), 0.0]))
    flat = np.diag([1.0, -1.0]) @ rotation(turn_deg)
    distance = FOCAL / scale
    rows = np.c_[turn[:, :2] @ flat, [0.0, 0.0, distance]]
    inner = np.array([[FOCAL, 0, (SHAPE[1] - 1) / 2], [0, FOCAL, (SHAPE[0] - 1) / 2], [0, 0, 1.0]])
    matrix = inner @ rows
    return matrix / matrix[2, 2]


def drawn(nominal, matrix):
    layers = layer_raster(nominal, matrix, SHAPE)
    light = np.where(layers > 0, -0.7 - 0.25 * np.minimum(layers, 9), 0.0).astype(np.float32)
    light = cv2.GaussianBlur(light, (0, 0), 0.8)
    return Small(light, np.repeat(np.exp(light)[:, :, None], 3, 2), 1)


def test_edge_pixels_lie_on_the_edge_and_run_along_it():
    """A straight step at 20 degrees."""
    y, x = np.mgrid[0:200, 0:240].astype(np.float32)
    a = np.deg2rad(20)
    away = (x - 120) * np.sin(a) - (y - 100) * np.cos(a)
    points = edge_points(
        Small((1 / (1 + np.exp(-2 * away))).astype(np.float32), np.zeros((200, 240, 3), np.float32), 1)
    )
    strong = points.weight > 0.5 * points.weight.max()
    off = (points.xy[:, 0] - 120) * np.sin(a) - (points.xy[:, 1] - 100) * np.cos(a)
    assert strong.sum() > 150
    assert np.abs(off[strong]).max() < 1.0
    along = np.abs(points.tangent[strong] @ np.array([np.cos(a), np.sin(a)]))
    assert along.min() > 0.999


@pytest.mark.parametrize(("tilt_deg", "axis_deg"), [(0.0, 0.0), (12.0, 30.0), (24.0, 200.0)])
def test_a_tilted_plane_is_levelled(nominal, tilt_deg, axis_deg):
    """Levelled, the plan's map is a similarity: its two axes are equally long and at right angles, everywhere."""
    matrix = camera(tilt_deg, axis_deg, 17.0)
    level, _, sharp = level_plane(edge_points(drawn(nominal, matrix)), SHAPE, FOCAL)
    jac = homography_jacobian(level @ matrix, np.array([[0.0, 0.0], [35.0, 10.0], [-20.0, 30.0]]))
    values = np.linalg.svd(jac, compute_uv=False)
    assert (values[:, 0] / values[:, 1]).max() < 1.04
    assert sharp > 0.6


@pytest.mark.parametrize("tilt_deg", [0.0, 20.0])
@pytest.mark.parametrize("turn_deg", [0.0, 17.0, 43.0])
def test_the_scale_and_turn_of_the_lattice_are_found(nominal, turn_deg, tilt_deg):
    """Up to turns of 60 degrees and a shift, which the lattice cannot tell."""
    matrix = camera(tilt_deg, 65.0, turn_deg)
    starts, _ = lattice_candidates(drawn(nominal, matrix), nominal, "backlit", FOCAL)
    middle = np.array([[(SHAPE[1] - 1) / 2, (SHAPE[0] - 1) / 2]])
    off = []
    for start in starts:
        at = apply_homography(np.linalg.inv(start), middle)
        relative = np.linalg.inv(homography_jacobian(matrix, np.zeros((1, 2)))[0]) @ homography_jacobian(start, at)[0]
        size = np.sqrt(abs(np.linalg.det(relative)))
        turn = np.degrees(np.arctan2(relative[1, 0] - relative[0, 1], relative[0, 0] + relative[1, 1]))
        off.append((abs(size - 1), abs((turn + 30) % 60 - 30)))
    assert any(size < 0.02 and turn < 1.5 for size, turn in off)


def test_a_picture_without_edges_has_no_lattice(nominal):
    blank = Small(np.zeros(SHAPE, np.float32), np.ones((*SHAPE, 3), np.float32), 1)
    assert lattice_candidates(blank, nominal, "backlit", FOCAL)[0] == []


def test_points_of_the_plan_lie_on_its_edges_evenly(nominal):
    points, direction = plan_edge_points(nominal, "backlit", 2.0)
    s = nominal.views["backlit"]
    seen = (s.layers_left != s.layers_right) & (s.t1 > s.t0)
    ends = nominal.vertices_mm[nominal.creases.ends[s.crease[seen]]]
    d = ends[:, 1] - ends[:, 0]
    total = np.sum(np.hypot(*d.T) * (s.t1 - s.t0)[seen])
    assert total / 2.0 <= len(points) < total / 2.0 + seen.sum()
    normal = np.stack([-d[:, 1], d[:, 0]], 1) / np.hypot(*d.T)[:, None]
    off = np.abs(np.einsum("nkj,kj->nk", points[:, None] - ends[None, :, 0], normal))
    assert off.min(1).max() < 1e-9
    # Lattice theorem: every fold edge runs at a multiple of 30 degrees.
    inside = np.hypot(*points.T) < 0.5 * np.hypot(*nominal.outline_mm.T).max()
    steps = np.degrees(direction[inside]) / 30
    np.testing.assert_allclose(steps, np.rint(steps), atol=1e-9)

"""The piece found by its silhouette: drawn pieces at known places."""

from __future__ import annotations

import numpy as np
import pytest

from foldtrue.frames import apply_homography, rotation
from foldtrue.rectify.by_outline import convex_hull, outline_candidates
from foldtrue.rectify.look import Small, layer_raster


def drawn(nominal, matrix, shape=(480, 640), slope=0.0):
    """A dark piece on a bright table; slope: how much the table darkens across the picture."""
    layers = layer_raster(nominal, matrix, shape)
    table = 0.9 - slope * np.linspace(0, 1, shape[1])[None, :]
    rgb = np.repeat((table * np.where(layers > 0, 0.5 * 0.9**layers, 1.0))[:, :, None], 3, 2).astype(np.float32)
    return Small(np.log(rgb[:, :, 0]), rgb, 1)


def seen_at(turn_deg, tilt=0.0):
    matrix = np.array([[2.5, 0, 320.0], [0, -2.5, 240.0], [0, 0, 1.0]])
    motion = np.eye(3)
    motion[:2, :2] = rotation(turn_deg)
    motion[2, :2] = [tilt, -tilt / 2]
    return matrix @ motion


def nearest(nominal, found, matrix):
    """Largest distance (px) of the outline's corners from where they are, for the best candidate and any vertex order
    of a hexagon."""
    hull = convex_hull(nominal.outline_mm)
    wanted = apply_homography(matrix, hull)
    off = []
    for fit in found:
        corners = apply_homography(fit.matrix, hull)
        distance = np.hypot(*(corners[:, None] - wanted[None]).transpose(2, 0, 1))
        off.append(distance.min(1).max())
    return min(off)


@pytest.mark.parametrize("turn_deg", [0.0, 20.0, 50.0, 145.0])
@pytest.mark.parametrize("tilt", [0.0, 1.5e-3], ids=["level", "tilted"])
def test_a_drawn_piece_is_found_to_two_pixels(nominal, turn_deg, tilt):
    matrix = seen_at(turn_deg, tilt)
    found = outline_candidates(drawn(nominal, matrix), nominal.outline_mm, mirrored=False)
    assert nearest(nominal, found, matrix) < 2.0


def test_the_true_turn_is_among_the_candidates(nominal):
    matrix = seen_at(33.0)
    found = outline_candidates(drawn(nominal, matrix), nominal.outline_mm, mirrored=False)
    wanted = apply_homography(matrix, nominal.vertices_mm)
    assert min(np.abs(apply_homography(f.matrix, nominal.vertices_mm) - wanted).max() for f in found) < 2.5


def test_a_table_lit_unevenly_does_not_hide_it(nominal):
    matrix = seen_at(10.0)
    found = outline_candidates(drawn(nominal, matrix, slope=0.35), nominal.outline_mm, mirrored=False)
    assert nearest(nominal, found, matrix) < 2.5


def test_seen_from_behind_the_candidates_are_mirrored(nominal):
    flip = np.diag([-1.0, 1.0, 1.0])
    matrix = seen_at(20.0) @ flip
    found = outline_candidates(drawn(nominal, matrix), nominal.outline_mm, mirrored=True)
    assert nearest(nominal, found, matrix) < 2.0
    assert all(np.linalg.det(f.matrix[:2, :2]) > 0 for f in found)


def test_a_piece_cut_by_the_pictures_edge_is_left_to_the_lattice(nominal):
    matrix = np.array([[1.0, 0, -200.0], [0, 1.0, 0], [0, 0, 1.0]]) @ seen_at(10.0)
    assert outline_candidates(drawn(nominal, matrix), nominal.outline_mm, mirrored=False) == []


def test_an_empty_table_has_no_outline(nominal):
    rgb = np.full((240, 320, 3), 0.8, np.float32)
    assert outline_candidates(Small(np.log(rgb[:, :, 0]), rgb, 1), nominal.outline_mm, mirrored=False) == []


def test_convex_hull_equals_shapes_own_corners():
    """A square with points inside and on its sides keeps its four corners, counter-clockwise."""
    points = np.array([[0, 0], [4, 0], [4, 4], [0, 4], [2, 2], [1, 3], [3, 1]], float)
    hull = convex_hull(points)
    assert sorted(map(tuple, hull)) == [(0, 0), (0, 4), (4, 0), (4, 4)]
    area = np.sum(hull[:, 0] * np.roll(hull[:, 1], -1) - np.roll(hull[:, 0], -1) * hull[:, 1]) / 2
    assert area == pytest.approx(16.0)

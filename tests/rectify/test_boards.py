"""The mat's way of locating squares on two photographs of printed boards, beside OpenCV's.

Pictures and cameras of the ArUco tutorials of OpenCV (Apache-2.0; 640 x 480 px): a ChArUco board of 5 x 7 squares of
40 mm (size from memory; it goes into nothing but the pose's unit), and a grid board of 5 x 7 markers, of 40 mm if the
ChArUco board's squares are. The judge of the first is the camera as published, which neither way has seen: RMS distance
of the corners from those of the flat board in its best pose (cv2.solvePnP), six numbers fitted to 24 corners. The
camera published beside the second does not explain that picture by anybody's corners; there the judge is a flat board
(cv2.findHomography, eight numbers to 140 corners), whose gaps of 8 mm the picture itself says.
"""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from foldtrue.photo import read_photo
from foldtrue.rectify.mat_fit import _from_markers
from foldtrue.rectify.mat_marks import Markers, light_of, measure_straight

FOLDER = Path(os.environ.get("FOLDTRUE_PHOTOS", "nowhere"), "real", "references")
COLUMNS, ROWS, SIDE_MM, GAP_MM = 5, 7, 40.0, 8.0
SQUARE = np.array([[0.0, 0], [1, 0], [1, -1], [0, -1]]) * SIDE_MM
"""Corners of a marker from its top left, clockwise as its face is seen; y up."""
pytestmark = pytest.mark.skipif(not FOLDER.is_dir(), reason="FOLDTRUE_PHOTOS has no boards")


@cache
def photo(name):
    return read_photo(FOLDER / name)


def grey(name):
    return cv2.cvtColor(photo(name).pixels, cv2.COLOR_RGB2GRAY)


def off_plane_px(mm, px, camera):
    """RMS distance of places px (N, 2) from those of the board's mm (N, 2) in its best pose before this camera."""
    file = cv2.FileStorage(str(FOLDER / camera), cv2.FILE_STORAGE_READ)
    matrix, lens = (file.getNode(name).mat() for name in ("camera_matrix", "distortion_coefficients"))
    solid = np.column_stack([mm, np.zeros(len(mm))])
    found, turn, shift = cv2.solvePnP(solid, px, matrix, lens)
    assert found
    seen = cv2.projectPoints(solid, turn, shift, matrix, lens)[0].reshape(-1, 2)
    return float(np.sqrt(np.mean(np.sum((seen - px) ** 2, 1))))


def moved_by_sides(name, mm, rough, ends, free_mm):
    """Corners (N, 2) px, each moved as the sides that start there say; ends: (N, S, 2) mm of those sides' other ends.
    Which side of them is dark is not told."""
    plane_map = _from_markers(photo(name), Markers(None, mm, rough))
    starts, other = np.repeat(mm, ends.shape[1], 0), ends.reshape(-1, 2)
    light = light_of(photo(name))
    ways = [measure_straight(light, *pair, free_mm, plane_map) for pair in ((starts, other), (other, starts))]
    seen = (ways[0].seen | ways[1].seen).reshape(len(mm), -1)
    normal = np.where(ways[0].seen[:, None], ways[0].normal_px, ways[1].normal_px).reshape(len(mm), -1, 2)
    offset = np.where(ways[0].seen, ways[0].offset_px, ways[1].offset_px).reshape(len(mm), -1)
    whole = seen.sum(1) >= 2
    places = plane_map.to_px(mm)
    for k in np.flatnonzero(whole):
        places[k] += np.linalg.lstsq(normal[k, seen[k]], offset[k, seen[k]], rcond=None)[0]
    return places, whole


@cache
def charuco():
    """mm (N, 2) of the inner corners, OpenCV's places and ours."""
    name = "charuco_desk.jpg"
    board = cv2.aruco.CharucoBoard(
        (COLUMNS, ROWS), SIDE_MM, SIDE_MM / 2, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_250)
    )
    corners, ids, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(grey(name))
    mm = board.getChessboardCorners()[ids.ravel(), :2].astype(float) * [1, -1]
    theirs = corners.reshape(-1, 2).astype(float)
    ends = mm[:, None] + SIDE_MM * np.array([[1.0, 0], [0, 1], [-1, 0], [0, -1]])
    ours, whole = moved_by_sides(name, mm, theirs, ends, SIDE_MM / 4)
    assert whole.all()
    return mm, theirs, ours


def _in_order(quads):
    """Column and row (M, 2) of the quadrilaterals (M, 4, 2) px that bound the markers, by the board's four outermost,
    and their corners from the top left, clockwise."""
    middle = quads.mean(1)
    across, down = middle @ [1, 1], middle @ [1, -1]
    outer = middle[[across.argmin(), down.argmax(), across.argmax(), down.argmin()]]
    last = np.array([COLUMNS - 1, ROWS - 1])
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * last
    matrix, _ = cv2.findHomography(outer, corners.astype(float))
    place = np.rint(cv2.perspectiveTransform(middle[None], matrix)[0]).astype(int)
    assert sorted(map(tuple, place.tolist())) == [(c, r) for c in range(COLUMNS) for r in range(ROWS)]
    around = cv2.perspectiveTransform(quads.reshape(1, -1, 2), matrix).reshape(quads.shape)
    first = around.sum(2).argmin(1)
    px = np.stack([np.roll(quad, -k, 0) for quad, k in zip(quads, first, strict=True)])
    return place, px


@cache
def markers(gap_mm=GAP_MM):
    """mm and px (4 M, 2) of the corners of the markers that OpenCV's detector takes for candidates. They are of no
    dictionary that it has now, so the board is put together by where they lie."""
    words = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_250)
    _, _, refused = cv2.aruco.ArucoDetector(words).detectMarkers(grey("aruco_grid.png"))
    quads = np.array([quad for quad in refused if cv2.contourArea(quad) > 500], float).reshape(-1, 4, 2)
    place, px = _in_order(quads)
    mm = (place * [1, -1] * (SIDE_MM + gap_mm))[:, None] + SQUARE
    return mm.reshape(-1, 2), px.reshape(-1, 2)


def refined(px, window):
    """OpenCV's corners in a window of this half-width, as its detector refines them."""
    start = px.reshape(-1, 1, 2).astype(np.float32)
    return cv2.cornerSubPix(grey("aruco_grid.png"), start, (window, window), (-1, -1), (3, 50, 1e-4)).reshape(-1, 2)


@cache
def grid():
    """mm (N, 2) of the corners of which both sides are seen, and our places."""
    mm, rough = markers()
    corners = mm.reshape(-1, 4, 2)
    ends = np.stack([np.roll(corners, -1, 1), np.roll(corners, 1, 1)], 2).reshape(-1, 2, 2)
    ours, whole = moved_by_sides("aruco_grid.png", mm, refined(rough, 2), ends, SIDE_MM / 8)
    return mm[whole], ours[whole]


def off_flat_px(mm, px):
    """RMS distance of places px (N, 2) from those of a flat board that a camera without a lens term sees."""
    matrix, _ = cv2.findHomography(mm, px.astype(float), 0)
    return float(np.sqrt(np.mean(np.sum((cv2.perspectiveTransform(mm[None], matrix)[0] - px) ** 2, 1))))


def test_every_mark_of_both_boards_is_found():
    assert len(charuco()[0]) == (COLUMNS - 1) * (ROWS - 1)
    assert len(grid()[0]) == 4 * COLUMNS * ROWS


def test_a_published_camera_explains_our_corners_better_than_the_detectors():
    """0.15 px against 0.22 px of OpenCV's ChArUco detector."""
    mm, theirs, ours = charuco()
    theirs_px, ours_px = (off_plane_px(mm, px, "charuco_camera.yml") for px in (theirs, ours))
    assert ours_px < 0.16
    assert ours_px < 0.75 * theirs_px


def test_our_corners_are_those_of_a_flat_board_of_markers():
    """0.19 px against 0.52 px of OpenCV's corners in the best of its windows; gaps of 10 px leave a window little."""
    mm, ours = grid()
    every, rough = markers()
    best = min(off_flat_px(every, refined(rough, window)) for window in (1, 2, 3, 4, 5))
    assert off_flat_px(mm, ours) < 0.25
    assert off_flat_px(mm, ours) < 0.5 * best


def test_the_boards_gaps_are_those_that_opencvs_own_corners_say():
    off = {gap: off_flat_px(markers(gap)[0], refined(markers(gap)[1], 3)) for gap in (6.0, 7.0, 8.0, 9.0, 10.0)}
    assert min(off, key=off.get) == GAP_MM


def test_the_camera_published_beside_the_markers_is_no_judge_of_them():
    """Over 1.5 px by either's corners, eight times what a flat board leaves."""
    every, rough = markers()
    for mm, px in (grid(), (every, refined(rough, 3))):
        assert off_plane_px(mm, px.astype(float), "aruco_camera.yml") > 1.5

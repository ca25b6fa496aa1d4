"""The mat's geometry against OpenCV's own drawing and detector of ChArUco boards (the outside reference)."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from foldtrue.mat import MATS, board, corner_places, dark_rectangles, dictionary, marker_places, square_edges

PX_PER_MM = 10
"""Every rectangle of every mat begins and ends on whole px then."""


@pytest.fixture(params=MATS.values(), ids=MATS)
def mat(request):
    return request.param


def drawn(mat, margin_px=0):
    across, down = mat.board_mm
    picture = np.full((round(down * PX_PER_MM), round(across * PX_PER_MM)), 255, np.uint8)
    for x0, y0, x1, y1 in dark_rectangles(mat):
        columns = np.rint((np.array([x0, x1]) + across / 2) * PX_PER_MM).astype(int)
        rows = np.rint((down / 2 - np.array([y1, y0])) * PX_PER_MM).astype(int)
        picture[slice(*rows), slice(*columns)] = 0
    return cv2.copyMakeBorder(picture, *4 * [margin_px], cv2.BORDER_CONSTANT, value=255)


def test_the_frame_is_drawn_as_opencv_draws_it(mat):
    across, down = (round(side * PX_PER_MM) for side in mat.board_mm)
    theirs = board(mat).generateImage((across, down), marginSize=0, borderBits=1)
    frame = np.ones_like(theirs, bool)
    inner = round(2 * mat.square_mm * PX_PER_MM)
    frame[inner:-inner, inner:-inner] = False
    assert not ((theirs > 127) != (drawn(mat) > 127))[frame].any()


def test_opencv_finds_every_corner_where_the_mat_has_it(mat):
    number, places = corner_places(mat)
    margin = 5 * PX_PER_MM
    found, ids, _, _ = cv2.aruco.CharucoDetector(board(mat)).detectBoard(
        cv2.GaussianBlur(drawn(mat, margin), (0, 0), 1.0)
    )
    at = dict(zip(ids.ravel().tolist(), found.reshape(-1, 2), strict=True))
    assert set(number.tolist()) <= set(at)
    px = np.array([at[n] for n in number]) - margin + 0.5  # pixel centres at whole numbers
    across, down = mat.board_mm
    mm = np.stack([px[:, 0] / PX_PER_MM - across / 2, down / 2 - px[:, 1] / PX_PER_MM], 1)
    assert np.abs(mm - places).max() < 0.01


def test_opencv_reads_every_printed_marker(mat):
    number, corners = marker_places(mat)
    detector = cv2.aruco.ArucoDetector(dictionary())
    _, ids, _ = detector.detectMarkers(drawn(mat, 5 * PX_PER_MM))
    assert sorted(ids.ravel().tolist()) == sorted(number.tolist())
    assert np.allclose(np.hypot(*(corners[:, 1] - corners[:, 0]).T), mat.marker_mm)


def test_every_paper_has_markers_of_its_own():
    ranges = [range(m.first_id, m.first_id + m.marker_count) for m in MATS.values()]
    assert sum(map(len, ranges)) == len(set().union(*ranges))
    assert max(r.stop for r in ranges) <= 1000  # numbers in the dictionary


def test_frame_and_bars_leave_the_margin_that_printers_need(mat):
    """5 mm on every side (common practice, no source); the bars lie half way between frame and paper's edge."""
    for paper, frame, bar in zip(mat.paper_mm, mat.board_mm, mat.bars_mm, strict=True):
        assert (paper - frame) / 2 >= 9.9
        assert bar <= frame


def test_sides_of_dark_squares_have_dark_on_the_right_and_white_on_the_left(mat):
    """Read off the drawing, a millimetre to either side of the middle; none along the free place."""
    start, end = square_edges(mat)
    assert np.allclose(np.hypot(*(end - start).T), mat.square_mm)

    picture, margin = drawn(mat, 5 * PX_PER_MM), 5.0
    left = np.stack([-(end - start)[:, 1], (end - start)[:, 0]], 1) / mat.square_mm
    for side, bright in ((1.0, True), (-1.0, False)):
        at = (start + end) / 2 + side * left
        across, down = mat.board_mm
        x = np.rint((at[:, 0] + across / 2 + margin) * PX_PER_MM).astype(int)
        y = np.rint((down / 2 - at[:, 1] + margin) * PX_PER_MM).astype(int)
        assert ((picture[y, x] > 127) == bright).all()
    beyond = np.abs((start + end) / 2) - np.array(mat.free_mm) / 2
    assert not ((np.abs(beyond) < 1e-9).any(1) & (beyond < 1e-9).all(1)).any()

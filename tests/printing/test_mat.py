"""The printed mat, rasterised by a PDF library of its own (PDFium) and read back: true sizes and markers."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pypdfium2
import pytest
from click.testing import CliRunner

from foldtrue.cli import foldtrue
from foldtrue.mat import MATS, board, corner_places, dictionary, marker_places
from foldtrue.printing.mat import CUT_MM, STROKE_MM, bar_ends, mat_pdf

PX_PER_MM = 10
TOLERANCE_MM = 0.1
"""What a print at 100 % may be off by on the page itself."""


@cache
def page(paper, number=0, cut_out=False):
    """Grey picture of a page at PX_PER_MM."""
    document = pypdfium2.PdfDocument(mat_pdf(MATS[paper], cut_out=cut_out))
    try:
        return document[number].render(scale=PX_PER_MM * 25.4 / 72, grayscale=True).to_numpy().squeeze()
    finally:
        document.close()


def scale(mat):
    """(2,) px per mm along x and y: PDFium rounds a page up to whole px and stretches it by so much."""
    return np.array(page(mat.paper).shape[::-1]) / mat.paper_mm


def to_px(mat, x, y):
    """mm about the paper's middle, y up -> px of the picture, pixel centres at whole numbers."""
    (width, height), (across, down) = mat.paper_mm, scale(mat)
    return (np.asarray(x) + width / 2) * across - 0.5, (height / 2 - np.asarray(y)) * down - 0.5


def to_mm(mat, px):
    (width, height), (across, down) = mat.paper_mm, scale(mat)
    return np.stack([(px[:, 0] + 0.5) / across - width / 2, height / 2 - (px[:, 1] + 0.5) / down], 1)


@pytest.fixture(params=MATS.values(), ids=MATS)
def mat(request):
    return request.param


def test_the_page_has_the_papers_size(mat):
    width, height = mat.paper_mm
    assert np.allclose(page(mat.paper).shape, [height * PX_PER_MM, width * PX_PER_MM], atol=1)


def test_bars_are_as_long_as_designed_from_stroke_to_stroke(mat):
    for designed, (x0, y0, x1, y1) in zip(mat.bars_mm, bar_ends(mat), strict=True):
        # Across the end strokes, beside the bar itself, on the frame's side.
        along = np.array([x1 - x0, y1 - y0]) / np.hypot(x1 - x0, y1 - y0)
        inward = np.array([abs(along[1]), abs(along[0])]) * 2.5
        places = []
        for x, y in ((x0, y0), (x1, y1)):
            step = np.arange(-1.0, 1.0, 0.05)
            px, py = to_px(mat, x + step * along[0] + inward[0], y + step * along[1] + inward[1])
            dark = (
                255.0
                - cv2.remap(
                    page(mat.paper).astype(np.float32),
                    px[None].astype(np.float32),
                    py[None].astype(np.float32),
                    cv2.INTER_LINEAR,
                ).ravel()
            )
            assert dark.sum() * 0.05 / 255 == pytest.approx(STROKE_MM, abs=0.05)
            places.append(np.array([x, y]) @ along + float(dark @ step / dark.sum()))
        assert abs(places[1] - places[0] - designed) < TOLERANCE_MM


def test_markers_are_where_the_geometry_has_them(mat):
    number, corners = marker_places(mat)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    parameters.cornerRefinementWinSize = 4
    found, ids, _ = cv2.aruco.ArucoDetector(dictionary(), parameters).detectMarkers(page(mat.paper))
    assert sorted(ids.ravel().tolist()) == sorted(number.tolist())
    at = dict(zip(ids.ravel().tolist(), found, strict=True))
    seen = np.array([to_mm(mat, at[n].reshape(4, 2)) for n in number.tolist()])
    assert np.abs(seen - corners).max() < TOLERANCE_MM


def test_opencv_reads_the_rasterised_board(mat):
    number, places = corner_places(mat)
    found, ids, _, _ = cv2.aruco.CharucoDetector(board(mat)).detectBoard(cv2.GaussianBlur(page(mat.paper), (0, 0), 1.0))
    at = dict(zip(ids.ravel().tolist(), found.reshape(-1, 2), strict=True))
    assert set(number.tolist()) <= set(at)
    assert np.abs(to_mm(mat, np.array([at[n] for n in number.tolist()])) - places).max() < TOLERANCE_MM


def test_the_free_place_is_left_blank(mat):
    (width, height), picture = mat.free_mm, page(mat.paper)
    (left, right), (bottom, top) = to_px(mat, [-width / 2, width / 2], [-height / 2, height / 2])
    assert picture[round(top) + 2 : round(bottom) - 1, round(left) + 2 : round(right) - 1].min() == 255


def test_the_cut_line_runs_inside_the_free_place(mat):
    added = page(mat.paper).astype(int) - page(mat.paper, cut_out=True)
    below = 80 * PX_PER_MM  # the words in the top margin
    rows, columns = np.nonzero(added[below:] > 100)
    at = to_mm(mat, np.stack([columns, rows + below], 1).astype(float))
    half = np.array(mat.free_mm) / 2 - CUT_MM
    on_right, on_bottom = at[np.abs(at[:, 1]) < 30, 0], at[np.abs(at[:, 0]) < 30, 1]
    assert np.median(on_right[on_right > 0]) == pytest.approx(half[0], abs=TOLERANCE_MM)
    assert np.median(on_bottom) == pytest.approx(-half[1], abs=TOLERANCE_MM)


def test_the_same_mat_is_the_same_file(mat):
    assert mat_pdf(mat, cut_out=True) == mat_pdf(mat, cut_out=True)


def text(paper, number, cut_out=False):
    document = pypdfium2.PdfDocument(mat_pdf(MATS[paper], cut_out=cut_out))
    try:
        return " ".join(document[number].get_textpage().get_text_range().split())
    finally:
        document.close()


def test_instructions_say_how_to_print_and_what_is_dangerous():
    plain, frame = text("A4", 1), text("A4", 1, cut_out=True)
    for words in ("100 %", "--bars 180,260", "flat", "Hot lamps", "not a certified measurement"):
        assert words in plain
        assert words in frame
    assert "Blades" in frame
    assert "Blades" not in plain


def test_the_mat_page_shows_up_and_the_designed_lengths():
    words = text("Letter", 0)
    assert "UP" in words
    assert "designed 180 mm" in words
    assert "designed 240 mm" in words


def test_all_words_stay_on_the_paper(mat):
    for number in (0, 1):
        for cut_out in (False, True):
            picture = page(mat.paper, number, cut_out)
            margin = 3 * PX_PER_MM
            inner = picture[margin:-margin, margin:-margin]
            assert (picture < 200).sum() == (inner < 200).sum()


def test_the_command_writes_the_file(tmp_path):
    out = tmp_path / "mat.pdf"
    done = CliRunner().invoke(foldtrue, ["mat", "--paper", "letter", "--out", str(out)])
    assert done.exit_code == 0, done.output
    assert out.read_bytes() == mat_pdf(MATS["Letter"])
    assert "180 and 240 mm" in done.output

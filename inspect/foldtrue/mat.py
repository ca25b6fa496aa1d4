"""The printed mat's geometry: a frame of chessboard squares with markers around a free place for the piece.

The mat's frame: origin at the middle of the paper, x right, y up as the up mark points, mm as designed; printers are
off by a per cent or so, which the two bars' measured lengths correct. The frame is two squares wide, so that a line of
chessboard corners runs all round in its middle, each between two markers. Markers, their bits and the order of the
squares are those of OpenCV's ChArUco boards (Garrido-Jurado et al., Pattern Recognition 47 (2014) 2280 [from memory]);
every paper has marker numbers of its own, so that a photo tells which mat it shows.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import BoolArray, IntArray
from foldtrue.sizes import A3_MM, A4_MM, LETTER_MM

MatPaper = Literal["A4", "A3", "Letter"]
RING = 2
"""Width of the frame, in squares."""
BITS = 5
"""Markers carry 5 x 5 bits and a dark border one bit wide."""


@dataclass(frozen=True)
class Mat:
    """One mat. paper_mm: width and height, upright. squares: (columns, rows) of the whole board, of which only the
    outer two rows and columns are printed. square_mm, marker_mm: sides. first_id: number of the first marker. bars_mm:
    lengths of the bar along the bottom and of the one along the left side."""

    paper: MatPaper
    paper_mm: tuple[float, float]
    squares: tuple[int, int]
    square_mm: float
    marker_mm: float
    first_id: int
    bars_mm: tuple[float, float]

    @property
    def board_mm(self) -> tuple[float, float]:
        """Width and height of the frame's outside."""
        return self.squares[0] * self.square_mm, self.squares[1] * self.square_mm

    @property
    def free_mm(self) -> tuple[float, float]:
        """Width and height of the free place in the middle."""
        return (self.squares[0] - 2 * RING) * self.square_mm, (self.squares[1] - 2 * RING) * self.square_mm

    @property
    def marker_count(self) -> int:
        """Markers of the whole board, the ones in the free place among them, which are not printed."""
        return (self.squares[0] * self.squares[1]) // 2


MATS: dict[MatPaper, Mat] = {
    "A4": Mat("A4", A4_MM, (19, 27), 10.0, 7.0, 0, (180.0, 260.0)),
    "Letter": Mat("Letter", LETTER_MM, (19, 25), 10.0, 7.0, 260, (180.0, 240.0)),
    "A3": Mat("A3", A3_MM, (19, 27), 14.0, 9.8, 500, (260.0, 370.0)),
}


def dictionary() -> Any:
    """OpenCV's dictionary of 1000 markers of 5 x 5 bits."""
    import cv2

    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)


def board(mat: Mat) -> Any:
    """The whole board as OpenCV's detector wants it."""
    import cv2

    ids = np.arange(mat.first_id, mat.first_id + mat.marker_count, dtype=np.int32)
    return cv2.aruco.CharucoBoard(mat.squares, mat.square_mm, mat.marker_mm, dictionary(), ids)


def corner_places(mat: Mat) -> tuple[IntArray, Array]:
    """Numbers (N,) on OpenCV's board, and places (N, 2) mm, of the printed frame's chessboard corners."""
    columns, rows = mat.squares
    x, y = np.meshgrid(np.arange(1, columns), np.arange(1, rows))
    number = ((y - 1) * (columns - 1) + (x - 1)).ravel()
    printed = _printed(mat)
    # A corner shows where all four squares around it are printed.
    whole = printed[:-1, :-1] & printed[:-1, 1:] & printed[1:, :-1] & printed[1:, 1:]
    places = _place(mat, np.stack([x.ravel(), y.ravel()], 1).astype(float))
    return number[whole.ravel()], places[whole.ravel()]


def marker_places(mat: Mat) -> tuple[IntArray, Array]:
    """Numbers (K,) of the printed markers and their corners (K, 4, 2) mm, clockwise from the top left as printed."""
    column, row = _marker_squares(mat)
    printed = _printed(mat)[row, column]
    margin = (mat.square_mm - mat.marker_mm) / 2 / mat.square_mm
    turn = np.array([[margin, margin], [1 - margin, margin], [1 - margin, 1 - margin], [margin, 1 - margin]])
    at = np.stack([column, row], 1)[:, None, :] + turn
    ids = mat.first_id + np.arange(len(column))
    return ids[printed], _place(mat, at)[printed]


def square_edges(mat: Mat) -> tuple[Array, Array]:
    """Starts and ends (E, 2) mm of the dark squares' sides that have white paper beside them, the white on the left of
    the way. The sides along the free place are left out: there a piece, its shadow or a cut may lie close by."""
    dark, printed = _printed(mat) & ~_is_marker(mat), _printed(mat)
    rows, columns = dark.shape
    starts, ends = [], []
    # Seen with y down, counter-clockwise on the paper: white on the right in the drawing is on the left with y up.
    for (down, right), a, b in (
        ((-1, 0), (0, 0), (1, 0)),
        ((0, 1), (1, 0), (1, 1)),
        ((1, 0), (1, 1), (0, 1)),
        ((0, -1), (0, 1), (0, 0)),
    ):
        for row, column in np.argwhere(dark).tolist():
            r, c = row + down, column + right
            if 0 <= r < rows and 0 <= c < columns and not printed[r, c]:
                continue
            starts.append([column + a[0], row + a[1]])
            ends.append([column + b[0], row + b[1]])
    return _place(mat, np.array(starts, float)), _place(mat, np.array(ends, float))


def dark_rectangles(mat: Mat) -> Array:
    """(R, 4) mm: x0, y0, x1, y1 of all dark rectangles of the frame, squares and marker bits; they touch but do not
    overlap. Bits that lie side by side in a row are one rectangle."""
    row, column = np.nonzero(_printed(mat) & ~_is_marker(mat))
    corner = np.stack([column, row], 1).astype(float)
    parts = [np.concatenate([_place(mat, corner), _place(mat, corner + 1)], 1)]
    ids, corners = marker_places(mat)
    cell = mat.marker_mm / (BITS + 2)
    for number, (top_left, *_) in zip(ids, corners, strict=True):
        bits = np.zeros((BITS + 2, BITS + 2), bool)
        bits[1:-1, 1:-1] = dictionary().generateImageMarker(int(number), BITS + 2)[1:-1, 1:-1] > 127
        parts.append(_dark_runs(bits, top_left, cell))
    x0, ya, x1, yb = np.concatenate(parts).T
    return np.stack([x0, np.minimum(ya, yb), x1, np.maximum(ya, yb)], 1)


def _dark_runs(bright: BoolArray, top_left: Array, cell: float) -> Array:
    rows = []
    for k, line in enumerate(bright):
        step = np.flatnonzero(np.diff(np.concatenate([[1], line.astype(int), [1]])))
        for start, stop in step.reshape(-1, 2):
            rows.append([start, -k, stop, -k - 1])
    return np.asarray(np.tile(top_left, 2) + cell * np.array(rows, float))


def _is_marker(mat: Mat) -> BoolArray:
    """(rows, columns): whether each square is bright and carries a marker; the top left one is dark."""
    rows, columns = np.indices(mat.squares[::-1])
    return np.asarray((rows + columns) % 2 == 1)


def _marker_squares(mat: Mat) -> tuple[IntArray, IntArray]:
    row, column = np.nonzero(_is_marker(mat))
    return column, row


def _printed(mat: Mat) -> BoolArray:
    rows, columns = np.indices(mat.squares[::-1])
    inside = (np.minimum(rows, columns) >= RING) & (rows < mat.squares[1] - RING) & (columns < mat.squares[0] - RING)
    return np.asarray(~inside)


def _place(mat: Mat, squares_from_top_left: Array) -> Array:
    """Squares counted right and down from the board's top left corner -> mm from its middle, y up."""
    across, down = mat.board_mm
    at = squares_from_top_left * mat.square_mm
    return np.stack([at[..., 0] - across / 2, down / 2 - at[..., 1]], -1)

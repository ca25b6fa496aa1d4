"""A drawing larger than the paper: pages that overlap, the marks that join them, and the page that shows how."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import ceil

import numpy as np

from foldtrue.printing.cautions import BLADE
from foldtrue.printing.drawing import Drawing, Mark, Page, Stroke, Window, Words
from foldtrue.printing.layout import FOOT_MM, MARGIN_MM, control_line, heading, key_and_cautions, placed, reduced
from foldtrue.printing.twist_marks import label
from foldtrue.printing.words import fitted

OVERLAP_MM = 10.0
_HEAD_MM = 13.0
_CROSS_MM, _RING_MM = 4.0, 2.0
_THIN_MM = 0.1
MOST_PAGES = 400


@dataclass(frozen=True)
class Tiling:
    """How a drawing is cut up. paper: width and height of a page. columns, rows: how many. start: (x, y) of the
    drawing at the left and top of the first tile. tile: width and height of one."""

    paper: tuple[float, float]
    columns: int
    rows: int
    start: tuple[float, float]
    tile: tuple[float, float]

    @property
    def pages(self) -> int:
        return self.columns * self.rows

    def box(self, row: int, column: int) -> tuple[float, float, float, float]:
        """The part (x0, y0, x1, y1) of the drawing on a page; rows count downwards from 0."""
        x = self.start[0] + column * (self.tile[0] - OVERLAP_MM)
        y = self.start[1] - row * (self.tile[1] - OVERLAP_MM)
        return x, y - self.tile[1], x + self.tile[0], y


def cut_up(drawing: Drawing, paper: tuple[float, float]) -> Tiling:
    """The tiling with the fewest pages, the paper upright or on its side."""
    upright, lying = (_tiling(drawing, size) for size in (paper, paper[::-1]))
    return upright if upright.pages <= lying.pages else lying


def _tiling(drawing: Drawing, paper: tuple[float, float]) -> Tiling:
    tile = (paper[0] - 2 * MARGIN_MM, paper[1] - 2 * MARGIN_MM - _HEAD_MM - FOOT_MM)
    counts = [
        max(1, ceil((size - OVERLAP_MM) / (part - OVERLAP_MM) - 1e-9))
        for size, part in zip(drawing.size_mm, tile, strict=True)
    ]
    whole = [n * (part - OVERLAP_MM) + OVERLAP_MM for n, part in zip(counts, tile, strict=True)]
    middle = [(a + b) / 2 for a, b in zip(drawing.low, drawing.high, strict=True)]
    start = (middle[0] - whole[0] / 2, middle[1] + whole[1] / 2)
    return Tiling(paper, counts[0], counts[1], start, tile)


def tiled_pages(drawing: Drawing, tiling: Tiling) -> tuple[Page, ...]:
    """The page that shows how the tiles join, then every tile, row by row from the top left."""
    places = [(row, column) for row in range(tiling.rows) for column in range(tiling.columns)]
    return (_overview(drawing, tiling), *(_tile_page(drawing, tiling, row, column) for row, column in places))


def _tile_page(drawing: Drawing, tiling: Tiling, row: int, column: int) -> Page:
    box = tiling.box(row, column)
    shift = (MARGIN_MM - box[0], MARGIN_MM + FOOT_MM - box[1])
    clip = (MARGIN_MM, MARGIN_MM + FOOT_MM, MARGIN_MM + tiling.tile[0], MARGIN_MM + FOOT_MM + tiling.tile[1])
    label = f"row {row + 1} of {tiling.rows}, column {column + 1} of {tiling.columns}"
    room = tiling.paper[0] - 2 * MARGIN_MM
    top = tiling.paper[1] - MARGIN_MM
    marks: tuple[Mark, ...] = (
        Words((MARGIN_MM, top - 3.0), fitted(drawing.title, 3.5, room - 60), 3.5),
        Words((MARGIN_MM + room, top - 3.0), label, 3.5, "end"),
        Words((MARGIN_MM, top - 7.0), fitted(_how_to_join(row, column), 2.8, room), 2.8),
        Stroke(_corners(clip), "frame", _THIN_MM, closed=True),
        *placed(tuple(_crosses(tiling, row, column)), *shift),
        *control_line(),
    )
    return Page(*tiling.paper, f"{drawing.title}, {label}", (Window(drawing, 1.0, shift, clip),), marks)


def _how_to_join(row: int, column: int) -> str:
    if not row and not column:
        return "The first page: it stays uncut, the others are laid over it."
    sides = [side for side, there in (("left", column), ("upper", row)) if there]
    near = [place for place, there in (("to the left", column), ("above", row)) if there]
    return (
        f"Cut along the {' and '.join(sides)} side of the frame and lay it over the page {' and '.join(near)}, "
        "cross on cross."
    )


def _crosses(tiling: Tiling, row: int, column: int) -> Iterable[Stroke]:
    """Ringed crosses, in the drawing's own place, on every edge along which a neighbour is laid over this page or this
    page over a neighbour."""
    x0, y0, x1, y1 = tiling.box(row, column)
    upright = [x0] * (column > 0) + [x1 - OVERLAP_MM] * (column < tiling.columns - 1)
    level = [y1] * (row > 0) + [y0 + OVERLAP_MM] * (row < tiling.rows - 1)
    for share in (0.25, 0.75):
        for x in upright:
            yield from _cross(x, y0 + share * (y1 - y0))
        for y in level:
            yield from _cross(x0 + share * (x1 - x0), y)


def _cross(x: float, y: float) -> Iterable[Stroke]:
    angle = np.linspace(0, 2 * np.pi, 25)[:-1]
    ring = np.stack([x + _RING_MM * np.cos(angle), y + _RING_MM * np.sin(angle)], 1)
    yield Stroke(ring, "join", _THIN_MM, closed=True)
    for dx, dy in ((_CROSS_MM, 0.0), (0.0, _CROSS_MM)):
        yield Stroke(np.array([[x - dx, y - dy], [x + dx, y + dy]]), "join", _THIN_MM)


def _corners(box: tuple[float, float, float, float]) -> np.ndarray:
    x0, y0, x1, y1 = box
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def _overview(drawing: Drawing, tiling: Tiling) -> Page:
    width, height = tiling.paper
    room = width - 2 * MARGIN_MM
    about = (
        f"{drawing.about} This page is reduced; the {tiling.pages} pages that follow are at true size and overlap by "
        f"{OVERLAP_MM:g} mm. They join as the frames show, numbered row / column."
    )
    cautions = (*(c for c in drawing.cautions if c != BLADE), BLADE)
    above, key = heading(drawing.title, about, room), key_and_cautions(drawing.key, cautions, room)
    first, last = tiling.box(0, 0), tiling.box(tiling.rows - 1, tiling.columns - 1)
    low = MARGIN_MM + FOOT_MM + key[1]
    room_on_page = (MARGIN_MM, low, width - MARGIN_MM, height - MARGIN_MM - above[1])
    scale, shift = reduced((first[0], last[1]), (last[2], first[3]), room_on_page)
    frames = (
        mark
        for row in range(tiling.rows)
        for column in range(tiling.columns)
        for mark in _numbered_frame(tiling, row, column, scale, shift)
    )
    marks = (
        *placed(above[0], MARGIN_MM, height - MARGIN_MM),
        *placed(key[0], MARGIN_MM, low),
        *frames,
        *control_line(),
    )
    return Page(width, height, f"{drawing.title}, overview", (Window(drawing, scale, shift),), marks)


def _numbered_frame(
    tiling: Tiling, row: int, column: int, scale: float, shift: tuple[float, float]
) -> tuple[Mark, ...]:
    corners = scale * _corners(tiling.box(row, column)) + np.array(shift)
    x, y = corners.mean(0).tolist()
    size = min(5.0, float(np.ptp(corners, axis=0).min()) / 4)
    return Stroke(corners, "frame", 0.3, closed=True), *label(x, y, f"{row + 1} / {column + 1}", size)

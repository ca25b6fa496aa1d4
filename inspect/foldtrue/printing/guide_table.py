"""The list of twists in the order of folding, with a box to tick each of them off."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

import numpy as np

from foldtrue.handover import Nominal, Twist
from foldtrue.printing.drawing import Mark, Page, Stroke, Words
from foldtrue.printing.layout import FOOT_MM, MARGIN_MM, control_line, heading, placed
from foldtrue.printing.words import counted, fitted

_BLOCK_MM, _BETWEEN_MM = 92.0, 6.0
_ROW_MM, _TYPE_MM, _BOX_MM = 6.0, 3.6, 3.6
_COLUMNS = (
    ("no.", 14.0, "end"),
    ("twist", 17.0, "start"),
    ("kind", 30.0, "start"),
    ("hand", 53.0, "start"),
    ("i", 77.0, "end"),
    ("j", 92.0, "end"),
)
"""Heading, place of the entries in a block (mm), and which end of them stands there."""

Row = str | tuple[str, ...]
"""A heading over a ring, or the entries of one twist."""


def table_pages(nominal: Nominal, order: Sequence[Twist], start: str, paper: tuple[float, float]) -> Iterable[Page]:
    """Pages of the list: number, twist, kind, hand, grid coordinates; as many blocks side by side as there is room."""
    width, height = paper
    wide = width - 2 * MARGIN_MM
    about = (
        f"i: spaces along the level grid line, to the right; j: spaces along the line up to the right, at 60 degrees; "
        f"both from {start}, less than 0 the other way."
    )
    above = heading(f"Order of the twists: {nominal.name}", about, wide)
    room = height - 2 * MARGIN_MM - above[1] - FOOT_MM
    lines = int(room / _ROW_MM) - 1
    rows = list(_rows(order))
    blocks = [_block(rows[k : k + lines]) for k in range(0, len(rows), lines)]
    side_by_side = max(1, int((wide + _BETWEEN_MM) / (_BLOCK_MM + _BETWEEN_MM)))
    pages = [blocks[k : k + side_by_side] for k in range(0, len(blocks), side_by_side)]
    for number, page in enumerate(pages, 1):
        marks: list[Mark] = [*placed(above[0], MARGIN_MM, height - MARGIN_MM), *control_line()]
        for k, block in enumerate(page):
            marks += placed(block, MARGIN_MM + k * (_BLOCK_MM + _BETWEEN_MM), height - MARGIN_MM - above[1])
        label = f"list, page {number} of {len(pages)}"
        marks.append(Words((width - MARGIN_MM, MARGIN_MM), label, 3.2, "end"))
        yield Page(width, height, f"Order of the twists: {nominal.name}, {label}", (), tuple(marks))


def _rows(order: Sequence[Twist]) -> Iterable[Row]:
    count, ring = Counter(twist.ring for twist in order), 0
    for number, twist in enumerate(order, 1):
        if twist.ring != ring:
            ring = twist.ring
            yield f"Ring {ring}: {counted(count[ring], 'twist')}"
        hand = "ccw" if twist.hand > 0 else "cw"
        i, j = (f"{round(v, 6) + 0.0:g}" for v in twist.grid)
        yield str(number), twist.id, twist.kind, hand, i, j


def _block(rows: Sequence[Row]) -> tuple[Mark, ...]:
    """One block of the list, its upper left corner at (0, 0)."""
    marks: list[Mark] = [_line(_ROW_MM, 0.3)]
    marks += (Words((x, -_ROW_MM + 1.8), title, _TYPE_MM, anchor) for title, x, anchor in _COLUMNS)
    for k, row in enumerate(rows, 2):
        y = -_ROW_MM * k + 1.8
        if isinstance(row, str):
            marks.append(Words((0.0, y), fitted(row, _TYPE_MM, _BLOCK_MM), _TYPE_MM))
        else:
            box = _BOX_MM * np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) + np.array([0.3, y - 0.6])
            marks.append(Stroke(box, "tick", 0.2, closed=True))
            marks += (Words((x, y), text, _TYPE_MM, anchor) for (_, x, anchor), text in zip(_COLUMNS, row, strict=True))
        marks.append(_line(_ROW_MM * k, 0.1))
    return tuple(marks)


def _line(down: float, width_mm: float) -> Stroke:
    return Stroke(np.array([[0.0, -down], [_BLOCK_MM, -down]]), "rule", width_mm)

"""What stands around a drawing on its page: heading, key, cautions, the line that shows the printer kept the size."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from foldtrue.frames import Array
from foldtrue.printing.drawing import SAMPLE_MM, Drawing, KeyEntry, Mark, Page, Stroke, Window, Words, moved
from foldtrue.printing.words import fitted, width_mm, wrapped

MARGIN_MM = 10.0
"""Left free on every side: desktop printers leave 3 to 6 mm unprinted (common practice, no source)."""
FOOT_MM = 10.0
LEAST_WIDTH_MM = 140.0
TITLE_MM, TEXT_MM = 4.5, 3.2
_LINE_STEP = 1.4
_THIN_MM = 0.2


def own_page(drawing: Drawing) -> Page:
    """One page as large as the drawing, its heading, key and control line need."""
    width = max(drawing.size_mm[0] + 2 * MARGIN_MM, LEAST_WIDTH_MM)
    above, below = _around(drawing, width)
    height = 2 * MARGIN_MM + above[1] + drawing.size_mm[1] + below[1] + FOOT_MM
    return _page(drawing, width, height, (above, below))


def fitting_page(drawing: Drawing, width: float, height: float) -> Page | None:
    """The drawing at true size with all that belongs to it on a page of the given size; None where it is too large."""
    above, below = _around(drawing, width)
    room = height - 2 * MARGIN_MM - above[1] - below[1] - FOOT_MM
    if drawing.size_mm[0] > width - 2 * MARGIN_MM or drawing.size_mm[1] > room:
        return None
    return _page(drawing, width, height, (above, below))


Block = tuple[tuple[Mark, ...], float]
"""Marks that start at (0, 0) and run down, and the height they take."""


def _around(drawing: Drawing, width: float) -> tuple[Block, Block]:
    room = width - 2 * MARGIN_MM
    return heading(drawing.title, drawing.about, room), key_and_cautions(drawing.key, drawing.cautions, room)


def _page(drawing: Drawing, width: float, height: float, around: tuple[Block, Block]) -> Page:
    above, below = around
    top = height - MARGIN_MM
    middle = (top - above[1] + MARGIN_MM + FOOT_MM + below[1]) / 2
    shift = (
        width / 2 - (drawing.low[0] + drawing.high[0]) / 2,
        middle - (drawing.low[1] + drawing.high[1]) / 2,
    )
    marks = (
        *placed(above[0], MARGIN_MM, top),
        *placed(below[0], MARGIN_MM, MARGIN_MM + FOOT_MM + below[1]),
        *control_line(),
    )
    return Page(width, height, drawing.title, (Window(drawing, 1.0, shift),), marks)


def reduced(
    low: tuple[float, float], high: tuple[float, float], room: tuple[float, float, float, float]
) -> tuple[float, tuple[float, float]]:
    """Scale, 1 at most, and shift that put a box with corners low and high into the middle of the room (x0, y0, x1, y1)
    on a page."""
    x0, y0, x1, y1 = room
    scale = min((x1 - x0) / (high[0] - low[0]), (y1 - y0) / (high[1] - low[1]), 1.0)
    return scale, ((x0 + x1 - scale * (low[0] + high[0])) / 2, (y0 + y1 - scale * (low[1] + high[1])) / 2)


def placed(marks: Sequence[Mark], x: float, y: float) -> tuple[Mark, ...]:
    return tuple(moved(mark, 1.0, (x, y)) for mark in marks)


def heading(title: str, about: str, room: float) -> Block:
    """The title on one line, what is to know in smaller type under it."""
    marks: list[Mark] = [Words((0.0, -TITLE_MM), fitted(title, TITLE_MM, room), TITLE_MM)]
    text, height = text_block(about, TEXT_MM, room)
    return (*marks, *placed(text, 0.0, -1.3 * TITLE_MM)), 1.3 * TITLE_MM + height + 3.0


def text_block(text: str, size_mm: float, room: float) -> Block:
    step = _LINE_STEP * size_mm
    lines = wrapped(text, size_mm, room)
    return tuple(Words((0.0, -step * (k + 1) + 0.3 * size_mm), line, size_mm) for k, line in enumerate(lines)), (
        step * len(lines)
    )


def key_and_cautions(key: Sequence[KeyEntry], cautions: Sequence[str], room: float) -> Block:
    """Samples with their meanings, as many on a line as there is room for, then the cautions."""
    marks: list[Mark] = []
    x, y, step = 0.0, -6.0, 5.5
    for entry in key:
        meaning = fitted(entry.meaning, TEXT_MM, room - SAMPLE_MM[0] - 2)
        wide = SAMPLE_MM[0] + 2 + width_mm(meaning, TEXT_MM) + 6
        if x and x + wide - 6 > room:
            x, y = 0.0, y - step
        marks += placed(entry.sample, x, y)
        marks.append(Words((x + SAMPLE_MM[0] + 2, y - 0.35 * TEXT_MM), meaning, TEXT_MM))
        x += wide
    y -= 0.5 * step
    for caution in cautions:
        text, height = text_block(f"Take care. {caution}", TEXT_MM, room)
        marks += placed(text, 0.0, y)
        y -= height
    return tuple(marks), -y + 2.0


def control_line() -> tuple[Mark, ...]:
    """A line of 100 mm in the lower left corner, to check that the printer kept the size."""
    x, y = MARGIN_MM, MARGIN_MM + 1.5
    points: tuple[Array, ...] = tuple(
        np.array(ends)
        for ends in (
            [[x, y], [x + 100, y]],
            [[x, y - 1.5], [x, y + 1.5]],
            [[x + 100, y - 1.5], [x + 100, y + 1.5]],
        )
    )
    words = "This line is 100 mm long: check it with a ruler. Print at 100 % (actual size)."
    return (
        *(Stroke(p, "control", _THIN_MM) for p in points),
        Words((x, y + 3.0), fitted(words, 2.8, LEAST_WIDTH_MM - 2 * MARGIN_MM), 2.8),
    )

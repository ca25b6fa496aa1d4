"""Pages for a buyer or a class: heading, picture, verdict, short tables, cautions; on as few pages as they fit."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from foldtrue.printing.drawing import Mark, Page, Picture, Stroke, Words
from foldtrue.printing.layout import Block, placed, text_block
from foldtrue.printing.paper import PaperName, paper_mm
from foldtrue.printing.words import fitted, width_mm, wrapped

_MARGIN = 16.0
_TITLE, _HEAD, _TEXT, _SMALL = 6.5, 4.0, 3.3, 2.8
_STEP = 1.45
_PICTURE = 95.0
"""Height of the picture at most."""
_FOOT = 6.0
_UNBROKEN = 110.0
"""A table no taller than this stays on one page."""

Jpeg = tuple[bytes, tuple[int, int]]
Row = Sequence[str]


@dataclass(frozen=True)
class HandoutText:
    """title; about: lines under it; verdict: its letter and its word, None where nothing was judged; tables: (heading,
    a line under it, rows of cells); cautions: a paragraph each."""

    title: str
    about: Sequence[str]
    verdict: tuple[str, str] | None
    tables: Sequence[tuple[str, str, Sequence[Row]]]
    cautions: Sequence[str]


def handout_pages(text: HandoutText, picture: Jpeg | None, paper: PaperName) -> tuple[Page, ...]:
    """picture: JPEG bytes and width and height in px. paper: A4 where it is 'fit'. Raises UsageError for an unknown
    paper."""
    width, height = paper_mm(paper)
    room = width - 2 * _MARGIN
    blocks = [_heading(text, room)]
    if picture is not None:
        blocks.append(_picture(picture, room))
    if text.verdict is not None:
        blocks.append(_verdict(text.verdict, room))
    for table in text.tables:
        blocks += _table(*table, room)
    blocks.append(_cautions(text.cautions, room))
    pages = list(_flow(blocks, height))
    foot = [_foot(text.title, k + 1, len(pages), room) for k in range(len(pages))]
    return tuple(Page(width, height, text.title, (), (*m, *f)) for m, f in zip(pages, foot, strict=True))


def _flow(blocks: Sequence[Block], height: float) -> Iterator[tuple[Mark, ...]]:
    """The blocks one below the other; one that does not fit begins a new page."""
    marks: list[Mark] = []
    top = height - _MARGIN
    y = top
    for block, tall in blocks:
        if y - tall < _MARGIN + _FOOT and y < top:
            yield tuple(marks)
            marks, y = [], top
        marks += placed(block, _MARGIN, y)
        y -= tall
    yield tuple(marks)


def _heading(text: HandoutText, room: float) -> Block:
    lines = wrapped(text.title, _TITLE, room)[:2]
    marks: list[Mark] = [
        Words((0.0, -_TITLE - 1.2 * _TITLE * k), fitted(line, _TITLE, room), _TITLE) for k, line in enumerate(lines)
    ]
    y = -1.2 * _TITLE * len(lines) - 1.5
    for line in text.about:
        block, tall = text_block(line, _TEXT, room)
        marks += placed(block, 0.0, y)
        y -= tall
    return tuple(marks), -y + 4.0


def _picture(picture: Jpeg, room: float) -> Block:
    jpeg, (wide, high) = picture
    scale = min(room / wide, _PICTURE / high)
    width, height = scale * wide, scale * high
    left = (room - width) / 2
    frame = np.array([[left, 0], [left + width, 0], [left + width, -height], [left, -height]])
    marks = (Picture((left, -height), (width, height), jpeg), Stroke(frame, "frame", 0.2, closed=True, grey=0.4))
    return marks, height + 5.0


def _verdict(verdict: tuple[str, str], room: float) -> Block:
    """A box with the verdict's letter in a square and its word."""
    shape, word = verdict
    box = np.array([[0.0, 0.0], [room, 0.0], [room, -10.0], [0.0, -10.0]])
    square = np.array([[2.5, -1.8], [8.9, -1.8], [8.9, -8.2], [2.5, -8.2]])
    marks = (
        Stroke(box, "frame", 0.4, closed=True),
        Stroke(square, "frame", 0.4, closed=True),
        Words((5.7, -6.7), shape, 5.0, "middle"),
        Words((12.0, -6.6), fitted(f"Verdict: {word}, by the limits stated here", 4.5, room - 14), 4.5),
    )
    return marks, 14.0


def _table(heading: str, note: str, rows: Sequence[Row], room: float) -> list[Block]:
    """One block where the table is short, else a block a row, the heading with the first, so that a page may end after
    any."""
    columns = _columns(rows, room)
    blocks = [_table_head(heading, note, room), *(_row(row, columns) for row in rows)]
    blocks[-1] = (blocks[-1][0], blocks[-1][1] + 4.0)
    together = len(blocks) if sum(tall for _, tall in blocks) <= _UNBROKEN else 2
    return [_joined(blocks[:together]), *blocks[together:]]


def _table_head(heading: str, note: str, room: float) -> Block:
    head, tall = text_block(heading, _HEAD, room)
    line = Stroke(np.array([[0.0, -tall - 0.8], [room, -tall - 0.8]]), "rule", 0.25)
    below, more = text_block(note, _SMALL, room)
    return (*head, line, *placed(below, 0.0, -tall - 1.2)), tall + 1.8 + more


def _joined(blocks: Sequence[Block]) -> Block:
    marks: list[Mark] = []
    y = 0.0
    for block, tall in blocks:
        marks += placed(block, 0.0, y)
        y -= tall
    return tuple(marks), -y


def _columns(rows: Sequence[Row], room: float) -> list[tuple[float, float]]:
    """(start, width) of each column: as wide as their text wants, the widest giving way."""
    count = max((len(row) for row in rows), default=1)
    gap = 3.0
    wanted = [max(width_mm(row[k], _TEXT) for row in rows if k < len(row)) for k in range(count)]
    free = room - gap * (count - 1)
    while sum(wanted) > free + 1e-6:
        widest = max(wanted)
        others = sum(w for w in wanted if w < widest)
        alike = wanted.count(widest)
        next_widest = max((w for w in wanted if w < widest), default=0.0)
        level = max(next_widest, (free - others) / alike)
        wanted = [level if w == widest else w for w in wanted]
    starts = [sum(wanted[:k]) + gap * k for k in range(count)]
    return list(zip(starts, wanted, strict=True))


def _row(row: Row, columns: Sequence[tuple[float, float]]) -> Block:
    cells = [text_block(cell, _TEXT, width + 0.1) for cell, (_, width) in zip(row, columns, strict=False)]
    marks = tuple(m for (block, _), (x, _) in zip(cells, columns, strict=False) for m in placed(block, x, 0.0))
    return marks, max((tall for _, tall in cells), default=0.0) + 0.6


def _cautions(cautions: Sequence[str], room: float) -> Block:
    marks: list[Mark] = [Stroke(np.array([[0.0, 0.0], [room, 0.0]]), "rule", 0.5)]
    y = -1.0
    for k, caution in enumerate(cautions):
        block, tall = text_block(caution if k else f"Take care. {caution}", _SMALL, room)
        marks += placed(block, 0.0, y)
        y -= tall + 0.6
    return tuple(marks), -y


def _foot(title: str, page: int, pages: int, room: float) -> tuple[Mark, ...]:
    number = f"page {page} of {pages}"
    left = fitted(title, _SMALL, room - width_mm(number, _SMALL) - 5)
    return (
        Words((_MARGIN, _MARGIN - 4), left, _SMALL, grey=0.3),
        Words((_MARGIN + room, _MARGIN - 4), number, _SMALL, "end", grey=0.3),
    )

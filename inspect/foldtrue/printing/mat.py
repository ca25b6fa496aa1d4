"""The mat as a PDF at true size: one page to print, and one of instructions.

Everything is placed in millimetres about the middle of the paper, as in mat.py. The pages hold no date and no random
number: same mat, same bytes.
"""

from __future__ import annotations

from io import BytesIO
from textwrap import wrap
from typing import Any

from foldtrue.mat import Mat, dark_rectangles
from foldtrue.printing.mat_words import CUT, UP, bar_words, instructions, place_words, title

POINT_MM = 25.4 / 72
"""A point of a PDF page (ISO 32000-1, 8.3.2.3)."""
STROKE_MM = 0.2
"""Width of the bars and their end strokes: thin, since a length is read from middle to middle."""
END_MM = 3.0
CUT_MM = 2.0
"""Paper left standing within the free place."""
_TEXT, _SMALL = "Helvetica", 6.0


def mat_pdf(mat: Mat, *, cut_out: bool = False) -> bytes:
    """The mat's two pages; cut_out: as a frame to be cut out for a light table or a window."""
    from reportlab.pdfgen.canvas import Canvas

    memory = BytesIO()
    width, height = mat.paper_mm
    page = Canvas(memory, pagesize=(width / POINT_MM, height / POINT_MM), invariant=1, pageCompression=1)
    page.setTitle(title(mat, cut_out))
    page.setCreator("foldtrue")
    # Nobody's viewer shall shrink it unasked (ISO 32000-1, table 150).
    page.setViewerPreference("PrintScaling", "None")
    _to_middle(page, mat)
    _frame(page, mat)
    _bars(page, mat)
    _up_mark(page, mat)
    if cut_out:
        _cut_line(page, mat)
    page.showPage()
    _instructions(page, mat, cut_out)
    page.showPage()
    page.save()
    return memory.getvalue()


def bar_ends(mat: Mat) -> tuple[tuple[float, float, float, float], tuple[float, float, float, float]]:
    """x0, y0, x1, y1 mm of the two bars, half way between frame and paper's edge: along the bottom, along the left."""
    (width, height), (across, down), (bottom, left) = mat.paper_mm, mat.board_mm, mat.bars_mm
    y, x = -(height + down) / 4, -(width + across) / 4
    return (-bottom / 2, y, bottom / 2, y), (x, -left / 2, x, left / 2)


def _to_middle(page: Any, mat: Mat) -> None:
    """From now on: mm, origin in the middle of the paper."""
    page.scale(1 / POINT_MM, 1 / POINT_MM)
    page.translate(mat.paper_mm[0] / 2, mat.paper_mm[1] / 2)


def _frame(page: Any, mat: Mat) -> None:
    """All ink as one shape, so that no hairline shows between two rectangles that touch."""
    shape = page.beginPath()
    for x0, y0, x1, y1 in dark_rectangles(mat).tolist():
        shape.rect(x0, y0, x1 - x0, y1 - y0)
    page.drawPath(shape, stroke=0, fill=1)


def _bars(page: Any, mat: Mat) -> None:
    """Both bars; their end strokes point to the frame, away from the paper's edge, where printers print nothing."""
    page.setLineWidth(STROKE_MM)
    page.setLineCap(0)
    (x0, y, x1, _), (x, y0, _, y1) = bar_ends(mat)
    bottom, left = mat.bars_mm
    page.line(x0, y, x1, y)
    page.line(x, y0, x, y1)
    for end in (x0, x1):
        page.line(end, y - STROKE_MM / 2, end, y + END_MM)
    for end in (y0, y1):
        page.line(x - STROKE_MM / 2, end, x + END_MM, end)
    _words(page, 0, y + 1.2, bar_words(bottom))
    page.saveState()
    page.translate(x + 1.2, 0)
    page.rotate(-90)
    _words(page, 0, 0, bar_words(left))
    page.restoreState()


def _up_mark(page: Any, mat: Mat) -> None:
    top, edge = mat.board_mm[1] / 2, mat.paper_mm[1] / 2
    middle = (top + edge) / 2
    arrow = page.beginPath()
    arrow.moveTo(-3, middle - 2.5)
    arrow.lineTo(3, middle - 2.5)
    arrow.lineTo(0, middle + 2.5)
    arrow.close()
    page.drawPath(arrow, stroke=0, fill=1)
    _words(page, 8, middle - 1.5, UP, 10.0)
    _words(page, -mat.board_mm[0] / 4, middle - 1.0, place_words(mat), 5.0)


def _cut_line(page: Any, mat: Mat) -> None:
    width, height = (side - 2 * CUT_MM for side in mat.free_mm)
    page.setDash([2, 1])
    page.setLineWidth(0.15)
    page.rect(-width / 2, -height / 2, width, height, stroke=1, fill=0)
    page.setDash([])
    _words(page, 0, height / 2 - 6, CUT, 9.0)


def _words(page: Any, x: float, y: float, words: str, points: float = _SMALL) -> None:
    page.setFont(_TEXT, points * POINT_MM)
    page.drawCentredString(x, y, words)


def _instructions(page: Any, mat: Mat, cut_out: bool) -> None:
    _to_middle(page, mat)
    left, y = -mat.paper_mm[0] / 2 + 20, mat.paper_mm[1] / 2 - 25
    page.setFont(f"{_TEXT}-Bold", 16 * POINT_MM)
    page.drawString(left, y, title(mat, cut_out))
    for heading, steps in instructions(mat, cut_out):
        y -= 13
        page.setFont(f"{_TEXT}-Bold", 12 * POINT_MM)
        page.drawString(left, y, heading)
        page.setFont(_TEXT, 10 * POINT_MM)
        for number, step in enumerate(steps, 1):
            y -= 2
            for k, line in enumerate(wrap(step, 88)):
                y -= 5
                page.drawString(left, y, f"{number}." if k == 0 else "")
                page.drawString(left + 7, y, line)

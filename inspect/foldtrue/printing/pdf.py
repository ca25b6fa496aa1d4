"""Pages as PDF: one page each, at true size, the same bytes for the same plan."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from typing import Any

from foldtrue.errors import UsageError
from foldtrue.printing.drawing import Area, Drawing, Mark, Page, Picture, Stroke, Words
from foldtrue.printing.words import FONT, latin

_POINT_PER_MM = 72 / 25.4
MOST_MM = 14400 / _POINT_PER_MM
"""Largest side of a page: 14400 points (ISO 32000-1, annex C: what readers are sure to show)."""


def pdf_bytes(pages: Sequence[Page]) -> bytes:
    """The pages as one PDF file.

    A drawing that several pages show parts of is written once. Raises UsageError when a page is larger than PDF allows.
    """
    from reportlab.pdfgen.canvas import Canvas

    for page in pages:
        if max(page.width_mm, page.height_mm) > MOST_MM:
            raise UsageError(
                f"A page of {max(page.width_mm, page.height_mm) / 1000:.1f} m is too large for a PDF.",
                "Print it on several: --paper A3.",
            )
    buffer = BytesIO()
    canvas = Canvas(buffer, invariant=1, pageCompression=1)
    canvas.setTitle(latin(pages[0].title))
    canvas.setCreator("foldtrue")
    forms: dict[int, str] = {}
    for page in pages:
        _add_page(canvas, page, forms)
    canvas.save()
    return buffer.getvalue()


def _add_page(canvas: Any, page: Page, forms: dict[int, str]) -> None:
    for window in page.windows:
        _form(canvas, window.drawing, forms)
    canvas.setPageSize((page.width_mm * _POINT_PER_MM, page.height_mm * _POINT_PER_MM))
    canvas.scale(_POINT_PER_MM, _POINT_PER_MM)
    for window in page.windows:
        canvas.saveState()
        if window.clip is not None:
            x0, y0, x1, y1 = window.clip
            box = canvas.beginPath()
            box.rect(x0, y0, x1 - x0, y1 - y0)
            canvas.clipPath(box, stroke=0, fill=0)
        canvas.translate(*window.shift)
        canvas.scale(window.scale, window.scale)
        canvas.doForm(forms[id(window.drawing)])
        canvas.restoreState()
    for mark in page.marks:
        _draw(canvas, mark)
    canvas.showPage()


def _form(canvas: Any, drawing: Drawing, forms: dict[int, str]) -> None:
    """Write the drawing once, to be shown by any number of pages."""
    if id(drawing) in forms:
        return
    forms[id(drawing)] = f"drawing{len(forms)}"
    canvas.beginForm(forms[id(drawing)], *drawing.low, *drawing.high)
    for mark in drawing.marks:
        _draw(canvas, mark)
    canvas.endForm()


def _draw(canvas: Any, mark: Mark) -> None:
    if isinstance(mark, Words):
        _draw_words(canvas, mark)
    elif isinstance(mark, Picture):
        _draw_picture(canvas, mark)
    elif isinstance(mark, Area):
        canvas.setFillGray(mark.grey)
        path = canvas.beginPath()
        for ring in mark.rings:
            _trace(path, ring.tolist(), closed=True)
        canvas.drawPath(path, stroke=0, fill=1, fillMode=0)  # 0: even-odd
    else:
        _draw_stroke(canvas, mark)


def _draw_stroke(canvas: Any, mark: Stroke) -> None:
    canvas.setStrokeGray(mark.grey)
    canvas.setLineWidth(mark.width_mm)
    canvas.setDash(list(mark.dashes))
    path = canvas.beginPath()
    _trace(path, mark.points.tolist(), mark.closed)
    canvas.drawPath(path, stroke=1, fill=0)


def _trace(path: Any, points: list[list[float]], closed: bool) -> None:
    path.moveTo(*points[0])
    for point in points[1:]:
        path.lineTo(*point)
    if closed:
        path.close()


def _draw_picture(canvas: Any, mark: Picture) -> None:
    from reportlab.lib.utils import ImageReader

    canvas.drawImage(ImageReader(BytesIO(mark.jpeg)), *mark.at, *mark.size_mm)


def _draw_words(canvas: Any, mark: Words) -> None:
    canvas.setFillGray(mark.grey)
    canvas.setFont(FONT, mark.size_mm)
    draw = {"start": canvas.drawString, "middle": canvas.drawCentredString, "end": canvas.drawRightString}[mark.anchor]
    draw(*mark.at, latin(mark.text))

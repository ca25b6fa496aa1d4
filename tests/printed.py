"""A PDF's pages as pictures to measure on, and as text; made by PDFium, not by what wrote the file."""

from __future__ import annotations

import numpy as np
import pypdfium2

DPI = 600
PX_PER_MM = DPI / 25.4
MM_PER_POINT = 25.4 / 72


def darkness(pdf: bytes, page: int = 0) -> np.ndarray:
    """(H, W) 0 white to 1 black, at 600 dots per inch; mm are PX_PER_MM pixels."""
    document = pypdfium2.PdfDocument(pdf)
    picture = document[page].render(scale=DPI / 72, grayscale=True).to_numpy()
    document.close()
    return 1 - picture.reshape(picture.shape[:2]) / 255.0


def lines_across(profile, least_mm=0.0, level=0.3):
    """Middles in mm of the dark runs along a profile that are wider than least_mm, by centre of gravity."""
    dark = np.concatenate([[0], profile > level, [0]]).astype(int)
    start, stop = np.flatnonzero(np.diff(dark) == 1), np.flatnonzero(np.diff(dark) == -1)
    kept = [(a, b) for a, b in zip(start, stop, strict=True) if b - a > least_mm * PX_PER_MM]
    wide = [(max(a - 2, 0), b + 2) for a, b in kept]
    return [float(np.average(np.arange(a, b)[: len(profile[a:b])], weights=profile[a:b])) / PX_PER_MM for a, b in wide]


def text_boxes(pdf: bytes, page: int = 0) -> tuple[np.ndarray, tuple[float, float]]:
    """(N, 4) mm, left, bottom, right, top of the page's runs of text, and the page's size."""
    document = pypdfium2.PdfDocument(pdf)
    sheet = document[page]
    text = sheet.get_textpage()
    boxes = np.array([text.get_rect(k) for k in range(text.count_rects())]) * MM_PER_POINT
    size = sheet.get_width() * MM_PER_POINT, sheet.get_height() * MM_PER_POINT
    document.close()
    return boxes, size


def page_text(pdf: bytes, page: int = 0) -> str:
    document = pypdfium2.PdfDocument(pdf)
    text = document[page].get_textpage().get_text_range()
    document.close()
    return text

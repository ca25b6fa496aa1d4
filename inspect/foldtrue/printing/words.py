"""Words on paper: what can be printed of them, how wide they are, and how they are made to fit."""

from __future__ import annotations

from bisect import bisect_right

FONT = "Helvetica"
"""One of the fourteen fonts that every reader of PDF has (ISO 32000-1, 9.6.2.2): nothing has to be embedded."""


def printable(text: str) -> str:
    """The text without characters that neither XML nor paper can hold."""
    return "".join(c for c in text if c.isprintable())


def counted(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def latin(text: str) -> str:
    """The text in the characters of the font, '?' for those it has not."""
    return printable(text).encode("cp1252", "replace").decode("cp1252")


def width_mm(text: str, size_mm: float) -> float:
    """Width of one line in the font of the PDF."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return float(stringWidth(latin(text), FONT, size_mm))


def fitted(text: str, size_mm: float, room_mm: float) -> str:
    """The text, or its beginning with three dots where it is wider than the room."""
    text = printable(text)
    if width_mm(text, size_mm) <= room_mm:
        return text
    fits = bisect_right(range(len(text)), room_mm, key=lambda n: width_mm(text[:n] + "...", size_mm))
    return text[: max(fits - 1, 0)].rstrip() + "..."


def wrapped(text: str, size_mm: float, room_mm: float) -> list[str]:
    """The text in lines no wider than the room; a word too wide for a line is cut short."""
    lines = [""]
    for word in printable(text).split():
        longer = f"{lines[-1]} {word}".strip()
        if width_mm(longer, size_mm) <= room_mm:
            lines[-1] = longer
        else:
            lines.append(fitted(word, size_mm, room_mm))
    return [line for line in lines if line]

"""Markdown tables, and their places in docs/accuracy.md: what a study prints is what the document shows."""

from __future__ import annotations

import math
from pathlib import Path

DOCUMENT = Path(__file__).parents[2] / "docs" / "accuracy.md"


def table(head: tuple[str, ...], rows: list[tuple]) -> list[str]:
    """Lines of a markdown table; cells are texts already, or shown by `cell`."""
    lines = ["| " + " | ".join(head) + " |", "|---" * len(head) + "|"]
    return lines + ["| " + " | ".join(c if isinstance(c, str) else cell(c) for c in row) + " |" for row in rows]


def cell(value, form: str = ".3f") -> str:
    """A number as text, '-' for one that does not apply."""
    if isinstance(value, int):
        return str(value)
    return "-" if value is None or math.isnan(value) else format(value, form)


def put(name: str, lines: list[str], document: Path = DOCUMENT) -> None:
    """Replace what stands between the marks of this name in the document."""
    text = document.read_text()
    begin, end = f"<!-- {name}: begin -->\n", f"<!-- {name}: end -->"
    head, rest = text.split(begin)
    tail = rest.split(end)[1]
    document.write_text(head + begin + "\n" + "\n".join(lines).strip() + "\n\n" + end + tail)

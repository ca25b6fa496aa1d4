"""The plan as a drawing to print at true size: crease pattern on the left, folded piece on the right.

Lines follow the notation common in origami diagrams: valley folds dashed, mountain folds dash-dot, all in black; the
rim is a solid line. Both views show the front; millimetres in the file are millimetres on paper.
"""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import Nominal

_MARGIN_MM = 10.0
_GAP_MM = 20.0
_HEAD_MM = 14.0
_FOOT_MM = 12.0
_DASHES = {"V": "3 1.4", "M": "4 1.1 0.5 1.1"}
_STYLE = (
    "path,line,polygon{fill:none;stroke:#000;stroke-width:0.25;stroke-linecap:butt}"
    ".rim{stroke-width:0.5}"
    + "".join(f".{kind}{{stroke-dasharray:{dashes}}}" for kind, dashes in _DASHES.items())
    + "text{font-family:sans-serif;fill:#000;stroke:none}"
)


def draw_plan(nominal: Nominal) -> str:
    """SVG text, sized in mm, of the crease pattern and of the folded piece beside it."""
    sheet, folded = nominal.vertices_sheet_mm, nominal.vertices_mm
    rim = nominal.sheet_outline_mm
    left = _Frame(rim, _MARGIN_MM)
    right = _Frame(nominal.outline_mm, left.right_mm + _GAP_MM)
    height = max(left.height_mm, right.height_mm)
    parts = [
        *_heading(nominal, left, right),
        *_creases(nominal, left.place(sheet)),
        _polygon(left.place(rim), "rim"),
        *_folded(nominal, right.place(folded)),
        _polygon(right.place(nominal.outline_mm), "rim"),
        *_names(nominal, left.place(_centres(nominal, sheet)), nominal.row_mm),
        *_names(nominal, right.place(_centres(nominal, folded)), nominal.row_mm),
        *_ruler(_MARGIN_MM, _HEAD_MM + height + _MARGIN_MM),
    ]
    width = right.right_mm + _MARGIN_MM
    total = _HEAD_MM + height + _MARGIN_MM + _FOOT_MM
    body = "\n".join(parts)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.3f}mm" height="{total:.3f}mm" '
        f'viewBox="0 0 {width:.3f} {total:.3f}">\n<title>{_text(nominal.name)}</title>\n'
        f"<style>{_STYLE}</style>\n{body}\n</svg>\n"
    )


class _Frame:
    """Places plan points (y up) on the page (y down), the outline's left top at (left_mm, head)."""

    def __init__(self, outline: Array, left_mm: float) -> None:
        low, high = outline.min(0), outline.max(0)
        self._shift = np.array([left_mm - low[0], _HEAD_MM + high[1]])
        self.left_mm = left_mm
        self.right_mm = left_mm + float(high[0] - low[0])
        self.height_mm = float(high[1] - low[1])

    def place(self, points: Array) -> Array:
        return np.asarray(self._shift + points * [1, -1])


def _text(words: str) -> str:
    """Escaped for XML, characters that XML cannot hold left out."""
    return escape("".join(c for c in words if c.isprintable()))


def _heading(nominal: Nominal, left: _Frame, right: _Frame) -> Iterable[str]:
    size = np.ptp(nominal.outline_mm, axis=0)
    titles = (
        (left, f"{nominal.name}: crease pattern, front, pitch {nominal.pitch_mm:.2f} mm"),
        (right, f"folded, {size[0]:.1f} x {size[1]:.1f} mm"),
    )
    for frame, words in titles:
        yield f'<text x="{frame.left_mm:.3f}" y="8" font-size="4">{_text(words)}</text>'


def _creases(nominal: Nominal, points: Array) -> Iterable[str]:
    """One path for each fold, so that every dash pattern starts with a full dash at a vertex."""
    for name, ends, kind in zip(nominal.creases.ids, nominal.creases.ends, nominal.creases.kind.tolist(), strict=True):
        if kind in _DASHES:
            yield f'<path id="{escape(name, quote=True)}" class="{kind}" d="{_path(points[ends])}"/>'


def _folded(nominal: Nominal, points: Array) -> Iterable[str]:
    """The twists, and what edges the front shows where the plan engine can tell."""
    front = nominal.views.get("front")
    if front is not None:
        ends = nominal.vertices_mm[nominal.creases.ends[front.crease]]
        along = ends[:, 1] - ends[:, 0]
        shift = points[0] - nominal.vertices_mm[0] * [1, -1]
        for i in range(len(front.crease)):
            piece = ends[i, 0] + np.array([[front.t0[i]], [front.t1[i]]]) * along[i]
            yield f'<path d="{_path(piece * [1, -1] + shift)}"/>'
    for twist in nominal.twists:
        yield _polygon(points[list(twist.tips)], "twist")


def _centres(nominal: Nominal, vertices: Array) -> Array:
    return np.array([vertices[list(twist.tips)].mean(0) for twist in nominal.twists])


def _names(nominal: Nominal, places: Array, row_mm: float) -> Iterable[str]:
    size = float(np.clip(0.22 * row_mm, 1.2, 4.0))
    for twist, (x, y) in zip(nominal.twists, places, strict=True):
        place = f'x="{x:.3f}" y="{y + 0.35 * size:.3f}" font-size="{size:.2f}"'
        yield f'<text {place} text-anchor="middle">{_text(twist.id)}</text>'


def _ruler(x: float, y: float) -> Iterable[str]:
    """A line of 100 mm, to check that the printer kept the size."""
    yield f'<path d="M{x:g} {y:g}h100M{x:g} {y - 2:g}v4M{x + 100:g} {y - 2:g}v4"/>'
    yield f'<text x="{x + 103:g}" y="{y + 1.3:g}" font-size="3.5">100 mm; print at 100 %</text>'


def _path(points: Array) -> str:
    return "M" + "L".join(f"{x:.3f} {y:.3f}" for x, y in points)


def _polygon(points: Array, name: str) -> str:
    return f'<polygon class="{name}" points="{" ".join(f"{x:.3f},{y:.3f}" for x, y in points)}"/>'

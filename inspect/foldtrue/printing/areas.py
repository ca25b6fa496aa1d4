"""Areas of the folded piece about which the plan says nothing: panels and what is left out of the model."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import Nominal
from foldtrue.printing.drawing import SAMPLE_MM, WHITE, Area, KeyEntry, Mark, Stroke, Words

_OUTLINE_MM = 0.35


def area_marks(nominal: Nominal, mirror: Array) -> Iterable[Mark]:
    """Plain outlines, empty inside, with a word in each. mirror: (2,) factors of x and y."""
    names = [""] * (len(nominal.unmodelled_mm) - len(nominal.panels)) + [panel.id for panel in nominal.panels]
    for corners, name in zip(nominal.unmodelled_mm, names, strict=True):
        outline = corners * mirror
        x, y = outline.mean(0)
        size = float(np.clip(0.1 * np.ptp(outline, axis=0).min(), 1.0, 4.0))
        yield Area((outline,), WHITE, "unmodelled")
        yield Stroke(outline, "panel" if name else "unmodelled", _OUTLINE_MM, closed=True)
        yield Words((float(x), float(y) - 0.35 * size), name or "not modelled", size, "middle")


def area_key(nominal: Nominal) -> tuple[KeyEntry, ...]:
    if not nominal.unmodelled_mm:
        return ()
    box = np.array([[1.0, -1.5], [SAMPLE_MM[0] - 1, -1.5], [SAMPLE_MM[0] - 1, 1.5], [1.0, 1.5]])
    outline = Stroke(box, "unmodelled", _OUTLINE_MM, closed=True)
    return (KeyEntry((outline,), "area about which the plan says nothing"),)


def lies_in_area(nominal: Nominal, point: tuple[float, float], reach_mm: float = 0.0) -> bool:
    """Whether a point of the folded piece lies inside an area, or nearer to one than reach_mm."""
    return any(_holds(area, point) or _distance(area, point) < reach_mm for area in nominal.unmodelled_mm)


def _holds(area: Array, point: tuple[float, float]) -> bool:
    """Whether a polygon (K, 2) holds a point: a ray from it crosses the outline an odd number of times."""
    area = area.mean(0) + (1 - 1e-6) * (area - area.mean(0))  # a point on the outline is not inside
    (x, y), (ax, ay), (bx, by) = point, area.T, np.roll(area, -1, 0).T
    level = (ay > y) != (by > y)
    crossing = ax + (y - ay) * (bx - ax) / np.where(level, by - ay, 1.0)
    return bool((level & (crossing > x)).sum() % 2)


def _distance(area: Array, point: tuple[float, float]) -> float:
    """From a point to the outline of a polygon (K, 2)."""
    side, ray = np.roll(area, -1, 0) - area, np.array(point) - area
    along = np.clip((ray * side).sum(1) / (side * side).sum(1), 0.0, 1.0)
    return float(np.hypot(*(ray - along[:, None] * side).T).min())

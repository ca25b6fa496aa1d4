"""A folded plan in words: what the person wants to know before the first crease."""

from __future__ import annotations

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import Nominal


def plan_text(nominal: Nominal) -> str:
    """Size of the sheet and of the finished piece, grid, twists, mean number of layers, and the first twist's place."""
    sheet, folded = nominal.sheet_outline_mm, nominal.outline_mm
    first = nominal.twists[0]
    hand = "counter-clockwise" if first.hand > 0 else "clockwise"
    x, y = first.sheet_mm
    return "\n".join(
        (
            f"{nominal.name}: folds flat. {_counts(nominal)}, {len(nominal.facets)} facets.",
            f"Sheet {_extent(sheet)} mm, grid pitch {nominal.pitch_mm:.2f} mm (lines {nominal.row_mm:.2f} mm apart).",
            f"Finished piece {_extent(folded)} mm, on the average {_area(sheet) / _area(folded):.2f} layers.",
            f"First twist {first.id}: {hand}, {x + 0.0:.1f} mm right of and {y + 0.0:.1f} mm above the sheet's centre.",
        )
    )


def _counts(nominal: Nominal) -> str:
    kinds = [twist.kind for twist in nominal.twists]
    return ", ".join(f"{kinds.count(kind)} {kind} twists" for kind in dict.fromkeys(kinds))


def _extent(outline: Array) -> str:
    width, height = np.ptp(outline, axis=0)
    return f"{width:.1f} x {height:.1f}"


def _area(outline: Array) -> float:
    x, y = outline.T
    return float(abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2)

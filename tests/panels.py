"""The plan most tests measure against: a honeycomb of triangle twists on a hexagon, folded once per layout."""

from __future__ import annotations

from functools import cache

from foldtrue.handover import Nominal
from foldtrue.plan.file import Plan, parse_plan
from foldtrue.plan.fold import fold_plan


def panel_plan(spacing: int = 2, divisions: int = 16, height_mm: float = 240.0, rings: int = 2) -> Plan:
    """A window panel on a point-to-point hexagon; invented."""
    return parse_plan(
        {
            "format": "foldtrue-plan",
            "version": 1,
            "name": "window panel (invented)",
            "sheet": {"shape": "hexagon", "height_mm": height_mm},
            "grid": {"kind": "point-to-point", "divisions": divisions},
            "twists": {"recipe": "honeycomb", "spacing": spacing, "rings": rings},
        }
    )


@cache
def folded_panel(spacing: int = 2, divisions: int = 16, height_mm: float = 240.0, rings: int = 2) -> Nominal:
    """The same, folded."""
    return fold_plan(panel_plan(spacing, divisions, height_mm, rings))

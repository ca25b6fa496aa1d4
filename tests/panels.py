"""The plan most tests measure against: a honeycomb of triangle twists on a hexagon, folded once per layout."""

from __future__ import annotations

from functools import cache
from typing import Any

from foldtrue.handover import Nominal
from foldtrue.plan.file import Plan, parse_plan
from foldtrue.plan.fold import fold_plan

HEAD = {"format": "foldtrue-plan", "version": 1, "name": "window panel (invented)"}


def plan_of(sheet: Any, grid: Any, twists: Any, **more: Any) -> Plan:
    """Any plan, by its parts as the file has them."""
    return parse_plan(HEAD | {"sheet": sheet, "grid": grid, "twists": twists} | more)


def panel_plan(
    spacing: int = 2,
    divisions: int = 16,
    height_mm: float = 240.0,
    rings: int = 2,
    kind: str = "point-to-point",
    **recipe: Any,
) -> Plan:
    """A window panel on a hexagon; invented."""
    return plan_of(
        {"shape": "hexagon", "height_mm": height_mm},
        {"kind": kind, "divisions": divisions},
        {"recipe": "honeycomb", "spacing": spacing, "rings": rings, **recipe},
    )


@cache
def folded_panel(spacing: int = 2, divisions: int = 16, height_mm: float = 240.0, rings: int = 2) -> Nominal:
    """The same, folded."""
    return fold_plan(panel_plan(spacing, divisions, height_mm, rings))

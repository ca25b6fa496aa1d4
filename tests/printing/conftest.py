"""Plans of every kind to draw."""

from __future__ import annotations

from functools import cache

import pytest

from foldtrue.plan.file import Plan, parse_plan
from foldtrue.plan.fold import fold_plan
from foldtrue.plan_drawings import DrawOptions, plan_pages

HEAD = {"format": "foldtrue-plan", "version": 1, "name": "window panel (invented)"}
HEXAGON = {"shape": "hexagon", "height_mm": 240}


def triangle(i, j, hand, turn):
    return {"grid": [i, j], "kind": "triangle", "hand": hand, "turn": turn}


def make(sheet, grid, twists, **more) -> Plan:
    return parse_plan(HEAD | {"sheet": sheet, "grid": grid, "twists": twists} | more)


def honeycomb(height_mm=240, divisions=16, spacing=2, rings=2, **more) -> Plan:
    sheet, grid = HEXAGON | {"height_mm": height_mm}, {"kind": "point-to-point", "divisions": divisions}
    return make(sheet, grid, {"recipe": "honeycomb", "spacing": spacing, "rings": rings}, **more)


def mixed() -> Plan:
    grid = {"kind": "edge-to-edge", "divisions": 36}
    return make(HEXAGON | {"height_mm": 400}, grid, {"recipe": "mixed", "spacing": 6, "width_rows": 2})


def rhombi() -> Plan:
    grid = {"kind": "pitch", "pitch_mm": 300 / 64}
    return make({"shape": "square", "side_mm": 300}, grid, {"recipe": "rhombi", "spacing": 4, "rings": 2})


def turned_rectangle() -> Plan:
    grid = {"kind": "rotated", "slope": [14, 6], "start": "corner"}
    twists = [triangle(4, 8, "ccw", 0), triangle(7, 8, "cw", 1)]
    return make({"shape": "rectangle", "width_mm": 297, "height_mm": 210}, grid, twists)


def odd_divisions() -> Plan:
    grid = {"kind": "edge-to-edge", "divisions": 15, "start": "corner"}
    return make(HEXAGON, grid, [triangle(-5, 0, "ccw", 0)])


def listed() -> Plan:
    corners = [[-130, -90], [110, -90], [150, 70], [-130, 100]]
    twists = [triangle(0, 0, "ccw", 0), triangle(3, 0, "cw", 1), triangle(-4, 4, "cw", 1)]
    return make({"shape": "polygon", "corners_mm": corners}, {"kind": "pitch", "pitch_mm": 10}, twists)


def with_areas() -> Plan:
    return honeycomb(
        panels=[{"corners": [[0, 0], [2, -1], [1, 1]], "layers": 3}],
        unmodelled=[{"corners": [[-3, 1], [-2, 1], [-2, 2], [-3, 2]]}],
    )


PLANS = {
    "honeycomb": honeycomb,
    "honeycomb, wide": lambda: honeycomb(360, 32, 3),
    "mixed": mixed,
    "rhombi": rhombi,
    "turned rectangle": turned_rectangle,
    "odd divisions": odd_divisions,
    "listed": listed,
    "with areas": with_areas,
}


@cache
def folded(name: str):
    plan = PLANS[name]()
    return plan, fold_plan(plan)


@pytest.fixture(params=list(PLANS))
def any_plan(request):
    """Every kind of plan, and the same folded."""
    return folded(request.param)


@pytest.fixture
def named_plan():
    return folded


@pytest.fixture
def pages():
    """The pages of a plan's drawings."""

    def lay_out(plan_and_nominal, *what, **options):
        plan, nominal = plan_and_nominal
        return plan_pages(plan, what, DrawOptions(**options), nominal)

    return lay_out


@pytest.fixture(scope="session")
def large_panel():
    """A sheet of 540 mm flat to flat, larger than any desktop printer's paper."""
    plan = honeycomb(540, 32, 3)
    return plan, fold_plan(plan)

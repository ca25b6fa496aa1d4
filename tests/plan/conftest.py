"""Plans to fold: honeycombs, hexagons mixed with triangles, rhombi, and single twists."""

from __future__ import annotations

from functools import cache
from math import cos, radians, sin, sqrt

import numpy as np
import pytest
from panels import panel_plan, plan_of

from foldtrue.handover import Nominal
from foldtrue.plan.file import Plan
from foldtrue.plan.fold import fold_plan


def honeycomb_plan(height_mm=240, kind="point-to-point", divisions=16, spacing=2, rings=2, **recipe) -> Plan:
    return panel_plan(spacing, divisions, height_mm, rings, kind, **recipe)


def listed_plan(twists, corners_mm=((-20, -18), (20, -18), (20, 18), (-20, 18)), pitch_mm=1.0) -> Plan:
    sheet = {"shape": "polygon", "corners_mm": [list(c) for c in corners_mm]}
    return plan_of(sheet, {"kind": "pitch", "pitch_mm": pitch_mm}, twists)


def triangle(i, j, hand, turn, **more):
    return {"grid": [i, j], "kind": "triangle", "hand": hand, "turn": turn, **more}


def grid_xy(i, j):
    return i + j / 2, j * sqrt(3) / 2


def mixed_plan(distance, width_rows, size=2) -> Plan:
    """ccw hexagon twists with cw triangle twists between them; the sheet's rim runs half way between rows of twists."""
    half_height = (size + 0.5) * sqrt(3) / 2 * distance
    around = ((1, 0), (0, 1), (-1, 1), (-1, 0), (0, -1), (1, -1))
    steps = range(-size - 2, size + 3)
    hexagons = {((u - v) * distance, (u + 2 * v) * distance) for u in steps for v in steps}
    triangles = {
        (i + a * distance, j + b * distance): (k + 1) % 2 for i, j in hexagons for k, (a, b) in enumerate(around)
    }

    def inside(place):
        x, y = grid_xy(*place)
        return all(x * cos(radians(t)) + y * sin(radians(t)) < half_height for t in range(30, 390, 60))

    common = {"width_rows": width_rows}
    twists = [{"grid": p, "kind": "hexagon", "hand": "ccw"} | common for p in sorted(hexagons) if inside(p)]
    twists += [triangle(*p, "cw", turn, **common) for p, turn in sorted(triangles.items()) if inside(p)]
    corners = [2 / sqrt(3) * half_height * np.exp(1j * np.pi / 3 * k) for k in range(6)]
    return listed_plan(twists, [(c.real, c.imag) for c in corners])


def rhombus_plan(size=2) -> Plan:
    """Rhombus twists of alternating hands, lattice steps (4, 4) and (5, -5); rim half way between rows of twists."""
    along, across = 2 * sqrt(3) * (size + 0.5), 2.5 * (size + 0.5)
    turn, first = np.exp(1j * np.pi / 6), 0.5
    twists = []
    for m in range(-2 * size - 3, 2 * size + 4):
        for n in range(-2 * size - 3, 2 * size + 4):
            for (i, j), hand in (((0.5, 0.0), "ccw"), ((5.0, -0.5), "cw")):
                place = (i + 4 * m + 5 * n, j + 4 * m - 5 * n)
                z = (complex(*grid_xy(*place)) - first) / turn
                if abs(z.real) < along and abs(z.imag) < across:
                    twists.append({"grid": place, "kind": "rhombus", "hand": hand})
    corners = [first + turn * complex(a * along, b * across) for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    return listed_plan(twists, [(c.real, c.imag) for c in corners])


def asymmetric_plan() -> Plan:
    """Three triangle twists, one of them in the sheet's centre, on a sheet that is not symmetric either."""
    return listed_plan(
        [triangle(0, 0, "ccw", 0), triangle(3, 0, "cw", 1), triangle(-4, 4, "cw", 1)],
        ((-13, -9), (11, -9), (15, 7), (-13, 10)),
    )


PLANS = {
    "honeycomb L2": honeycomb_plan,
    "honeycomb L2, 96 twists": lambda: honeycomb_plan(360, "point-to-point", 32, 2, 4),
    "honeycomb L3": lambda: honeycomb_plan(360, "point-to-point", 32, 3, 2),
    "honeycomb L3, edge to edge": lambda: honeycomb_plan(360, "edge-to-edge", 32, 3, 3),
    "honeycomb L4, cw first": lambda: honeycomb_plan(360, "point-to-point", 32, 4, 2, first_hand="cw"),
    "mixed 6": lambda: mixed_plan(6, 2),
    "mixed 8": lambda: mixed_plan(8, 2),
    "mixed 4, one row": lambda: mixed_plan(4, 1),
    "rhombi": rhombus_plan,
    "asymmetric": asymmetric_plan,
}


@cache
def folded(name: str) -> Nominal:
    return fold_plan(PLANS[name]())


@pytest.fixture(params=list(PLANS))
def nominal(request) -> Nominal:
    """Every kind of plan, folded."""
    return folded(request.param)


@pytest.fixture(scope="session")
def plans():
    """The makers of plans above, by name."""

    class Makers:
        honeycomb = staticmethod(honeycomb_plan)
        listed = staticmethod(listed_plan)
        mixed = staticmethod(mixed_plan)
        rhombi = staticmethod(rhombus_plan)
        asymmetric = staticmethod(asymmetric_plan)
        triangle = staticmethod(triangle)
        folded = staticmethod(folded)
        made = staticmethod(lambda name: PLANS[name]())

    return Makers

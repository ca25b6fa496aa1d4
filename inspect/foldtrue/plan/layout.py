"""From the plan's words to places on the sheet: outline, grid, and the list of twists a recipe stands for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Literal

import numpy as np

from foldtrue.plan.file import DividedGrid, HexagonSheet, HoneycombRecipe, ListedTwist, Plan
from foldtrue.plan.planar import Points

Kind = Literal["triangle", "hexagon", "rhombus"]

# cos and sin of multiples of 30 degrees, exact where they are: lines that should coincide then do.
_COS_30 = (1.0, sqrt(3) / 2, 0.5, 0.0, -0.5, -sqrt(3) / 2, -1.0, -sqrt(3) / 2, -0.5, 0.0, 0.5, sqrt(3) / 2)


def unit(angle_deg: int) -> complex:
    """Unit vector at a multiple of 30 degrees."""
    step = angle_deg // 30 % 12
    return complex(_COS_30[step], _COS_30[(step - 3) % 12])


@dataclass(frozen=True)
class Site:
    """A twist to be laid out. centre: sheet frame, mm. hand: +1 ccw, -1 cw. ring: 0 where the plan does not say."""

    id: str
    kind: Kind
    grid: tuple[float, float]
    centre: complex
    turn: int
    hand: int
    width_mm: float
    ring: int


def sheet_corners(plan: Plan) -> Points:
    """Corners of the sheet in mm, counter-clockwise; a hexagon lies as its grid asks (docs/conventions.md)."""
    if isinstance(plan.sheet, HexagonSheet):
        side = plan.sheet.height / sqrt(3)
        first = 30 if isinstance(plan.grid, DividedGrid) and plan.grid.kind == "point-to-point" else 0
        return np.array([side * unit(first + 60 * k) for k in range(6)])
    corners = np.array([complex(*c) for c in plan.sheet.corners_mm])
    return corners if (np.roll(corners, -1) * corners.conj()).imag.sum() > 0 else corners[::-1]


def grid_to_sheet(i: float, j: float, pitch_mm: float) -> complex:
    """Grid coordinates along 0 and 60 degrees -> sheet frame, mm."""
    return complex((i + 0.5 * j) * pitch_mm, j * (sqrt(3) / 2) * pitch_mm)


def twist_sites(plan: Plan) -> list[Site]:
    """Every twist of the plan in the order of its ids t0, t1, ..."""
    if isinstance(plan.twists, HoneycombRecipe):
        listed, rings = honeycomb(plan.twists)
    else:
        listed, rings = plan.twists, [0] * len(plan.twists)
    pitch = plan.pitch_mm
    return [
        Site(
            id=f"t{k}",
            kind=twist.kind,
            grid=twist.grid,
            centre=grid_to_sheet(*twist.grid, pitch),
            turn=twist.turn,
            hand=1 if twist.hand == "ccw" else -1,
            width_mm=twist.width_rows * pitch * sqrt(3) / 2,
            ring=ring,
        )
        for k, (twist, ring) in enumerate(zip(listed, rings, strict=True))
    ]


def honeycomb(recipe: HoneycombRecipe) -> tuple[Sequence[ListedTwist], list[int]]:
    """The twists of a honeycomb and the ring of each: by ring, then counter-clockwise from +x.

    Ring r holds the 6(2r - 1) corners of the r-th ring of hexagonal cells that no earlier ring has.
    """
    listed: list[ListedTwist] = []
    rings: list[int] = []
    seen: set[tuple[int, int]] = set()
    other = "cw" if recipe.first_hand == "ccw" else "ccw"
    for ring in range(1, recipe.rings + 1):
        corners = {corner for cell in _cells(ring) for corner in _around(*cell)} - seen
        seen |= corners
        for i, j in sorted(corners, key=_direction):
            like_first = (i - j) % 3 == 1
            listed.append(
                ListedTwist(
                    grid=(float(recipe.spacing * i), float(recipe.spacing * j)),
                    kind="triangle",
                    turn=0 if like_first else 1,
                    hand=recipe.first_hand if like_first else other,  # type: ignore[arg-type]
                    width_rows=recipe.width_rows,
                )
            )
            rings.append(ring)
    return listed, rings


def _cells(ring: int) -> list[tuple[int, int]]:
    """Centres of the cells in the given ring, in steps of the spacing; ring 1 is the central cell alone."""
    far = ring - 1
    steps = range(-far, far + 1)
    return [(u + 2 * v, u - v) for u in steps for v in steps if max(abs(u), abs(v), abs(u + v)) == far]


def _around(i: int, j: int) -> list[tuple[int, int]]:
    return [(i + 1, j), (i, j + 1), (i - 1, j + 1), (i - 1, j), (i, j - 1), (i + 1, j - 1)]


def _direction(corner: tuple[int, int]) -> float:
    place = grid_to_sheet(*corner, 1.0)
    return round(float(np.angle(place)) % (2 * np.pi), 9)

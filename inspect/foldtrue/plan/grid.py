"""The triangle grid: directions, grid coordinates, and what slope components say about a rotated grid."""

from __future__ import annotations

from dataclasses import dataclass
from math import gcd, sqrt
from typing import Literal

import numpy as np

from foldtrue.plan.planar import Points

Kind = Literal["triangle", "hexagon", "rhombus", "open-hexagon"]

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


@dataclass(frozen=True)
class Lane:
    """A pleat without a twist, to be laid out: a point of its mountain line (sheet frame, mm), and where it runs."""

    id: str
    through: complex
    turn: int
    hand: int
    width_mm: float


def grid_to_sheet(i: float, j: float, pitch_mm: float) -> complex:
    """Grid coordinates along 0 and 60 degrees -> mm from the grid's start."""
    return complex((i + 0.5 * j) * pitch_mm, j * (sqrt(3) / 2) * pitch_mm)


def grid_direction(corner: tuple[float, float]) -> float:
    """Direction of a grid place seen from the grid's start, 0 to 2 pi, rounded so that equal ones compare equal."""
    return round(float(np.angle(grid_to_sheet(*corner, 1.0))) % (2 * np.pi), 9)


def slope_direction(m: int, n: int) -> complex:
    """Unit vector along m pitches at 0 and n at 60 degrees; exact on the lines and half way between them."""
    if n == 0 or m == 0 or m == n:
        return unit(0 if n == 0 else 60 if m == 0 else 30)
    step = grid_to_sheet(m, n, 1.0)
    return step / abs(step)


def aligned_divisions(m: int, n: int) -> int:
    """Divisions of the sheet's first side whose own, unturned grid has every point of the rotated grid among its own.

    As complex numbers with w = exp(i 60 deg), the side is z = m + n w pitches. Seen from the side, one pitch of the
    rotated grid is 1/z = conj(z) / |z|^2 sides; conj(z) is again a whole combination of 1 and w, so all grid points are
    whole steps of 1/|z|^2 = 1/(m^2 + m n + n^2) of the side, and of gcd(m, n) times that where conj(z) has the factor.
    """
    return (m * m + m * n + n * n) // gcd(m, n)


def turned(points: Points, direction: complex) -> Points:
    """Points turned by the angle of a unit vector; unchanged for 1."""
    return points if direction == 1 else points * direction

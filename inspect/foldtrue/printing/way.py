"""How to find a twist on a creased sheet: by counting spaces along two grid lines."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import hypot

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import Nominal, Twist

_UNITS = ((1, 0), (0, 1), (-1, 1), (-1, 0), (0, -1), (1, -1))
"""The six directions along grid lines in grid coordinates, counter-clockwise from +x."""
_LEAST = 1e-6


@dataclass(frozen=True)
class Way:
    """So many spaces along one grid line, then along another.

    start: where grid coordinates count from, sheet frame, mm. steps: (direction, in steps of 60 degrees
    counter-clockwise from +x; spaces), at most two, none of 0.
    """

    start: tuple[float, float]
    steps: tuple[tuple[int, float], ...]

    def points(self, pitch_mm: float) -> Array:
        """(N, 2) mm: the start and where each step ends."""
        steps = [spaces * pitch_mm * step_mm(direction, 1.0) for direction, spaces in self.steps]
        return np.asarray(np.cumsum([np.array(self.start), *steps], axis=0))


def step_mm(direction: int, pitch_mm: float) -> Array:
    """(2,) one space along a direction, in steps of 60 degrees counter-clockwise from +x."""
    angle = direction * np.pi / 3
    return pitch_mm * np.array([np.cos(angle), np.sin(angle)])


def grid_start_mm(nominal: Nominal) -> tuple[float, float]:
    """The point of the sheet from which grid coordinates count."""
    twist = nominal.twists[0]
    (i, j), (x, y) = twist.grid, twist.sheet_mm
    return x - nominal.pitch_mm * (i + j / 2), y - nominal.row_mm * j


def start_words(nominal: Nominal) -> str:
    """What a folder calls the point from which grid coordinates count."""
    in_centre = hypot(*grid_start_mm(nominal)) < _LEAST * nominal.pitch_mm
    return "the sheet's centre" if in_centre else "the ringed corner"


def way_to(nominal: Nominal, twist: Twist) -> Way:
    """The way with the fewest spaces among those that stay on the sheet; with the fewest of all where none does."""
    start = grid_start_mm(nominal)
    ways = [Way(start, steps) for steps in _counts(*twist.grid)]

    def worth(way: Way) -> tuple[bool, float]:
        points = way.points(nominal.pitch_mm)
        leaves = not all(_on_sheet(point, nominal.sheet_outline_mm) for point in points)
        return leaves, round(sum(spaces for _, spaces in way.steps), 6)

    return min(ways, key=worth)


def _counts(i: float, j: float) -> Iterable[tuple[tuple[int, float], ...]]:
    """Every way to go i along 0 and j along 60 degrees in at most two steps along grid directions."""
    for a, first in enumerate(_UNITS):
        for b, second in enumerate(_UNITS):
            area = first[0] * second[1] - first[1] * second[0]
            if not area:
                continue
            counts = ((i * second[1] - j * second[0]) / area, (first[0] * j - first[1] * i) / area)
            if min(counts) >= -_LEAST:
                steps = zip((a, b), counts, strict=True)
                yield tuple((direction, round(n, 6)) for direction, n in steps if n > _LEAST)


def _on_sheet(point: Array, outline: Array) -> bool:
    """Whether a point lies on a convex sheet, counter-clockwise (K, 2), its rim included."""
    side, ray = np.roll(outline, -1, 0) - outline, point - outline
    return bool((side[:, 0] * ray[:, 1] - side[:, 1] * ray[:, 0] >= -_LEAST * np.hypot(*side.T)).all())

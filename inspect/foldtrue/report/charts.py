"""Charts of a piece's errors: map, arrows, how many of which size in each ring. Shapes and numbers tell, never colour
alone. Lengths inside are mm of the plan, seen from the front, y up on the plan and down on the page.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from foldtrue.report.overlay import magnification
from foldtrue.report.svg import Node, add, markup, outline, picture
from foldtrue.report.twist_rows import TwistRow
from foldtrue.report.units import Units

Point = tuple[float, float]
_LARGEST_DISC = 0.44
"""Radius of the worst twist's disc, of the room between twists."""
_READABLE_PX = 11.0


@dataclass(frozen=True)
class Ground:
    """What the charts stand on. rows: all twists. rim_mm: corners of the planned outline, empty where it is not known.
    room_mm: between neighbouring twists."""

    rows: tuple[TwistRow, ...]
    rim_mm: tuple[Point, ...]
    room_mm: float
    units: Units

    @property
    def low(self) -> Point:
        xs, ys = zip(*self._all(), strict=True)
        return min(xs) - 0.6 * self._edge, min(ys) - 0.6 * self._edge

    @property
    def high(self) -> Point:
        xs, ys = zip(*self._all(), strict=True)
        return max(xs) + 0.6 * self._edge, max(ys) + 0.6 * self._edge

    @property
    def _edge(self) -> float:
        return 0.2 * self.room_mm if self.rim_mm else self.room_mm

    def _all(self) -> list[Point]:
        return [*self.rim_mm, *(row.at_mm for row in self.rows)] or [(0.0, 0.0)]

    def place(self, at: Point) -> Point:
        return at[0] - self.low[0], self.high[1] - at[1]

    @property
    def least_px(self) -> int:
        """Width below which names could not be read."""
        return round(_READABLE_PX * (self.high[0] - self.low[0]) / _type_mm(self))


def _type_mm(ground: Ground) -> float:
    return 0.19 * ground.room_mm


def _empty(ground: Ground, kind: str, said: str) -> Node:
    width, height = ground.high[0] - ground.low[0], ground.high[1] - ground.low[1]
    root = picture(width, height, kind, said)
    root.set("style", f"min-width:{ground.least_px}px")
    if ground.rim_mm:
        add(root, "path", "rim", d=outline(map(ground.place, ground.rim_mm)), stroke_width=0.012 * ground.room_mm)
    return root


def error_map(ground: Ground) -> Markup:
    """Every twist a disc whose area grows with its place error, and the error as a number; a dashed ring where the
    error is within its uncertainty, a cross where nothing was measured."""
    root = _empty(ground, "map", "Place error of every twist; the table below has the same figures")
    worst = max((row.off_mm or 0.0 for row in ground.rows), default=0.0) or 1.0
    thin, size = 0.015 * ground.room_mm, _type_mm(ground)
    for row in ground.rows:
        x, y = ground.place(row.at_mm)
        if row.off_mm is None:
            _cross(root, (x, y), 0.2 * ground.room_mm, 2 * thin)
            add(root, "text", "name", row.id, x=x, y=y - 0.25 * ground.room_mm, font_size=size)
            continue
        radius = _LARGEST_DISC * ground.room_mm * math.sqrt(row.off_mm / worst)
        dashes = {} if row.clearly_off else {"stroke_dasharray": f"{3 * thin:.2f} {2 * thin:.2f}"}
        kind = "disc" if row.clearly_off else "disc unclear"
        add(root, "circle", kind, cx=x, cy=y, r=radius, stroke_width=thin, **dashes)
        away = radius + 0.25 * size if radius < 1.35 * size else 0.2 * size  # words do not fit into a small disc
        add(root, "text", "name", row.id, x=x, y=y - away, font_size=0.8 * size)
        add(root, "text", "figure", ground.units.number(row.off_mm), x=x, y=y + away + 0.65 * size, font_size=size)
    return markup(root)


def error_arrows(ground: Ground) -> tuple[Markup, float]:
    """Every twist's error as an arrow from its planned place, enlarged, the circle that holds 95 % of it at the tip;
    and how many times enlarged."""
    root = _empty(ground, "arrows", "Direction and size of every twist's place error, enlarged")
    errors = np.array([row.off_mm for row in ground.rows if row.off_mm is not None])
    times = magnification(errors, ground.room_mm)
    thin = 0.02 * ground.room_mm
    for row in ground.rows:
        x, y = ground.place(row.at_mm)
        add(root, "circle", "start", cx=x, cy=y, r=1.2 * thin)
        if row.error_mm is None:
            _cross(root, (x, y), 0.15 * ground.room_mm, thin)
            continue
        tip = (x + times * row.error_mm[0], y - times * row.error_mm[1])
        add(root, "circle", "u95", cx=tip[0], cy=tip[1], r=times * (row.u95_mm or 0.0), stroke_width=0.5 * thin)
        _arrow(root, (x, y), tip, thin)
        below = -1 if tip[1] > y else 1
        at = y + below * 0.16 * ground.room_mm + 0.3 * _type_mm(ground)
        add(root, "text", "name", row.id, x=x, y=at, font_size=0.8 * _type_mm(ground))
    return markup(root), times


def _arrow(root: Node, start: Point, tip: Point, width: float) -> None:
    length = math.dist(start, tip)
    add(root, "path", "arrow", d=f"M{start[0]:.2f} {start[1]:.2f}L{tip[0]:.2f} {tip[1]:.2f}", stroke_width=width)
    if length > 0:
        ux, uy = (tip[0] - start[0]) / length, (tip[1] - start[1]) / length
        head = min(5 * width, 0.6 * length)
        base = (tip[0] - head * ux, tip[1] - head * uy)
        sides = [(base[0] + s * 0.45 * head * uy, base[1] - s * 0.45 * head * ux) for s in (1, -1)]
        add(root, "path", "head", d=outline([tip, *sides]))


def _cross(root: Node, at: Point, reach: float, width: float) -> None:
    for slope in (1, -1):
        ends = [(at[0] + s * reach, at[1] + s * slope * reach) for s in (1, -1)]
        add(root, "path", "cross", d=outline(ends), stroke_width=width)


@dataclass(frozen=True)
class RingChart:
    """How many twists of one ring are off by how much."""

    ring: int
    count: int
    chart: Markup


_PANEL = (300.0, 130.0)
_BINS = 12


def ring_charts(ground: Ground) -> list[RingChart]:
    """One small chart a ring, all on the same scales: each twist a mark, stacked by its place error; a ring for ccw, a
    filled triangle for cw."""
    seen = [row for row in ground.rows if row.off_mm is not None]
    rings = sorted({row.ring for row in seen})
    if not seen:
        return []
    top = _round_up(max(row.off_mm or 0.0 for row in seen) / ground.units.mm) * ground.units.mm
    stacks = {ring: _stacks([row for row in seen if row.ring == ring], top) for ring in rings}
    highest = max(len(stack) for stack in (s for of_ring in stacks.values() for s in of_ring))
    return [
        RingChart(ring, sum(map(len, stacks[ring])), _panel(ring, stacks[ring], (top, highest), ground.units))
        for ring in rings
    ]


def _stacks(rows: Sequence[TwistRow], top: float) -> list[list[TwistRow]]:
    stacks: list[list[TwistRow]] = [[] for _ in range(_BINS)]
    for row in sorted(rows, key=lambda row: row.hand):
        stacks[min(_BINS - 1, int(_BINS * (row.off_mm or 0.0) / top))].append(row)
    return stacks


def _panel(ring: int, stacks: Sequence[Sequence[TwistRow]], scale: tuple[float, int], units: Units) -> Markup:
    width, height = _PANEL
    left, base = 12.0, height - 26.0
    step = (width - 2 * left) / _BINS
    rise = min(0.8 * step, (base - 6) / scale[1])
    root = picture(width, height, "ring", f"Ring {ring}: number of twists by place error")
    add(root, "path", "axis", d=f"M{left} {base}H{width - left}", stroke_width=1.0)
    for k, stack in enumerate(stacks):
        for j, row in enumerate(stack):
            _mark(root, (left + (k + 0.5) * step, base - (j + 0.5) * rise), 0.42 * rise, row.hand)
    for share, anchor in ((0.0, "start"), (0.5, "middle"), (1.0, "end")):
        x = left + share * (width - 2 * left)
        add(root, "path", "axis", d=f"M{x:.2f} {base}v4", stroke_width=1.0)
        label = f"{share * scale[0] / units.mm:.3g}" + (f" {units.label}" if share == 1 else "")
        add(root, "text", "tick", label, x=x, y=base + 19, font_size=14.0, text_anchor=anchor)
    return markup(root)


def _mark(root: Node, at: Point, radius: float, hand: str) -> None:
    x, y = at
    if hand == "ccw":
        add(root, "circle", "ccw", cx=x, cy=y, r=0.85 * radius, stroke_width=max(0.3 * radius, 0.4))
    else:
        corners = [(x, y - radius), (x + 0.95 * radius, y + 0.8 * radius), (x - 0.95 * radius, y + 0.8 * radius)]
        add(root, "path", "cw", d=outline(corners))


def _round_up(value: float) -> float:
    """The next of 1, 2, 3, 5 times a power of ten."""
    if value <= 0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(value))
    return next(step * power for step in (1, 2, 3, 5, 10) if step * power >= value * (1 - 1e-9))


def share_bar(share: float) -> Markup:
    """A bar as long as a share, 0 to 1."""
    root = picture(100.0, 9.0, "bar", f"{100 * share:.0f} %")
    add(root, "rect", "whole", x=0.5, y=0.5, width=99.0, height=8.0)
    add(root, "rect", "part", x=0.5, y=0.5, width=99.0 * min(max(share, 0.0), 1.0), height=8.0)
    return markup(root)

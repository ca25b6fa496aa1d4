"""The placement guide: where the first twist goes, and then the others, to lie beside the paper while folding.

Order: ring by ring from the inside, each ring counter-clockwise (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import atan2, ceil, hypot, pi

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import Nominal, Twist
from foldtrue.handover_grid import PlannedGrid
from foldtrue.printing.drawing import (
    SAMPLE_MM,
    WHITE,
    Area,
    Drawing,
    KeyEntry,
    Mark,
    Page,
    Stroke,
    Window,
    Words,
    bounds,
)
from foldtrue.printing.fold_lines import GRID_MM, RIM_MM, rim_stroke
from foldtrue.printing.guide_table import table_pages
from foldtrue.printing.layout import (
    FOOT_MM,
    MARGIN_MM,
    control_line,
    heading,
    key_and_cautions,
    placed,
    reduced,
    text_block,
)
from foldtrue.printing.twist_marks import hand_arrow, hand_key, room
from foldtrue.printing.way import Way, start_words, step_mm, way_to
from foldtrue.printing.words import counted

_WAY_MM = 0.7
_TYPE_MM = 4.2
_ROOM_FOR_ARROW_MM = 2.2
"""A smaller twist on the page shows its number alone; its hand is in the list."""
_DIRECTIONS = (
    "to the right",
    "up to the right",
    "up to the left",
    "to the left",
    "down to the left",
    "down to the right",
)


def guide_pages(nominal: Nominal, grid: PlannedGrid, paper: tuple[float, float]) -> tuple[Page, ...]:
    """A page that shows the order on the sheet and how to find the first twist, then the list of all twists."""
    order = guide_order(nominal)
    return (_first_page(nominal, grid, order, paper), *table_pages(nominal, order, start_words(nominal), paper))


def guide_order(nominal: Nominal) -> tuple[Twist, ...]:
    """All twists, ring by ring, each ring counter-clockwise from +x about the sheet's centre."""

    def key(twist: Twist) -> tuple[int, float, float]:
        x, y = twist.sheet_mm
        return twist.ring, round(atan2(y, x) % (2 * pi), 9) % round(2 * pi, 9), hypot(x, y)

    return tuple(sorted(nominal.twists, key=key))


def _first_words(nominal: Nominal, first: Twist) -> str:
    way, start = way_to(nominal, first), start_words(nominal)
    hand = "ccw" if first.hand > 0 else "cw"
    found = ", then ".join(
        f"{n:.4g} {'space' if n == 1 else 'spaces'} along the grid line {_DIRECTIONS[d]}" for d, n in way.steps
    )
    x, y = (a - b + 0.0 for a, b in zip(first.sheet_mm, way.start, strict=True))
    sides = (
        f"{abs(x):.1f} mm {'right' if x >= 0 else 'left'} of and {abs(y):.1f} mm {'above' if y >= 0 else 'below'} it"
    )
    place = f"from {start} count {found}. Its middle lies {sides}." if way.steps else f"its middle lies on {start}."
    return f"First: number 1 (twist {first.id}, {first.kind}, hand {hand}): {place}"


def _first_page(nominal: Nominal, grid: PlannedGrid, order: Sequence[Twist], paper: tuple[float, float]) -> Page:
    width, height = paper
    wide = width - 2 * MARGIN_MM
    title = f"Placement guide: {nominal.name}"
    about = (
        f"{counted(len(order), 'twist')}. Lay the sheet front up and turned as drawn, one set of grid lines level. "
        f"One space is one side of the grid's small triangle, {nominal.pitch_mm:.2f} mm. This drawing is not for "
        "measuring; hands without room for an arrow are in the list."
    )
    above = heading(title, about, wide)
    first = text_block(_first_words(nominal, order[0]), _TYPE_MM, wide)
    then = text_block("Then the others in the order of their numbers, ring by ring.", _TYPE_MM, wide)
    key = key_and_cautions(_key(), (), wide)
    top = height - MARGIN_MM - above[1]
    low = MARGIN_MM + FOOT_MM + key[1]
    room_on_page = (MARGIN_MM, low, width - MARGIN_MM, top - first[1] - then[1] - 3.0)
    scale, shift = reduced(*bounds(nominal.sheet_outline_mm), room_on_page)
    drawing = draw_guide(nominal, grid, order, scale)
    marks = (
        *placed(above[0], MARGIN_MM, height - MARGIN_MM),
        *placed(first[0], MARGIN_MM, top),
        *placed(then[0], MARGIN_MM, top - first[1]),
        *placed(key[0], MARGIN_MM, low),
        *control_line(),
    )
    return Page(width, height, title, (Window(drawing, scale, shift),), marks)


def draw_guide(nominal: Nominal, grid: PlannedGrid, order: Sequence[Twist], scale: float) -> Drawing:
    """The sheet with its grid, every twist with its number and hand, and the way to the first; lines and type so thick
    and large that they come out well at the given scale."""
    way = way_to(nominal, order[0])
    low, high = bounds(np.array([*nominal.sheet_outline_mm, *way.points(nominal.pitch_mm)]), 3.0 / scale)
    along = np.stack([-grid.normals[:, 1], grid.normals[:, 0]], 1)
    foot = grid.offset_mm[:, None] * grid.normals
    ends = np.stack([foot + grid.low_mm[:, None] * along, foot + grid.high_mm[:, None] * along], 1)
    lines = tuple(Stroke(points, "grid", GRID_MM / scale, grey=0.35) for points in ends)
    twists = (mark for k, twist in enumerate(order) for mark in _numbered(nominal, twist, k + 1, scale))
    rim = Stroke(nominal.sheet_outline_mm, "rim", RIM_MM / scale, closed=True)
    marks = (*lines, rim, *twists, *_way_marks(nominal, order[0], way, scale))
    return Drawing("guide", nominal.name, "", low, high, marks)


def _numbered(nominal: Nominal, twist: Twist, number: int, scale: float) -> Iterable[Mark]:
    corners = nominal.vertices_sheet_mm[list(twist.tips)]
    corners = _in_turn(corners)
    x, y = corners.mean(0)
    size = min(max(0.75 * room(corners), 1.4 / scale), 5.0 / scale)
    yield Area((corners,), WHITE, "twist")
    yield Stroke(corners, "twist", 0.25 / scale, closed=True)
    if room(corners) * scale >= _ROOM_FOR_ARROW_MM:
        yield from hand_arrow(corners.mean(0), 0.85 * room(corners), twist.hand)
    yield Words((float(x), float(y) - 0.35 * size), str(number), size, "middle")


def _in_turn(corners: Array) -> Array:
    """Corners (K, 2) in order around their middle: on the sheet the tips may go round the other way."""
    ray = corners - corners.mean(0)
    return np.asarray(corners[np.argsort(np.arctan2(ray[:, 1], ray[:, 0]))])


def _way_marks(nominal: Nominal, first: Twist, way: Way, scale: float) -> Iterable[Mark]:
    """A ring at the start, thick lines along the grid with a dot at every whole space, an arrow head at the twist (its
    number stays free)."""
    place = np.array(way.start)
    yield _disc(place, 2.2 / scale, None, scale)
    yield _disc(place, 0.6 / scale, 0.0, scale)
    for number, (direction, spaces) in enumerate(way.steps, 1):
        unit = step_mm(direction, 1.0)
        last = number == len(way.steps)
        free = min(1.15 * room(nominal.vertices_sheet_mm[list(first.tips)]), 0.5 * spaces * nominal.pitch_mm) * last
        stop = place + spaces * nominal.pitch_mm * unit
        yield Stroke(np.array([place, stop - free * unit]), "way", _WAY_MM / scale)
        for k in range(1, ceil(spaces - 1e-6) if last else int(spaces + 1e-6) + 1):
            yield _disc(place + k * nominal.pitch_mm * unit, min(1.0 / scale, 0.2 * nominal.pitch_mm), 0.0, scale)
        if last:
            yield _arrow_head(stop - free * unit, unit, min(3.0 / scale, 0.6 * nominal.pitch_mm))
        place = stop


def _arrow_head(tip: Array, along: Array, size: float) -> Area:
    across = np.array([-along[1], along[0]])
    return Area(
        (np.array([tip, tip - size * along + 0.4 * size * across, tip - size * along - 0.4 * size * across]),), 0.0
    )


def _disc(centre: Array, radius: float, grey: float | None, scale: float) -> Mark:
    angle = np.linspace(0, 2 * pi, 25)[:-1]
    ring = centre + radius * np.stack([np.cos(angle), np.sin(angle)], 1)
    return Stroke(ring, "start", 0.4 / scale, closed=True) if grey is None else Area((ring,), grey, "count")


def _key() -> tuple[KeyEntry, ...]:
    line = np.array([[0.0, 0.0], [SAMPLE_MM[0], 0.0]])
    way = (Stroke(line, "way", _WAY_MM), *(_disc(np.array([x, 0.0]), 1.0, 0.0, 1.0) for x in (4.0, 10.0)))
    return (
        KeyEntry((rim_stroke(line),), "rim of the sheet"),
        KeyEntry((Stroke(line, "grid", GRID_MM, grey=0.35),), "grid line"),
        KeyEntry((_disc(np.array([SAMPLE_MM[0] / 2, 0.0]), 1.8, None, 1.0),), "where counting starts"),
        KeyEntry(way, "way to the first twist, a dot for each space"),
        *hand_key(),
    )

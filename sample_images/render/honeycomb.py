"""The crease pattern of a honeycomb of triangle twists on a hexagonal sheet, and its flat folding, facet by facet.

Written for the sample pictures alone and on purpose not with foldtrue's own plan code, so that the two can be compared.
Sheet frame: origin at the centre, x right, y up, mm; one grid direction along x, the hexagon standing on a corner.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from math import sqrt

import numpy as np

SAME_MM = 1e-6
TWIST, PLEAT, CELL = "twist", "pleat", "cell"


Site = tuple[np.ndarray, int, int]  # centre on the sheet (2,) mm, hand, ring
Near = Callable[[np.ndarray], int | None]  # number of the site at this place


@dataclass(frozen=True)
class Layout:
    """Sheet flat to flat (mm), divisions point to point, spacing of the twists in pitches, complete rings."""

    height_mm: float
    divisions: int
    spacing: int
    rings: int

    @property
    def pitch_mm(self) -> float:
        """Side of the grid's small triangle: two flat-to-flat heights make 3/2 of the divisions' pitches."""
        return 4 * self.height_mm / (3 * self.divisions)


@dataclass(frozen=True)
class Twist:
    """centre_mm (2,) on the sheet; hand +1 ccw, -1 cw; tips: 3 vertex numbers, counter-clockwise from the pleat nearest
    +x; border: a pleat of it runs to the rim."""

    name: str
    ring: int
    hand: int
    border: bool
    centre_mm: np.ndarray
    tips: tuple[int, ...]


@dataclass(frozen=True)
class Crease:
    """A fold between facets `over` (the upper of the two, seen from the front) and `under`, from vertex to vertex."""

    over: int
    under: int
    ends: tuple[int, int]
    mountain: bool


@dataclass(frozen=True)
class Folding:
    """sheet_mm, folded_mm (V, 2): the vertices flat and folded as planned. facets: vertex numbers, counter-clockwise on
    the sheet; kinds: what each one is; turned: whether it shows its back in front view. closure_mm: worst mismatch of a
    vertex reached by different ways round."""

    layout: Layout
    sheet_mm: np.ndarray
    folded_mm: np.ndarray
    facets: list[tuple[int, ...]]
    kinds: list[str]
    turned: list[bool]
    creases: list[Crease]
    twists: list[Twist]
    closure_mm: float


def unit(degrees: float) -> np.ndarray:
    a = np.radians(degrees)
    return np.array([np.cos(a), np.sin(a)])


def cut(polygon: np.ndarray, point: np.ndarray, inward: np.ndarray) -> np.ndarray:
    """The part of a convex polygon (n, 2) on the side of `inward` of a line through `point`."""
    depth = (polygon - point) @ inward
    kept = []
    for i in range(len(polygon)):
        j = (i + 1) % len(polygon)
        if depth[i] >= -SAME_MM:
            kept.append(polygon[i])
        if (depth[i] > SAME_MM) != (depth[j] > SAME_MM) and min(abs(depth[i]), abs(depth[j])) > SAME_MM:
            kept.append(polygon[i] + (polygon[j] - polygon[i]) * depth[i] / (depth[i] - depth[j]))
    return np.array(kept).reshape(-1, 2)


class Vertices:
    """Numbers points, equal ones alike."""

    def __init__(self) -> None:
        self.points: list[np.ndarray] = []

    def number(self, point: np.ndarray) -> int:
        for i, known in enumerate(self.points):
            if np.hypot(*(known - point)) < SAME_MM * 10:
                return i
        self.points.append(point)
        return len(self.points) - 1

    def loop(self, polygon: np.ndarray) -> tuple[int, ...]:
        numbers = [self.number(p) for p in polygon]
        return tuple(n for i, n in enumerate(numbers) if n != numbers[i - 1])


def twist_sites(layout: Layout) -> tuple[list[Site], list[np.ndarray]]:
    """(centre, hand, ring) of every twist, and the centres of the cells with a twist round them. Ring r: the corners of
    the r-th ring of hexagonal cells that no earlier ring has."""
    reach = layout.spacing * layout.pitch_mm
    p, q = reach * sqrt(3) * unit(30), reach * sqrt(3) * unit(90)
    span = range(-layout.rings - 1, layout.rings + 2)
    cells = sorted((max(abs(i), abs(j), abs(i + j)), i, j) for i in span for j in span)
    sites: list[Site] = []
    for ring in range(1, layout.rings + 1):
        new = []
        for far, i, j in cells:
            if far != ring - 1:
                continue
            for k in range(6):
                at = i * p + j * q + reach * unit(60 * k)
                if all(np.hypot(*(at - s[0])) > SAME_MM * 10 for s in sites + new):
                    new.append((at, 1 if k % 2 == 0 else -1, ring))
        sites += sorted(new, key=lambda s: np.arctan2(s[0][1], s[0][0]) % (2 * np.pi - 1e-9))
    return sites, [i * p + j * q for far, i, j in cells if far <= layout.rings]


class Pattern:
    """Collects facets while the pattern is built."""

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self.a, self.w = layout.pitch_mm, layout.pitch_mm * sqrt(3) / 2
        self.sheet = np.array([unit(60 * k + 30) * layout.height_mm / sqrt(3) for k in range(6)])
        self.vertices = Vertices()
        self.facets: list[tuple[int, ...]] = []
        self.kinds: list[str] = []

    def add(self, polygon: np.ndarray, kind: str) -> tuple[int, ...]:
        loop = self.vertices.loop(polygon)
        if len(loop) >= 3:
            self.facets.append(loop)
            self.kinds.append(kind)
        return loop

    def strip(self, start: np.ndarray, hand: int, angle: float, length: float) -> np.ndarray:
        """Pleat from the twist at `start` in a direction: mountain line from its tip, valley line on the hand's side,
        towards a partner at `length` (inf: to the rim)."""
        d, n = unit(angle), hand * unit(angle + 90)
        far = 4 * self.layout.height_mm if np.isinf(length) else length
        tail = 0.0 if np.isinf(length) else self.a
        mountain = [start + self.a * d, start + (far - tail) * d]
        valley = [start + self.w * n - self.a / 2 * d, start + self.w * n + (far + tail / 2) * d]
        loop = np.array([mountain[0], mountain[1], valley[1], valley[0]])
        return loop if hand > 0 else loop[::-1]

    def clipped(self, polygon: np.ndarray) -> np.ndarray:
        for k in range(6):
            polygon = cut(polygon, self.sheet[k], unit(60 * k + 240))
        return polygon


def names(sites: list[Site]) -> list[str]:
    """t0, t1 ...: ring by ring, counted counter-clockwise from +x."""
    turn = [(np.arctan2(at[1], at[0]) + 1e-6) % (2 * np.pi) for at, _, _ in sites]
    counted = sorted(range(len(sites)), key=lambda i: (sites[i][2], turn[i]))
    return [f"t{counted.index(i)}" for i in range(len(sites))]


def build(layout: Layout) -> tuple[Pattern, list[Twist]]:
    """All facets of the pattern: twists, pleats, cells, in this order."""
    pattern, reach = Pattern(layout), layout.spacing * layout.pitch_mm
    sites, cells = twist_sites(layout)
    name = names(sites)

    def near(at: np.ndarray) -> int | None:
        return next((i for i, s in enumerate(sites) if np.hypot(*(s[0] - at)) < SAME_MM * 10), None)

    twists, strips = [], []
    for i, (centre, hand, ring) in enumerate(sites):
        angles = [0 if hand > 0 else 60, 120 if hand > 0 else 180, 240 if hand > 0 else 300]
        tips = pattern.add(np.array([centre + pattern.a * unit(g) for g in angles]), TWIST)
        mates = [near(centre + reach * unit(g)) for g in angles]
        twists.append(Twist(name[i], ring, hand, None in mates, centre, tips))
        for angle, mate in zip(angles, mates, strict=True):
            if mate is None or mate > i:
                strips.append(pattern.strip(centre, hand, angle, np.inf if mate is None else reach))
    for strip in strips:
        pattern.add(pattern.clipped(strip), PLEAT)
    for centre in cells:
        cell = cell_polygon(pattern, centre, near, sites)
        if len(cell):
            pattern.add(cell, CELL)
    return pattern, twists


def cell_polygon(pattern: Pattern, centre: np.ndarray, near: Near, sites: list[Site]) -> np.ndarray:
    """The sheet round a cell's centre, cut along the nearer line of every pleat round it (no pleat, no cut)."""
    reach, polygon, cuts = pattern.layout.spacing * pattern.a, pattern.sheet, 0
    for k in range(6):
        ends = [(near(centre + reach * unit(g)), g) for g in (60 * k, 60 * k + 60)]
        known = next(((n, g) for n, g in ends if n is not None), None)
        if known is None:
            continue
        out = unit(60 * k + 30)
        along = 60 * k + 120 if known[1] == 60 * k else 60 * k - 60
        valley_side = sites[known[0]][1] * unit(along + 90)
        inset = pattern.w if valley_side @ out < 0 else 0.0
        polygon = cut(polygon, sites[known[0]][0] - inset * out, -out)
        cuts += 1
    return polygon if cuts else np.empty((0, 2))


def reflection(p: np.ndarray, q: np.ndarray) -> np.ndarray:
    """(2, 3) affine map that mirrors in the line through p and q."""
    d = (q - p) / np.hypot(*(q - p))
    m = 2 * np.outer(d, d) - np.eye(2)
    return np.column_stack([m, p - m @ p])


def fold(layout: Layout) -> Folding:
    """Fold the pattern flat: reflect across one crease after the other, breadth first from the cell in the middle."""
    pattern, twists = build(layout)
    at, facets = np.array(pattern.vertices.points), pattern.facets
    sides: dict[frozenset[int], list[int]] = {}
    for f, loop in enumerate(facets):
        for u, v in pairwise((*loop, loop[0])):
            sides.setdefault(frozenset((u, v)), []).append(f)
    first = next(
        f for f, loop in enumerate(facets) if pattern.kinds[f] == CELL and np.hypot(*at[list(loop)].mean(0)) < 1e-3
    )
    maps: dict[int, np.ndarray] = {first: np.eye(2, 3)}
    turned, queue = {first: False}, [first]
    while queue:
        f = queue.pop(0)
        for u, v in pairwise((*facets[f], facets[f][0])):
            for g in sides[frozenset((u, v))]:
                if g not in maps:
                    m = maps[f] @ np.vstack([reflection(at[u], at[v]), [0, 0, 1]])
                    maps[g], turned[g] = m, not turned[f]
                    queue.append(g)
    copies: list[list[np.ndarray]] = [[] for _ in at]
    for f, loop in enumerate(facets):
        for v in loop:
            copies[v].append(maps[f] @ [*at[v], 1.0])
    folded = np.array([np.mean(c, axis=0) for c in copies])
    closure = max(float(np.abs(np.array(c) - folded[i]).max()) for i, c in enumerate(copies))
    creases = [crease(pattern, turned, tuple(e), fs) for e, fs in sides.items() if len(fs) == 2]
    flags = [turned[f] for f in range(len(facets))]
    return Folding(layout, at, folded, facets, pattern.kinds, flags, creases, twists, closure)


def crease(pattern: Pattern, turned: dict[int, bool], ends: tuple[int, ...], pair: list[int]) -> Crease:
    """A pleat meets the cell on its valley side in a valley, everything else on its outline in mountains. Mountain: the
    facet that shows its front lies above; valley: the one that shows its back."""
    back = next(f for f in pair if turned[f])
    front = next(f for f in pair if not turned[f])
    mountain = True
    if pattern.kinds[front] == CELL:
        mountain = not is_valley(pattern, back, ends)
    over, under = (front, back) if mountain else (back, front)
    return Crease(over, under, (ends[0], ends[1]), mountain)


def is_valley(pattern: Pattern, pleat: int, ends: tuple[int, ...]) -> bool:
    """The valley crease starts behind a twist's tip, where the pleat's inner angle is 30 degrees; at its other long
    side, the mountain, that angle is 120 or more. Asked at an end that is a twist's tip, as every crease has one."""
    loop, at = pattern.facets[pleat], np.array(pattern.vertices.points)
    tips = {v for f, kind in enumerate(pattern.kinds) if kind == TWIST for v in pattern.facets[f]}
    for here, there in (ends, ends[::-1]):
        if here not in tips:
            continue
        i = loop.index(here)
        other = loop[i - 1] if loop[i - 1] != there else loop[(i + 1) % len(loop)]
        e, f = at[there] - at[here], at[other] - at[here]
        return bool(e @ f / np.hypot(*e) / np.hypot(*f) > np.cos(np.radians(45)))
    raise ValueError("a crease without a twist")


def on_rim(layout: Layout, point: np.ndarray) -> bool:
    """Whether a point (2,) of the sheet lies on its rim."""
    return abs(max(point @ unit(60 * k) for k in range(6)) - layout.height_mm / 2) < SAME_MM * 100

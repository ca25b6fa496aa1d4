"""The crease pattern as a plane drawing: vertices, creases with their sense, rim, and the facets between them."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np

from foldtrue.errors import PlanError
from foldtrue.handover import BoolArray, IntArray
from foldtrue.plan.checks import check_drawing, conflicts
from foldtrue.plan.file import Plan
from foldtrue.plan.layout import free_pleats, sheet_corners, twist_sites
from foldtrue.plan.planar import Points, face_areas, face_cycles, group_points, trace_faces
from foldtrue.plan.pleats import Run, join_pleats, lay_free_pleat
from foldtrue.plan.twist import TwistShape, lay_out_twist

# Points closer than this share of the sheet's size are one point, and larger misfits are faults of the plan.
POINT_TOLERANCE = 1e-9
CELL = -1


@dataclass(frozen=True)
class Patch:
    """A facet before folding. kind and id as in handover.Facet; loop: its half-edges, counter-clockwise.

    twists: numbers of what it belongs to (one for a polygon, one or two for a pleat, none for a cell); see part_ids.
    """

    id: str
    kind: Literal["cell", "pleat", "twist"]
    loop: tuple[int, ...]
    twists: tuple[int, ...]


@dataclass(frozen=True)
class Pattern:
    """Crease pattern on the sheet: V vertices, C creases (rim included), facets and twists.

    vertices: (V,) complex, mm. ends: (C, 2). kind: (C,) 'M', 'V', 'R'. owners: twists at each crease.
    facets: (C, 2) patch left and right of ends[0] -> ends[1], -1 = no paper. tips: vertex indices of every twist,
    counter-clockwise. size_mm: largest distance of a corner from the centre, the measure of all tolerances.
    """

    corners: Points
    size_mm: float
    vertices: Points
    ids: tuple[str, ...]
    ends: IntArray
    kind: tuple[str, ...]
    owners: tuple[tuple[int, ...], ...]
    facets: IntArray
    patches: tuple[Patch, ...]
    twists: tuple[TwistShape, ...]
    runs: tuple[Run, ...]
    tips: tuple[tuple[int, ...], ...]

    @property
    def part_ids(self) -> list[str]:
        """Ids by number: the twists', then those of the pleats that no twist has."""
        return [twist.site.id for twist in self.twists] + [run.id for run in self.runs if run.near is None]

    def owner_names(self) -> list[tuple[str, ...]]:
        """Ids of the twists at every crease."""
        ids = self.part_ids
        return [tuple(ids[t] for t in sorted(set(owners))) for owners in self.owners]

    def names(self, parts: Sequence[int]) -> tuple[str, ...]:
        """Ids of the parts with these numbers, each once, in plan order."""
        ids = self.part_ids
        return tuple(ids[t] for t in sorted(set(parts)))


@dataclass(frozen=True)
class _Line:
    """A crease to be drawn: id, ends on the sheet, sense, twists, and the parts of the plan left and right of it.

    A part is a twist polygon (its index), a pleat (number of twists + its index), or CELL.
    """

    id: str
    start: complex
    stop: complex
    kind: str
    owners: tuple[int, ...]
    left: int
    right: int


def draw_pattern(plan: Plan, made: Collection[str] | None = None) -> Pattern:
    """The plan's crease pattern, or that of the twists in `made` alone, their ids kept: every pleat whose partner is
    not there runs on to the rim.

    Raises PlanError, the twists named, when pleats do not fit, twists leave the sheet, or creases run into each other.
    """
    return _with_facets(*_draw_lines(plan, made))


def clashes(plan: Plan) -> list[tuple[str, ...]]:
    """All groups of twists and free pleats (ids) whose creases run into each other; none where the pattern is clean.

    Where pleats do not fit or twists leave the sheet, the first such group alone.
    """
    try:
        drawing, lines = _draw_lines(plan)
    except PlanError as misfit:
        return [misfit.twists]
    try:
        _with_facets(drawing, lines)
    except PlanError:
        pairs = conflicts(drawing.vertices, drawing.ends)
        return sorted({drawing.names([*drawing.owners[a], *drawing.owners[b]]) for a, b in pairs})
    return []


def _draw_lines(plan: Plan, made: Collection[str] | None = None) -> tuple[Pattern, list[_Line]]:
    """Vertices and creases, their facets not yet traced, and the lines the creases came from; made: as above."""
    corners = sheet_corners(plan)
    size = float(np.abs(corners).max())
    tolerance = POINT_TOLERANCE * size
    sites = [site for site in twist_sites(plan) if made is None or site.id in made]
    twists = tuple(lay_out_twist(k, site) for k, site in enumerate(sites))
    _check_on_sheet(twists, corners, tolerance)
    runs = tuple(join_pleats(twists, corners, tolerance))
    runs += tuple(lay_free_pleat(lane, len(twists) + k, corners, tolerance) for k, lane in enumerate(free_pleats(plan)))
    pleat_of = {pleat_end: len(twists) + k for k, run in enumerate(runs) for pleat_end in run.pleat_ends}
    lines = _twist_lines(twists, pleat_of)
    lines += [line for k, run in enumerate(runs) for line in _run_lines(run, len(twists) + k)]
    places = np.array([p for line in lines for p in (line.start, line.stop)] + list(corners))
    label, vertices = group_points(places, tolerance)
    ends = label[: 2 * len(lines)].reshape(-1, 2)
    on_rim = _on_rim(vertices, corners, tolerance)
    # a crease along the rim has no paper beyond it: it is the rim
    keep = np.flatnonzero((ends[:, 0] != ends[:, 1]) & ~(on_rim[ends[:, 0]] & on_rim[ends[:, 1]]).any(1))
    lines, ends = [lines[k] for k in keep], ends[keep]
    rim = _rim_ends(vertices, corners, on_rim)
    tips = _tips_counter_clockwise(twists, label[::2].tolist())
    return (
        Pattern(
            corners=corners,
            size_mm=size,
            vertices=vertices,
            ids=(*(line.id for line in lines), *(f"rim{k}" for k in range(len(rim)))),
            ends=np.concatenate([ends, rim]),
            kind=(*(line.kind for line in lines), *("R" * len(rim))),
            owners=(*(line.owners for line in lines), *[()] * len(rim)),
            facets=np.empty((0, 2), np.int64),
            patches=(),
            twists=twists,
            runs=runs,
            tips=tips,
        ),
        lines,
    )


def _check_on_sheet(twists: Sequence[TwistShape], corners: Points, tolerance: float) -> None:
    edge = np.roll(corners, -1) - corners
    inward = edge / np.abs(edge)
    count = [len(t.tips) for t in twists]
    tips = np.array([tip for t in twists for tip in t.tips])
    room = (inward.conj() * (tips[:, None] - corners)).imag.min(1)
    owner = np.repeat(np.arange(len(twists)), count)
    outside = tuple(twists[k].site.id for k in sorted(set(owner[room < -tolerance].tolist())))
    if outside:
        verb = "leaves" if len(outside) == 1 else "leave"
        raise PlanError(
            f"{_listed(outside)} {verb} the sheet: tips up to {-room.min():.4g} mm outside.",
            "Use fewer rings, a smaller spacing or a larger sheet.",
            outside,
        )


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names[:8]) + (f" and {len(names) - 8} more" if len(names) > 8 else "")


def _twist_lines(twists: Sequence[TwistShape], pleat_of: Mapping[tuple[int, int], int]) -> list[_Line]:
    """Sides of every twist polygon, in the order of its tips; between polygon and pleat, always mountains."""
    lines = []
    for index, twist in enumerate(twists):
        n = len(twist.tips)
        for k, pleat in enumerate(twist.pleats):
            left, right = index, pleat_of[index, pleat.direction_deg]
            if twist.site.hand < 0:
                left, right = right, left
            start, stop = twist.tips[k], twist.tips[(k + 1) % n]
            lines.append(_Line(f"{twist.site.id}:side{k}", start, stop, "M", (index,), left, right))
    return lines


def _run_lines(run: Run, pleat: int) -> list[_Line]:
    """Mountain and valley line of a pleat; cells lie outside it."""
    left, right = (pleat, CELL) if run.hand > 0 else (CELL, pleat)
    return [
        _Line(f"{run.id}:M", *run.mountain, "M", run.owners, left, right),
        _Line(f"{run.id}:V", *run.valley, "V", run.owners, right, left),
    ]


def _tips_counter_clockwise(twists: Sequence[TwistShape], side_start: list[int]) -> tuple[tuple[int, ...], ...]:
    """Vertices of every twist's tips; side_start: where each side begins, sides being drawn first and in hand order."""
    tips = []
    begin = 0
    for twist in twists:
        around = side_start[begin : begin + len(twist.tips)]
        begin += len(around)
        tips.append(tuple(around if twist.site.hand > 0 else [around[0], *around[:0:-1]]))
    return tuple(tips)


def _on_rim(vertices: Points, corners: Points, tolerance: float) -> BoolArray:
    """(V, K): which vertices lie on which side of the sheet."""
    side = np.roll(corners, -1) - corners
    length = np.abs(side)
    local = (vertices[:, None] - corners) * (side / length).conj()
    along = (local.real > -tolerance) & (local.real < length + tolerance)
    return np.asarray((np.abs(local.imag) <= 2 * tolerance) & along)


def _rim_ends(vertices: Points, corners: Points, on_rim: BoolArray) -> IntArray:
    """Rim segments (R, 2), counter-clockwise, the paper on their left, between neighbouring vertices on the rim."""
    segments: list[tuple[int, int]] = []
    for k, corner in enumerate(corners):
        on = np.flatnonzero(on_rim[:, k])
        chain = on[np.argsort(np.abs(vertices[on] - corner))].tolist()
        segments.extend(pairwise(chain))
    return np.array(segments, np.int64)


def _with_facets(drawing: Pattern, lines: Sequence[_Line]) -> Pattern:
    """Trace the facets and name them. Raises PlanError when creases run into each other."""
    count, face, following = trace_faces(drawing.vertices, drawing.ends)
    area = face_areas(drawing.vertices, drawing.ends, face, count)
    check_drawing(drawing.vertices, drawing.ends, drawing.owner_names(), (face, following, area))
    start = drawing.ends.reshape(-1)
    cycles = face_cycles(face, following, start, count)
    part = np.full(count, CELL)
    part[face[: 2 * len(lines)]] = [side for line in lines for side in (line.left, line.right)]
    middle = np.array([drawing.vertices[start[cycle]].mean() for cycle in cycles])
    far = np.round(np.abs(middle) / drawing.size_mm, 6)
    turn = np.where(far > 0, np.round(np.angle(middle) % (2 * np.pi), 6), 0.0)
    order = [int(f) for f in np.lexsort((turn, far, part, part == CELL)) if area[f] > 0]
    rank = np.full(count, -1, np.int64)
    rank[order] = np.arange(len(order))
    names = [twist.site.id for twist in drawing.twists] + [run.id for run in drawing.runs]
    owners = [(k,) for k in range(len(drawing.twists))] + [run.owners for run in drawing.runs]
    patches = []
    for k, f in enumerate(order):
        p, loop = int(part[f]), tuple(cycles[f])
        if p == CELL:
            patches.append(Patch(f"cell{k - len(names)}", "cell", loop, ()))
        else:
            patches.append(Patch(names[p], "twist" if p < len(drawing.twists) else "pleat", loop, owners[p]))
    return replace(drawing, facets=rank[face.reshape(-1, 2)], patches=tuple(patches))

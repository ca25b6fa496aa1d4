"""Every pleat against the plan: its width, whether its two edges run parallel, and whether they run straight.

A pleat lies between its mountain crease and its valley crease. Both carry the same edge shifts, and both move towards
their dark sides, so a width takes up twice the shift: its uncertainty comes from all four ends together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.fit.joint import Joint
from foldtrue.fit.lines import EdgeLines
from foldtrue.fit.network import Network
from foldtrue.fit.statement import Solution
from foldtrue.fit.straightness import Scatter, straightness
from foldtrue.frames import Array
from foldtrue.handover import BoolArray, IntArray, Nominal
from foldtrue.handover_figures import Pleats

MOST_STD_PITCH = 0.03
"""Largest standard uncertainty, in pitches, with which a width still counts as measured; as for a vertex."""
DISAGREES = 5.0
"""In standard deviations of an edge from where its vertices have it: then the vertices' width is not the edges'."""


@dataclass(frozen=True)
class PleatEdges:
    """The pleats (P) of a plan. facet: (P,) index. twists: per pleat the indices of the one or two it runs from and to.
    mountain, valley: (P,) creases; mountain -1 where its planned length is 0 and the edge is one point.
    mountain_ends, valley_ends: (P, 2) vertices, from the first twist outwards. at: (P, 2) where on mountain and valley,
    in [0, 1], the middle of the run lies that both have side by side. sense: (P,) +1 where the valley lies to the left.
    """

    facet: IntArray
    twists: tuple[tuple[int, ...], ...]
    mountain: IntArray
    valley: IntArray
    mountain_ends: IntArray
    valley_ends: IntArray
    at: Array
    sense: Array


def pleat_edges(nominal: Nominal) -> PleatEdges:
    """Which creases and vertices every pleat has, in the plan's order of facets."""
    creases = nominal.creases
    around: dict[int, list[int]] = {}
    for crease, pair in enumerate(creases.facets.tolist()):
        for facet in pair:
            around.setdefault(facet, []).append(crease)
    number = {twist.id: k for k, twist in enumerate(nominal.twists)}
    rows = []
    for index, facet in enumerate(nominal.facets):
        if facet.kind != "pleat":
            continue
        beyond = {c: sum(creases.facets[c].tolist()) - index for c in around[index] if creases.kind[c] != "R"}
        kinds = {c: nominal.facets[f].kind for c, f in beyond.items()}
        valley = next(c for c, kind in kinds.items() if kind == "cell" and creases.kind[c] == "V")
        mountain = next((c for c, kind in kinds.items() if kind == "cell" and creases.kind[c] == "M"), -1)
        sides = sorted((number[nominal.facets[f].id], c) for c, f in beyond.items() if kinds[c] == "twist")
        v0, m0 = _tips(creases.ends[sides[0][1]].tolist(), creases.ends[valley].tolist())
        v1 = _other(creases.ends[valley].tolist(), v0)
        m1 = m0 if mountain < 0 else _other(creases.ends[mountain].tolist(), m0)
        rows.append((index, tuple(k for k, _ in sides), mountain, valley, (m0, m1), (v0, v1)))
    mountain_ends = np.array([row[4] for row in rows], np.int64).reshape(-1, 2)
    valley_ends = np.array([row[5] for row in rows], np.int64).reshape(-1, 2)
    at, sense = _middle(nominal.vertices_mm[mountain_ends], nominal.vertices_mm[valley_ends])
    return PleatEdges(
        facet=np.array([row[0] for row in rows], np.int64),
        twists=tuple(row[1] for row in rows),
        mountain=np.array([row[2] for row in rows], np.int64),
        valley=np.array([row[3] for row in rows], np.int64),
        mountain_ends=mountain_ends,
        valley_ends=valley_ends,
        at=at,
        sense=sense,
    )


def _tips(side: list[int], valley: list[int]) -> tuple[int, int]:
    """Of a twist's side that closes a pleat, the end on the valley and the one on the mountain."""
    return (side[0], side[1]) if side[0] in valley else (side[1], side[0])


def _other(ends: list[int], one: int) -> int:
    return ends[1] if ends[0] == one else ends[0]


def _middle(mountain: Array, valley: Array) -> tuple[Array, Array]:
    """Middle of the common run, as a place on each edge (P, 2), and the side the valley lies on (P,)."""
    d, e = valley[:, 1] - valley[:, 0], mountain[:, 1] - mountain[:, 0]
    length = np.hypot(*d.T)
    along = d / length[:, None]
    m0, m1 = (np.sum((mountain[:, k] - valley[:, 0]) * along, 1) for k in (0, 1))
    middle = 0.5 * (np.maximum(0.0, m0) + np.minimum(length, m1))
    point = np.hypot(*e.T) < 1e-6 * length
    on_mountain = np.where(point, 0.0, (middle - m0) / np.where(point, 1.0, m1 - m0))
    across = valley[:, 0] - mountain[:, 0]
    return np.stack([on_mountain, middle / length], 1), np.sign(d[:, 0] * across[:, 1] - d[:, 1] * across[:, 0])


def pleat_figures(edges: PleatEdges, vertices_mm: Array) -> tuple[Array, Array]:
    """Width (P,) mm and opening angle (P,) deg of every pleat with its vertices (V, 2) mm at these places.

    Width: distance of the two edges across their mean direction, at the middle of their common run. Angle: positive
    where the pleat widens from its first twist outwards; nan where the mountain edge is one point.
    """
    m, v = vertices_mm[edges.mountain_ends], vertices_mm[edges.valley_ends]
    d, e = v[:, 1] - v[:, 0], m[:, 1] - m[:, 0]
    point = edges.mountain < 0
    along = d / np.hypot(*d.T)[:, None]
    other = np.where(point[:, None], along, e / np.where(point, 1.0, np.hypot(*e.T))[:, None])
    mean = along + other
    mean = mean / np.hypot(*mean.T)[:, None]
    gap = v[:, 0] + edges.at[:, 1:] * d - m[:, 0] - edges.at[:, :1] * e
    turn = np.arctan2(other[:, 0] * along[:, 1] - other[:, 1] * along[:, 0], np.sum(other * along, 1))
    width = edges.sense * (mean[:, 0] * gap[:, 1] - mean[:, 1] * gap[:, 0])
    return width, np.where(point, np.nan, edges.sense * np.degrees(turn))


def pleat_rows(edges: PleatEdges, vertices_mm: Array) -> Array:
    """(2 P, 2 V) first derivatives of all widths, then of all angles, by the vertices, at the planned places (V, 2);
    zero for the angle at a mountain that is one point."""
    count = len(edges.facet)
    m, v = vertices_mm[edges.mountain_ends], vertices_mm[edges.valley_ends]
    d, e = v[:, 1] - v[:, 0], m[:, 1] - m[:, 0]
    length, reach = np.hypot(*d.T), np.hypot(*e.T)
    normal = edges.sense[:, None] * np.stack([-d[:, 1], d[:, 0]], 1) / length[:, None]
    point = edges.mountain < 0
    turn_v = np.where(point, 0.0, np.degrees(1.0) / length)
    turn_m = np.where(point, 0.0, np.degrees(1.0) / np.where(point, 1.0, reach))
    at_m, at_v = edges.at.T
    rows = np.zeros((2 * count, 2 * len(vertices_mm)))
    every = np.arange(count)
    for vertex, width, turn in (
        (edges.valley_ends[:, 0], 1 - at_v, -turn_v),
        (edges.valley_ends[:, 1], at_v, turn_v),
        (edges.mountain_ends[:, 0], at_m - 1, turn_m),
        (edges.mountain_ends[:, 1], -at_m, -turn_m),
    ):
        for axis in (0, 1):
            rows[every, 2 * vertex + axis] += width * normal[:, axis]
            rows[count + every, 2 * vertex + axis] += turn * normal[:, axis]
    return rows


def measure_pleats(nominal: Nominal, view: str, solution: Solution, joint: Joint, scatter: Scatter) -> Pleats:
    """Every pleat's figures from the adjusted vertices after the whole piece's fit.

    A width is stated only where both edges were seen in the photo: where one is hidden or could not be placed, the tips
    of the twists at its ends alone would be a guess of what lies between.
    """
    edges = pleat_edges(nominal)
    count = len(edges.facet)
    cov = joint.of_vertices(pleat_rows(edges, nominal.vertices_mm), nominal.vertices_mm)
    std = np.sqrt(np.maximum(np.diag(cov), 0.0))
    planned, _ = pleat_figures(edges, nominal.vertices_mm)
    width, angle = pleat_figures(edges, solution.after_fit(solution.vertices_mm))
    seen, odd = _seen_edges(edges, nominal, solution.lines, solution.network, joint)
    unsure = std[:count] > MOST_STD_PITCH * nominal.pitch_mm
    shows = _showing(edges, nominal, view)
    flags = tuple(_flags(*row) for row in zip(shows, seen, odd, unsure, edges.mountain < 0, strict=True))
    told = (shows & seen).all(1) & ~odd & ~unsure
    turned = told & (edges.mountain >= 0)
    straight = [
        straightness(scatter, [c for c, ok in zip(pair, row, strict=True) if ok and c >= 0])
        for pair, row in zip(np.stack([edges.mountain, edges.valley], 1).tolist(), seen, strict=True)
    ]
    return Pleats(
        ids=tuple(nominal.facets[f].id for f in edges.facet),
        twists=tuple(tuple(nominal.twists[k].id for k in pair) for pair in edges.twists),
        edges_seen=shows & seen,
        planned_mm=planned,
        width_error_mm=np.where(told, width - planned, np.nan),
        width_std_mm=np.where(told, std[:count], np.nan),
        parallelism_deg=np.where(turned, angle, np.nan),
        parallelism_std_deg=np.where(turned, std[count:], np.nan),
        straightness_mm=np.array([value for value, _ in straight]),
        straightness_u95_mm=np.array([u95 for _, u95 in straight]),
        flags=flags,
    )


def _showing(edges: PleatEdges, nominal: Nominal, view: str) -> BoolArray:
    """Whether the view shows mountain and valley of each pleat (P, 2) by the plan; of a mountain that is one point,
    whether an edge that shows ends there."""
    s = nominal.views[view]
    step = (s.layers_left != s.layers_right) | (s.raised != 0)
    shows = np.isin(np.stack([edges.mountain, edges.valley], 1), s.crease[step])
    ends = nominal.creases.ends[s.crease]
    near = np.concatenate([ends[step & (s.t0 < 1e-6), 0], ends[step & (s.t1 > 1 - 1e-6), 1]])
    shows[:, 0] |= (edges.mountain < 0) & np.isin(edges.mountain_ends[:, 0], near)
    return np.asarray(shows)


def _flags(shows: BoolArray, seen: BoolArray, odd: bool, unsure: bool, point: bool) -> tuple[str, ...]:
    """Why figures of one pleat are missing."""
    flags = []
    if not shows.all():
        flags.append("edge_hidden")
    elif not seen.all() or (unsure and not odd):
        flags.append("edge_not_seen")
    elif odd:
        flags.append("edge_disagrees")
    if point:
        flags.append("no_mountain_edge")
    return tuple(flags)


def _seen_edges(
    edges: PleatEdges, nominal: Nominal, lines: EdgeLines, network: Network, joint: Joint
) -> tuple[BoolArray, BoolArray]:
    """Whether mountain and valley of each pleat have a line of their own (P, 2); and whether one of them does not lie
    where its vertices have it (P,). A mountain that is one point counts as seen where the vertex is fixed."""
    own = np.flatnonzero(~lines.shared & (lines.pair < 0) & lines.stands_out)
    crease = lines.crease[own]
    t, normal = lines.t_mid[own], lines.normal[own]
    ends = nominal.creases.ends[crease]
    rows = np.zeros((len(own), joint.vertex_cov_mm2.shape[0]))
    for end, weight in ((0, 1 - t), (1, t)):
        for axis in (0, 1):
            rows[np.arange(len(own)), 2 * ends[:, end] + axis] += weight * normal[:, axis]
    shifts = network.shifts_mm[0] + network.shifts_mm[1 + lines.kind[own]]
    rest = lines.offset_mm[own] - rows @ network.displacement_mm.ravel() - lines.dark[own] * shifts
    away = np.abs(rest) > DISAGREES * np.sqrt(lines.offset_std_mm[own] ** 2 + network.misfit_mm**2)
    pair = np.stack([edges.mountain, edges.valley], 1)
    seen, odd = np.isin(pair, crease), np.isin(pair, crease[away])
    variance = joint.vertex_cov_mm2
    at = 2 * edges.mountain_ends[:, 0]
    spread = np.maximum(variance[at, at], variance[at + 1, at + 1])
    fixed = (network.unknown_of[edges.mountain_ends[:, 0]] >= 0) & (spread < (MOST_STD_PITCH * nominal.pitch_mm) ** 2)
    seen[:, 0] = np.where(edges.mountain < 0, fixed, seen[:, 0])
    return seen, np.asarray(odd.any(1))

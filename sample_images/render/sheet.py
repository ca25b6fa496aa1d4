"""The folded sheet as one connected surface with thickness: facets, rounded folds, the cut rim.

The sheet is meshed flat, every vertex is carried into the folded piece (places from misfold, heights from heights),
near a crease both facets bend round to a common line half-way between them (a half circle), and the surface is
thickened to both sides along its normals. A fold's outermost line is the straight line between its true vertices.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from heights import Paper, Surfaces
from honeycomb import Crease, Folding
from scipy import sparse
from scipy.sparse.linalg import splu
from scipy.spatial import Delaunay

Edge, Loop = tuple[int, int], tuple[int, ...]  # vertex numbers; of an edge the lower first

ROWS_MM = (0.012, 0.04, 0.09, 0.16, 0.28, 0.5, 0.9)
ALONG_MM = 1.6
INSIDE_MM = 1.9
VERTEX_MM = 0.25  # over this distance the folds that meet in a vertex run together


@dataclass
class Flat:
    """The meshed flat sheet. points (N, 2) mm, the folding's own vertices first; triangles (M, 3), counter-clockwise;
    facet (M,) of each triangle; owner (N,): facet of an inner point, -1 on a crease, rim or vertex; edges: vertex pair
    -> numbers of the points between, from the lower vertex number to the higher."""

    points: np.ndarray
    triangles: np.ndarray
    facet: np.ndarray
    owner: np.ndarray
    edges: dict[Edge, np.ndarray]


def divided(length: float) -> np.ndarray:
    """Places (mm from one end) of points along an edge: closer near its ends."""
    ends = [d for d in (0.08, 0.2, 0.4, 0.8) if d < length / 3]
    count = max(round((length - 2 * ends[-1]) / ALONG_MM), 1)
    middle = np.linspace(ends[-1], length - ends[-1], count + 1)
    return np.concatenate([ends[:-1], middle, length - np.array(ends[:-1])[::-1]])


def mesh_flat(folding: Folding) -> Flat:
    """Triangulate every facet, with rows of points beside its creases; neighbours share the points of their creases."""
    points, owner, edges = [*folding.sheet_mm], [-1] * len(folding.sheet_mm), {}
    for loop in folding.facets:
        for u, v in pairwise((*loop, loop[0])):
            key = (min(u, v), max(u, v))
            if key not in edges:
                p, q = folding.sheet_mm[list(key)]
                at = divided(float(np.hypot(*(q - p))))
                edges[key] = np.arange(len(points), len(points) + len(at))
                points += [*(p + (q - p) * at[:, None] / np.hypot(*(q - p)))]
                owner += [-1] * len(at)
    folds = {(min(c.ends), max(c.ends)) for c in folding.creases}
    triangles, facet = [], []
    for f, loop in enumerate(folding.facets):
        sides = [(min(u, v), max(u, v)) for u, v in pairwise((*loop, loop[0]))]
        rim = [*loop, *np.concatenate([edges[s] for s in sides])]
        inner = inner_points(folding, loop, sides, folds, np.array(points), edges)
        number = np.array([*rim, *range(len(points), len(points) + len(inner))])
        points += [*inner]
        owner += [f] * len(inner)
        at = np.array(points)[number]
        corner = number[Delaunay(at - at.mean(0)).simplices]
        triangles.append(corner)
        facet += [f] * len(corner)
    return oriented(np.array(points), np.concatenate(triangles), np.array(facet), np.array(owner), edges)


def oriented(
    points: np.ndarray, triangles: np.ndarray, facet: np.ndarray, owner: np.ndarray, edges: dict[Edge, np.ndarray]
) -> Flat:
    """All triangles counter-clockwise, those without area (along straight sides) dropped."""
    p, q, r = (points[triangles[:, k]] for k in range(3))
    area = (q - p)[:, 0] * (r - p)[:, 1] - (q - p)[:, 1] * (r - p)[:, 0]
    triangles[area < 0] = triangles[area < 0][:, ::-1]
    keep = np.abs(area) > 1e-9
    return Flat(points, triangles[keep], facet[keep], owner, edges)


def inner_points(
    folding: Folding, loop: Loop, sides: list[Edge], folds: set[Edge], points: np.ndarray, edges: dict[Edge, np.ndarray]
) -> np.ndarray:
    """Rows beside the creases of one facet (a point belongs to its nearest side) and a triangular grid inside."""
    corners = folding.sheet_mm[list(loop)]
    start, d = corners, np.roll(corners, -1, axis=0) - corners
    normal = np.stack([-d[:, 1], d[:, 0]], axis=1) / np.hypot(d[:, 0], d[:, 1])[:, None]
    found = []
    for k, side in enumerate(sides):
        if side in folds:
            for s in ROWS_MM:
                row = points[edges[side]] + s * normal[k]
                depth = ((row[:, None] - start) * normal).sum(-1)
                found.append(row[np.delete(depth, k, axis=1).min(1) > s])
    low, high = corners.min(0), corners.max(0)
    y = np.arange(low[1], high[1], INSIDE_MM * 0.866)
    hexes = np.array(
        [[x + (i % 2) * INSIDE_MM / 2, v] for i, v in enumerate(y) for x in np.arange(low[0], high[0], INSIDE_MM)]
    )
    depth = ((hexes[:, None] - start) * normal).sum(-1).min(1) if len(hexes) else np.empty(0)
    return np.concatenate([*found, hexes[depth > ROWS_MM[-1] + 0.6]]) if found else hexes[depth > 1.0]


def placed(folding: Folding, flat: Flat, true_mm: np.ndarray, inset_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Planned and true folded places (N, 2) mm of all points. Creases lie straight between true vertices, drawn inwards
    by half a thickness; inside a facet the shift is harmonic."""
    planned, shift = np.full_like(flat.points, np.nan), np.zeros_like(flat.points)
    for f, loop in enumerate(folding.facets):
        here = np.unique(flat.triangles[flat.facet == f])
        planned[here] = affine(folding, loop)(flat.points[here])
    fixed = flat.owner < 0
    moved = true_mm - folding.folded_mm
    shift[: len(moved)] = moved
    inward = {}
    for c in folding.creases:
        p, q = folding.folded_mm[list(c.ends)]
        n = np.array([p[1] - q[1], q[0] - p[0]]) / np.hypot(*(q - p))
        inside = folding.folded_mm[list(folding.facets[c.over])].mean(0) - p
        inward[min(c.ends), max(c.ends)] = n * np.sign(n @ inside)
    for (u, v), numbers in flat.edges.items():
        p, q = folding.folded_mm[[u, v]]
        length = np.hypot(*(q - p))
        along = np.hypot(*(planned[numbers] - p).T)
        shift[numbers] = moved[u] + (moved[v] - moved[u]) * (along / length)[:, None]
        if (u, v) in inward:
            ramp = np.minimum(np.minimum(along, length - along) / 0.6, 1)
            shift[numbers] += inset_mm * ramp[:, None] * inward[u, v]
    return planned, planned + harmonic(flat, shift, fixed)


def affine(folding: Folding, loop: Loop) -> Callable[[np.ndarray], np.ndarray]:
    """Map of one facet from the sheet to its planned folded place."""
    flat = np.column_stack([folding.sheet_mm[list(loop)], np.ones(len(loop))])
    m = np.linalg.lstsq(flat, folding.folded_mm[list(loop)], rcond=None)[0]
    return lambda points: np.column_stack([points, np.ones(len(points))]) @ m


def harmonic(flat: Flat, value: np.ndarray, fixed: np.ndarray) -> np.ndarray:
    """Values (N, 2) with those of `fixed` points kept and the others spread smoothly (cotangent Laplacian)."""
    n, corner = len(flat.points), flat.triangles
    i, j, w = [], [], []
    for k in range(3):
        a, b, c = (corner[:, (k + m) % 3] for m in range(3))
        u, v = flat.points[b] - flat.points[a], flat.points[c] - flat.points[a]
        cot = (u * v).sum(1) / np.abs(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
        i += [b, c]
        j += [c, b]
        w += [cot, cot]
    off = sparse.csr_matrix((np.concatenate(w), (np.concatenate(i), np.concatenate(j))), (n, n))
    laplace = (sparse.diags(np.asarray(off.sum(1)).ravel()) - off).tocsr()
    free = ~fixed
    result = value.copy()
    solve = splu(laplace[free][:, free].tocsc()).solve
    result[free] = solve(-(laplace[free][:, fixed] @ value[fixed]))
    return result


def raised(folding: Folding, flat: Flat, planned: np.ndarray, surfaces: Surfaces) -> np.ndarray:
    """Height (N,) mm of the paper's middle at every point, folds rounded."""
    number = len(folding.sheet_mm)
    z = np.zeros(len(flat.points))
    meet: list[list[float]] = [[] for _ in range(number)]
    for f, loop in enumerate(folding.facets):
        for v, h in zip(loop, surfaces.at(np.full(len(loop), f), folding.folded_mm[list(loop)]), strict=True):
            meet[v].append(h)
    z[:number] = [np.mean(m) for m in meet]
    folds = {(min(c.ends), max(c.ends)): c for c in folding.creases}
    radius = np.zeros(len(z))
    for key, numbers in flat.edges.items():
        sides = (
            [folds[key].over, folds[key].under]
            if key in folds
            else [f for f, p in enumerate(folding.facets) if {*key} <= {*p}]
        )
        levels = [surfaces.at(np.full(len(numbers), f), planned[numbers]) for f in sides]
        z[numbers] = np.mean(levels, axis=0)
        radius[numbers] = np.abs(levels[0] - levels[-1]) / 2
        if key in folds:
            for v in key:
                near = np.exp(-np.hypot(*(flat.points[numbers] - folding.sheet_mm[v]).T) / VERTEX_MM)
                z[numbers] += near * (z[v] - np.mean(levels, axis=0))
    for f, loop in enumerate(folding.facets):
        here = np.nonzero(flat.owner == f)[0]
        z[here] = rounded(flat, planned, surfaces, f, loop, here, folds, (z, radius))
    return z


def rounded(
    flat: Flat,
    planned: np.ndarray,
    surfaces: Surfaces,
    f: int,
    loop: Loop,
    here: np.ndarray,
    folds: dict[Edge, Crease],
    line: tuple[np.ndarray, np.ndarray],
) -> np.ndarray:
    """Heights inside facet f at its points `here`: its own surface, drawn round to each crease's line within the fold's
    radius. line: height and radius (N,) mm of the folds, at their own points."""
    own = surfaces.at(np.full(len(here), f), planned[here])
    weight, pull, leave = np.zeros(len(here)), np.zeros(len(here)), np.ones(len(here))
    for u, v in pairwise((*loop, loop[0])):
        key = (min(u, v), max(u, v))
        if key not in folds:
            continue
        numbers = np.array([key[0], *flat.edges[key], key[1]])
        p = flat.points[numbers[0]]
        d = (flat.points[numbers[-1]] - p) / np.hypot(*(flat.points[numbers[-1]] - p))
        along, across = (flat.points[here] - p) @ d, np.abs((flat.points[here] - p) @ [-d[1], d[0]])
        at = (flat.points[numbers] - p) @ d
        r = np.maximum(np.interp(along, at[1:-1], line[1][numbers[1:-1]]), 1e-3)
        w = 1 - np.sqrt(1 - np.clip(1 - across / r, 0, 1) ** 2)
        share = w / np.maximum(across, 1e-6)
        weight += share
        pull += share * np.interp(along, at, line[0][numbers])
        leave *= 1 - w
    target = np.where(weight > 0, pull / np.maximum(weight, 1e-12), own)
    return own * leave + target * (1 - leave)


@dataclass
class Skin:
    """The paper's whole surface as a mesh: points (N, 3) mm, normals (N, 3), sheet_mm (N, 2) for textures, triangles
    (M, 3). Both faces are wound as the front is, so that a relief goes the same way on both."""

    points: np.ndarray
    normals: np.ndarray
    sheet_mm: np.ndarray
    triangles: np.ndarray


def normals(points: np.ndarray, triangles: np.ndarray) -> np.ndarray:
    """(N, 3) unit normals of a surface at its points, triangles weighted by their angle there."""
    total = np.zeros_like(points)
    for k in range(3):
        a, b, c = (points[triangles[:, (k + m) % 3]] for m in range(3))
        u, v = b - a, c - a
        n = np.cross(u, v)
        size = np.linalg.norm(n, axis=1)
        angle = np.arctan2(size, (u * v).sum(1))
        np.add.at(total, triangles[:, k], n * (angle / np.maximum(size, 1e-15))[:, None])
    return total / np.maximum(np.linalg.norm(total, axis=1), 1e-15)[:, None]


def thickened(flat: Flat, middle: np.ndarray, paper: Paper) -> Skin:
    """Front, back and cut rim of the sheet round its middle surface (N, 3) mm."""
    n, size = normals(middle, flat.triangles), len(middle)
    faces = np.concatenate([middle + paper.thickness_mm / 2 * n, middle - paper.thickness_mm / 2 * n])
    side = np.concatenate([flat.triangles[:, [k, (k + 1) % 3]] for k in range(3)])
    count = {tuple(e) for e in side.tolist()}
    u, v = np.array([e for e in side.tolist() if (e[1], e[0]) not in count]).T
    used, wall = np.unique(
        np.concatenate([np.stack([v, u, u + size], 1), np.stack([v, u + size, v + size], 1)]), return_inverse=True
    )
    wall = wall.reshape(-1, 3)
    return Skin(
        points=np.concatenate([faces, faces[used]]),
        normals=np.concatenate([n, n, normals(faces[used], wall)]),
        sheet_mm=np.concatenate([flat.points, flat.points, flat.points[used % size]]),
        triangles=np.concatenate([flat.triangles, flat.triangles + size, wall + 2 * size]),
    )

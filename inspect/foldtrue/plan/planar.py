"""Points, lines and faces of plane drawings: the common ground of the crease pattern and of the folded state.

Points are complex numbers here (x + iy), because turning and mirroring are then one multiplication.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from foldtrue.frames import Array
from foldtrue.handover import IntArray

Points = NDArray[np.complex128]


def to_points(xy: Array) -> Points:
    """(N, 2) -> (N,) complex."""
    return np.asarray(xy[:, 0] + 1j * xy[:, 1])


def to_xy(points: Points) -> Array:
    """(N,) complex -> (N, 2)."""
    return np.column_stack([points.real, points.imag])


def group_values(values: Array, tolerance: float) -> IntArray:
    """Label values (N,) so that neighbours in sorted order closer than `tolerance` share a label, smallest first."""
    order = np.argsort(values, kind="stable")
    label = np.empty(len(values), np.int64)
    label[order] = np.concatenate([[0], np.cumsum(np.diff(values[order]) > tolerance)]) if len(values) else []
    return label


def group_points(points: Points, tolerance: float) -> tuple[IntArray, Points]:
    """Label points (N,) that coincide within `tolerance`; returns labels (N,) in order of first appearance, and the
    groups' points (G,), each the first of its group."""
    pair = group_values(points.real, tolerance) * (len(points) + 1) + group_values(points.imag, tolerance)
    _, first, inverse = np.unique(pair, return_index=True, return_inverse=True)
    rank = np.empty(len(first), np.int64)
    rank[np.argsort(first)] = np.arange(len(first))
    return rank[inverse.reshape(-1)], points[np.sort(first)]


def cyclic_labels(following: IntArray) -> tuple[int, IntArray]:
    """Cycles of a permutation (N,): how many, and the cycle of each element."""
    n = len(following)
    graph = coo_matrix((np.ones(n, np.int8), (np.arange(n), following)), shape=(n, n))
    count, label = connected_components(graph, directed=False)
    return int(count), np.asarray(label, np.int64)


def trace_faces(points: Points, ends: IntArray) -> tuple[int, IntArray, IntArray]:
    """Faces of a plane drawing.

    points (N,), ends (E, 2). Half-edge 2e runs ends[e, 0] -> ends[e, 1], half-edge 2e+1 back. Returns the number of
    faces, the face on the left of each half-edge (2E,), and the next half-edge along that face (2E,).
    """
    start = ends.reshape(-1)
    stop = ends[:, ::-1].reshape(-1)
    order = np.lexsort((np.angle(points[stop] - points[start]), start))
    place = np.empty(len(order), np.int64)
    place[order] = np.arange(len(order))
    group_start = np.searchsorted(start[order], np.arange(len(points)))
    group_stop = np.searchsorted(start[order], np.arange(len(points)), side="right")
    twin = np.arange(len(start)) ^ 1
    before = place[twin] - 1
    wrapped = before < group_start[stop]
    before[wrapped] = group_stop[stop][wrapped] - 1
    following = order[before]
    count, face = cyclic_labels(following)
    return count, face, np.asarray(following, np.int64)


def face_areas(points: Points, ends: IntArray, face: IntArray, count: int) -> Array:
    """Signed area (count,) of each face: positive inside, negative for the outer one."""
    cross = (points[ends[:, 0]].conj() * points[ends[:, 1]]).imag / 2
    both = np.column_stack([cross, -cross]).reshape(-1)
    return np.asarray(np.bincount(face, both, minlength=count), float)


def face_cycles(face: IntArray, following: IntArray, start: IntArray, count: int) -> list[list[int]]:
    """Half-edges of every face in order along it; each begins at its half-edge of lowest start vertex."""
    first = np.full(count, -1, np.int64)
    for half_edge in np.lexsort((start,))[::-1]:
        first[face[half_edge]] = half_edge
    step = following.tolist()
    cycles = []
    for begin in first.tolist():
        cycle = [begin]
        while (ahead := step[cycle[-1]]) != begin:
            cycle.append(ahead)
        cycles.append(cycle)
    return cycles

"""Covariance of figures that are linear in several vertices at once, after the whole piece's fit is taken out.

One vertex's own covariance says nothing about a distance between two: the edge shifts move both, and so do the fit of
the whole piece and the lens. Here all of that is kept together (law of propagation, JCGM 100, 5.2).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.alignment import GlobalFit, freedoms
from foldtrue.fit.network import Network
from foldtrue.fit.relief import Relief
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import Nominal


@dataclass(frozen=True)
class Joint:
    """What is known of all vertices and edge shifts together.

    vertex_cov_mm2: (2 V, 2 V), x and y of one vertex after the other, before the whole piece's fit; zero where the
    network does not hold the vertex. shift_cov_mm2: (1 + K, 1 + K) of the edge shifts, cross_mm2: (2 V, 1 + K) with
    the vertices. taken: (p, 2 V), the coefficients of the whole piece's fit per mm of each vertex. lens_map, map_root:
    the map and a square root (9, q) of its terms' covariance (PlaneMap.term_fields). reach_mm: length that makes the
    fit's freedoms comparable. relief: what the paper's height may do, None where it does nothing.
    """

    vertex_cov_mm2: Array
    shift_cov_mm2: Array
    cross_mm2: Array
    taken: Array
    lens_map: PlaneMap
    map_root: Array
    reach_mm: float
    relief: Relief | None = None

    def freedoms_at(self, points_mm: Array) -> Array:
        """(2 N, p) shift that a unit of each coefficient of the whole piece's fit makes at points (N, 2) mm."""
        return freedoms(points_mm, "homography" if len(self.taken) == 8 else "similarity", self.reach_mm)[0]

    def of_vertices(self, rows: Array, planned_mm: Array) -> Array:
        """(F, F) covariance of functions rows (F, 2 V) of the vertices after the fit; planned_mm: (V, 2)."""
        whole = rows - (rows @ self.freedoms_at(planned_mm)) @ self.taken
        by_map = whole @ self._stacked(planned_mm)
        return np.asarray(whole @ self.vertex_cov_mm2 @ whole.T + by_map @ by_map.T)

    def map_fields(self, points_mm: Array) -> Array:
        """(N, 2, q) what independent errors of the map and of the paper's height, one standard deviation each, do to
        places (N, 2) mm."""
        fields = self.lens_map.term_fields(points_mm) @ self.map_root
        if self.relief is None:
            return np.asarray(fields)
        return np.concatenate([fields, self.relief.fields(points_mm)], 2)

    def _stacked(self, points_mm: Array) -> Array:
        """map_fields as (2 N, q)."""
        fields = self.map_fields(points_mm)
        return fields.reshape(2 * len(points_mm), fields.shape[2])

    def map_left(self, points_mm: Array, planned_mm: Array) -> Array:
        """(N, 2, q) what of map_fields at points (N, 2) the whole piece's fit leaves; planned_mm: (V, 2)."""
        taken = self.taken @ self._stacked(planned_mm)
        fields = self.map_fields(points_mm)
        return np.asarray(fields - (self.freedoms_at(points_mm) @ taken).reshape(fields.shape))

    def of_places(self, points_mm: Array, normals: Array, shift_rows: Array, planned_mm: Array) -> Array:
        """(N, N) covariance of what fit, map and edge shifts do to offsets measured at points (N, 2) mm along normals
        (N, 2); shift_rows: (N, 1 + K) the edge shifts taken off them; planned_mm: (V, 2). The lines' own noise, which
        is independent from line to line, is not in it."""

        free = self.freedoms_at(points_mm).reshape(len(points_mm), 2, len(self.taken))
        whole = -np.einsum("nk,nkp->np", normals, free) @ self.taken
        by_map = np.einsum("nk,nkq->nq", normals, self.map_fields(points_mm))
        by_map += whole @ self._stacked(planned_mm)
        cross = -(whole @ self.cross_mm2) @ shift_rows.T
        return np.asarray(
            whole @ self.vertex_cov_mm2 @ whole.T
            + shift_rows @ self.shift_cov_mm2 @ shift_rows.T
            + cross
            + cross.T
            + by_map @ by_map.T
        )


def lens_root(k1_std: float) -> Array:
    """(9, 1) square root of the covariance of a map's terms where only its lens is unsure."""
    return np.append(np.zeros(8), k1_std)[:, None]


def joint_of(
    network: Network,
    whole: GlobalFit,
    nominal: Nominal,
    lens_map: PlaneMap,
    map_root: Array,
    relief: Relief | None = None,
) -> Joint:
    """Invert the network's normal equations once, and say how the whole piece's fit follows the vertices."""
    every = np.asarray(network.factor.solve(np.eye(network.size)))
    every = 0.5 * (every + every.T)
    shifts = 2 * int((network.unknown_of >= 0).sum()) + np.arange(len(network.shifts_mm))
    known = np.flatnonzero(network.unknown_of >= 0)
    unknown = network.unknown_of[known]
    mine = np.stack([2 * known, 2 * known + 1], 1).ravel()
    theirs = np.stack([2 * unknown, 2 * unknown + 1], 1).ravel()
    count = 2 * len(nominal.vertices_mm)
    cov, cross = np.zeros((count, count)), np.zeros((count, len(shifts)))
    cov[np.ix_(mine, mine)] = every[np.ix_(theirs, theirs)]
    cross[mine] = every[np.ix_(theirs, shifts)]
    centre = np.zeros((2 * len(nominal.twists), count))
    for k, twist in enumerate(nominal.twists):
        tips = np.array(twist.tips)
        for axis in (0, 1):
            centre[2 * k + axis, 2 * tips + axis] = 1 / len(tips)
    root = np.sqrt(np.repeat(whole.weights, 2))
    taken = (np.linalg.pinv(whole.design * root[:, None]) * root) @ centre
    places = np.array([nominal.vertices_mm[list(t.tips)].mean(0) for t in nominal.twists])
    return Joint(
        cov, every[np.ix_(shifts, shifts)], cross, taken, lens_map, map_root, float(np.abs(places).max()), relief
    )

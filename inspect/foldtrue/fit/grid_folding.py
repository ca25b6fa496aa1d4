"""What the measured grid lines would do to the folded piece: every facet carried over the creases where they lie.

A crease shifted by e and turned by t reflects what lies beyond it to a place 2 e off, turned by 2 t: to first order the
error motions of neighbouring facets differ by that. Round every twist these differences do not quite close; paper gives
a little everywhere, so the motions are found by least squares over all creases. Creases of the twists' own sides are
made while folding, between the tips as they come to lie.
"""

from __future__ import annotations

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import IntArray, Nominal
from foldtrue.handover_grid import FoldedForecast, GridFit, PlannedGrid
from foldtrue.measured import COVERAGE_95, radius95

LEAST_TWISTS = 3
UNKNOWN_MM = 0.3
"""Standard uncertainty of a line that was not measured."""


def forecast_folding(nominal: Nominal, grid: PlannedGrid, fit: GridFit) -> FoldedForecast:
    """Positions and turns of the twists if the sheet is folded along the lines as measured.

    Linear in the lines' errors; their uncertainties are carried along as independent. Lines that were not measured are
    taken as planned, give or take UNKNOWN_MM."""
    figures = np.nan_to_num(np.stack([fit.offset_error_mm, np.deg2rad(fit.angle_error_deg)], 1))
    std = np.stack([fit.offset_u95_mm, np.deg2rad(fit.angle_u95_deg)], 1) / COVERAGE_95
    reach = 0.5 * (grid.high_mm - grid.low_mm)
    unknown = np.stack([np.full(len(reach), UNKNOWN_MM), UNKNOWN_MM / reach], 1)
    std = np.where(np.isfinite(std), std, unknown)
    tips = _tip_shifts(nominal, grid)
    poses = _poses(nominal, [mean for mean, _ in tips])
    moved = poses @ figures.ravel()
    cov = (poses * std.ravel() ** 2) @ poses.T
    count = len(nominal.twists)
    xy = moved.reshape(count, 3) + (0.0 if count >= LEAST_TWISTS else np.nan)
    blocks = np.array([cov[3 * k : 3 * k + 2, 3 * k : 3 * k + 2] for k in range(count)])
    gaps = np.array([_widest(spread @ figures.ravel()) for _, spread in tips])
    return FoldedForecast(
        tuple(t.id for t in nominal.twists),
        xy[:, :2],
        radius95(blocks),
        np.degrees(xy[:, 2]),
        gaps,
        float(np.sqrt(np.mean(np.sum(xy[:, :2] ** 2, 1)))),
    )


def _vertex_shifts(nominal: Nominal, grid: PlannedGrid) -> Array:
    """(V, 2, 2L) shift on the sheet of every vertex per unit error of every line: it lies where its grid lines cross,
    between them where three do not quite meet. A vertex on no grid line stays; on one, it moves across it."""
    places = nominal.vertices_sheet_mm
    slack = 1e-6 * float(np.abs(grid.outline_mm).max())
    on = np.abs(places @ grid.normals.T - grid.offset_mm) < slack
    return np.array([_vertex_shift(at, np.flatnonzero(own), grid) for at, own in zip(places, on, strict=True)])


def _facet_motions(nominal: Nominal, shifts: Array) -> Array:
    """(3F, 2L) error motion (shift x, y at the origin, turn) of every facet per unit error of every line."""
    creases = np.flatnonzero(nominal.creases.kind != "R")
    facets, pitch = len(nominal.facets), nominal.pitch_mm
    rows = np.zeros((3 * len(creases), 3 * facets))
    right = np.zeros((3 * len(creases), shifts.shape[2]))
    for k, crease in enumerate(creases):
        f, g = nominal.creases.facets[crease]
        a, b = nominal.creases.ends[crease]
        linear = nominal.facets[f].motion[:, :2]
        ahead = nominal.vertices_sheet_mm[b] - nominal.vertices_sheet_mm[a]
        length = float(np.hypot(*ahead))
        normal = np.array([-ahead[1], ahead[0]]) / length
        x, y = 0.5 * (nominal.vertices_mm[a] + nominal.vertices_mm[b])
        for facet, sign in ((g, 1.0), (f, -1.0)):
            at = 3 * facet
            rows[3 * k, at], rows[3 * k, at + 2] = sign, -sign * y
            rows[3 * k + 1, at + 1], rows[3 * k + 1, at + 2] = sign, sign * x
            rows[3 * k + 2, at + 2] = sign * pitch
        start, stop = normal @ shifts[a], normal @ shifts[b]
        right[3 * k : 3 * k + 2] = np.outer(linear @ normal, start + stop)
        right[3 * k + 2] = 2 * np.linalg.det(linear) * pitch / length * (stop - start)
    square = rows.T @ rows + 1e-9 * np.eye(3 * facets)
    return np.asarray(np.linalg.solve(square, rows.T @ right))


def _tip_shifts(nominal: Nominal, grid: PlannedGrid) -> list[tuple[Array, Array]]:
    """For every twist, per unit error of every line: the mean shift (2K, 2L) of its K tips over the facets around them,
    and the single facets' shifts about it, all tips below each other (2M, 2L)."""
    shifts = _vertex_shifts(nominal, grid)
    motions = _facet_motions(nominal, shifts)
    around: dict[int, list[int]] = {}
    for f, facet in enumerate(nominal.facets):
        for v in facet.vertices:
            around.setdefault(v, []).append(f)
    out = []
    for twist in nominal.twists:
        means, spreads = [], []
        for tip in twist.tips:
            x, y = nominal.vertices_mm[tip]
            field = np.array([[1.0, 0.0, -y], [0.0, 1.0, x]])
            own = [
                field @ motions[3 * f : 3 * f + 3] + nominal.facets[f].motion[:, :2] @ shifts[tip] for f in around[tip]
            ]
            mean = np.mean(own, 0)
            means.append(mean)
            spreads += [one - mean for one in own]
        out.append((np.concatenate(means), np.concatenate(spreads)))
    return out


def _vertex_shift(at: Array, lines: IntArray, grid: PlannedGrid) -> Array:
    """(2, 2L) shift of the point `at` on the sheet, where grid lines cross, per unit error of every line."""
    out = np.zeros((2, 2 * len(grid.number)))
    normal = grid.normals[lines]
    along = np.stack([-normal[:, 1], normal[:, 0]], 1)
    out[:, 2 * lines] = np.linalg.pinv(normal) if len(lines) else 0.0
    out[:, 2 * lines + 1] = -out[:, 2 * lines] * (along @ at)
    return out


def _poses(nominal: Nominal, tips: list[Array]) -> Array:
    """(3T, 2L) shift x, y and turn of every twist per unit error of every line, the best similarity of the whole piece
    taken out."""
    planned = np.array([t.planned_mm for t in nominal.twists])
    rows = []
    for twist, shifts in zip(nominal.twists, tips, strict=True):
        corner = nominal.vertices_mm[list(twist.tips)]
        arm = corner - corner.mean(0)
        each = shifts.reshape(len(arm), 2, -1)
        turn = (arm[:, 0] @ each[:, 1] - arm[:, 1] @ each[:, 0]) / np.sum(arm * arm)
        rows.append(np.concatenate([each.mean(0), turn[None]]))
    poses = np.concatenate(rows)
    count = len(planned)
    design = np.zeros((3 * count, 4))
    design[0::3] = np.stack([np.ones(count), np.zeros(count), planned[:, 0], -planned[:, 1]], 1)
    design[1::3] = np.stack([np.zeros(count), np.ones(count), planned[:, 1], planned[:, 0]], 1)
    design[2::3, 3] = 1.0
    place = np.ones(3 * count, bool)
    place[2::3] = False
    return np.asarray(poses - design @ (np.linalg.pinv(design[place]) @ poses[place]))


def _widest(spread: Array) -> float:
    return float(2 * np.hypot(*spread.reshape(-1, 2).T).max(initial=0.0))

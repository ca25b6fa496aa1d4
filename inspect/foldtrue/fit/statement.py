"""From an adjusted network to the figures of a result: poses, edges and vertices against the plan, with covariance."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from foldtrue.alignment import GlobalFit
from foldtrue.fit.budget import budget_of, height_law
from foldtrue.fit.held import PaperHeight
from foldtrue.fit.joint import Joint
from foldtrue.fit.lines import EdgeLines
from foldtrue.fit.network import Network
from foldtrue.fit.poses import rigid_pose
from foldtrue.frames import Array, PlaneMap, apply_homography
from foldtrue.handover import BoolArray, IntArray, KnownPlane, LatticeFit, Nominal
from foldtrue.handover_figures import Budget
from foldtrue.propagation import propagate
from foldtrue.stretches import left_normals
from foldtrue.subpixel import straight_lines


@dataclass(frozen=True)
class Solution:
    """All that the adjustment of one photo gives.

    lines; network; pose_solved (size, 4 T), N^-1 times the poses' rows; pose_fields: by term of BUDGET_FIELDS (4 T, q),
    what independent errors, one standard deviation each, do to them; covariance (4 T, 4 T) of the poses and the part of
    it from the photo's own noise; the whole piece's fit; vertices (V, 2) mm before it; the map with its lens; which
    twists count; known: the photo's plane where a reference told it, else None.
    """

    lines: EdgeLines
    network: Network
    pose_solved: Array
    pose_fields: Mapping[str, Array]
    pose_cov: Array
    noise_cov: Array
    whole: GlobalFit
    vertices_mm: Array
    lens_map: PlaneMap
    k1_std: float
    measured: BoolArray
    flags: tuple[tuple[str, ...], ...]
    px_per_mm: float
    known: KnownPlane | None = None

    def after_fit(self, points_mm: Array) -> Array:
        """Places (N, 2) that the network gives, on the plan's axes after the whole piece's fit."""
        return apply_homography(np.linalg.inv(self.whole.matrix), on_plane(points_mm, self.lens_map, self.known))


def on_plane(points_mm: Array, lens_map: PlaneMap, known: KnownPlane | None) -> Array:
    """Places (N, 2) of the map that was fitted to the piece, as the known plane has them."""
    return points_mm if known is None else known.map.to_mm(lens_map.to_px(points_mm))


def state(solution: Solution, joint: Joint, nominal: Nominal, height: PaperHeight | None = None) -> LatticeFit:
    """Take the whole piece's fit out of the solution and state every figure with its uncertainty, and, with the paper's
    height, where that comes from."""
    whole = solution.whole
    aligned = solution.after_fit(solution.vertices_mm)
    plane_map = solution.lens_map if solution.known is None else solution.known.map
    final = replace(plane_map, homography=plane_map.homography @ whole.matrix)
    poses = [rigid_pose(nominal.vertices_mm[list(t.tips)], aligned[list(t.tips)]) for t in nominal.twists]
    position = np.array([p[0] for p in poses])
    angle, size = np.array([p[1] for p in poses]), np.array([p[2] for p in poses])
    residual, leverage, alone = _after_fit(whole, solution.pose_cov, position)
    turns = _turns(nominal, residual[2::3, 2::3] * np.degrees(1.0) ** 2, angle, solution.measured)
    count = np.arange(len(poses))
    own = residual.reshape(len(poses), 3, len(poses), 3)[count, :, count, :]
    odd = _outliers(alone, solution.measured, own)
    vertex_cov, vertex_ok = _vertex_covariance(solution.network, joint, nominal)
    edges = _edge_errors(solution, nominal)
    if solution.known is not None or joint.relief is not None:
        by_map = joint.map_left(nominal.vertices_mm, nominal.vertices_mm)
        vertex_cov = vertex_cov + by_map @ by_map.transpose(0, 2, 1)
        edges = _with_map(edges, by_map[nominal.creases.ends], nominal)
    units = np.tile([1.0, 1.0, np.degrees(1.0)], len(poses))
    return LatticeFit(
        map=final,
        scale=None,
        scale_std=None,
        k1_std=solution.k1_std,
        vertices_mm=aligned,
        vertex_cov_mm2=vertex_cov,
        vertex_measured=vertex_ok,
        tips_px=tuple(final.to_px(aligned[list(t.tips)]) for t in nominal.twists),
        centre_px=final.to_px(np.array([aligned[list(t.tips)].mean(0) for t in nominal.twists])),
        position_error_mm=position,
        position_cov_mm2=own[:, :2, :2],
        angle_error_deg=angle,
        angle_std_deg=turns[2],
        size_error=size,
        size_std=np.sqrt(np.diag(solution.pose_cov)[3::4]),
        measured=solution.measured,
        flags=tuple((*f, "outlier") if k in odd else f for k, f in enumerate(solution.flags)),
        overturn_deg=turns[0],
        overturn_std_deg=turns[1],
        leverage=leverage,
        leave_one_out_mm=alone,
        edge_offset_mm=edges[0],
        edge_offset_std_mm=edges[1],
        edge_angle_deg=edges[2],
        edge_angle_std_deg=edges[3],
        sample_rms_px=solution.lines.rms_mm * solution.px_per_mm,
        node_cov_mm2=tuple(_block(joint, np.array(node)) for node in nominal.nodes),
        twist_cov=residual * np.outer(units, units),
        noise_cov=_after_fit(whole, solution.noise_cov, position)[0] * np.outer(units, units),
        budget=_budget(solution, nominal, height),
    )


def _budget(solution: Solution, nominal: Nominal, height: PaperHeight | None) -> Budget:
    """Where the variances of places and turns come from."""
    project, _ = _projection(solution.whole)
    units = np.tile([1.0, 1.0, np.degrees(1.0)], len(nominal.twists))
    keep = np.flatnonzero(np.arange(solution.pose_solved.shape[1]) % 4 != 3)
    rows = project * units[:, None]
    return budget_of(
        solution.network,
        height_law(solution.lines, nominal, height),
        solution.pose_solved[:, keep] @ rows.T,
        {name: rows @ field[keep] for name, field in solution.pose_fields.items()},
        _turn_rows(nominal, solution.measured),
    )


def _turns(nominal: Nominal, cov: Array, angle: Array, measured: BoolArray) -> tuple[float, float, Array]:
    """The piece's common overturn (mean of hand x turn over the measured twists) and its std, and the stds (T,) of the
    turns with it taken out; cov: (T, T) deg^2."""
    relative, mean = _turn_rows(nominal, measured)
    variance = np.einsum("ij,jk,ik->i", relative, cov, relative)
    return float(mean @ angle), float(np.sqrt(mean @ cov @ mean)), np.sqrt(variance)


def _turn_rows(nominal: Nominal, measured: BoolArray) -> tuple[Array, Array]:
    """(T, T) turns relative to the piece and (T,) its common overturn, as functions of all turns."""
    hand = np.array([t.hand for t in nominal.twists], float)
    mean = hand * measured / max(int(measured.sum()), 1)
    return np.eye(len(hand)) - np.outer(hand, mean), mean


def _after_fit(whole: GlobalFit, cov: Array, position: Array) -> tuple[Array, Array, Array]:
    """Covariance (3 T, 3 T) of x, y, turn (rad) after the whole piece's fit is taken out; leverage (T,); leave-one-out
    errors."""
    count = len(position)
    project, hat = _projection(whole)
    keep = np.flatnonzero(np.arange(4 * count) % 4 != 3)
    residual = project @ cov[np.ix_(keep, keep)] @ project.T
    alone = np.linalg.solve(np.eye(2) - np.minimum(hat, 0.98), position[:, :, None])[:, :, 0]
    return residual, np.trace(hat, axis1=1, axis2=2) / 2, alone


def _projection(whole: GlobalFit) -> tuple[Array, Array]:
    """(3 T, 3 T) what takes the whole piece's fit out of all x, y and turns (rad), and the blocks (T, 2, 2) of the hat
    matrix."""
    count = len(whole.weights)
    w = np.repeat(whole.weights, 2)
    solve = np.linalg.pinv(whole.design * np.sqrt(w)[:, None]) * np.sqrt(w)[None, :]
    picker = np.zeros((2 * count, 3 * count))
    picker[np.arange(2 * count), (np.arange(2 * count) // 2) * 3 + np.arange(2 * count) % 2] = 1
    effect = np.zeros((3 * count, whole.design.shape[1]))
    effect[0::3], effect[1::3], effect[2::3] = whole.design[0::2], whole.design[1::2], whole.turn
    project = np.eye(3 * count) - effect @ solve @ picker
    hat = (whole.design @ solve).reshape(count, 2, count, 2)[np.arange(count), :, np.arange(count), :]
    return project, hat


def _outliers(alone: Array, measured: BoolArray, own: Array) -> list[int]:
    """Twists whose leave-one-out error stands out of the piece's own scatter: over 5 times the median length's
    sigma."""
    distance = np.hypot(*alone.T)
    if measured.sum() < 6:
        return []
    scale = float(np.median(distance[measured])) / 1.1774 + 1e-9
    noise = np.sqrt(np.trace(own[:, :2, :2], axis1=1, axis2=2))
    return [int(k) for k in np.flatnonzero(measured & (distance > 5 * scale) & (distance > 5 * noise))]


def _block(joint: Joint, vertices: IntArray) -> Array:
    """(2 n, 2 n) covariance of these n vertices together."""
    rows = np.stack([2 * vertices, 2 * vertices + 1], 1).ravel()
    return np.asarray(joint.vertex_cov_mm2[np.ix_(rows, rows)])


def _vertex_covariance(network: Network, joint: Joint, nominal: Nominal) -> tuple[Array, BoolArray]:
    """(V, 2, 2) mm2 and whether each vertex is fixed in both directions (its prior has been overruled)."""
    count = np.arange(len(nominal.vertices_mm))
    blocks = joint.vertex_cov_mm2.reshape(len(count), 2, len(count), 2)[count, :, count, :]
    known = network.unknown_of >= 0
    ok = known & (np.sqrt(np.linalg.eigvalsh(blocks)[:, 1]) < 0.03 * nominal.pitch_mm)
    return np.where(known[:, None, None], blocks, np.nan), ok


def _with_map(
    edges: tuple[Array, Array, Array, Array], by_map: Array, nominal: Nominal
) -> tuple[Array, Array, Array, Array]:
    """Edge errors whose stds hold what errors of the map, by_map (C, 2, 2, q) at both ends, do to each crease."""
    every = np.arange(len(nominal.creases.ids))
    a, b = np.moveaxis(nominal.vertices_mm[nominal.creases.ends], 1, 0)
    across = np.einsum("ckjq,cj->ckq", by_map, left_normals(nominal, every))
    shift, turn = across.mean(1), np.degrees((across[:, 1] - across[:, 0]) / np.hypot(*(b - a).T)[:, None])
    offset, offset_std, angle, angle_std = edges
    return (
        offset,
        np.sqrt(offset_std**2 + np.sum(shift**2, 1)),
        angle,
        np.sqrt(angle_std**2 + np.sum(turn**2, 1)),
    )


def _edge_errors(solution: Solution, nominal: Nominal) -> tuple[Array, Array, Array, Array]:
    """Each crease's own measured line against the plan, after the fit: offset at its middle (mm), angle (deg), and
    stds, of those that stand out; of a crease with several lines by least squares."""
    lines = solution.lines.pick(np.flatnonzero(solution.lines.stands_out))
    count = len(nominal.creases.ids)
    ends = nominal.vertices_mm[nominal.creases.ends[lines.crease]]
    d = ends[:, 1] - ends[:, 0]
    moved = []
    for t in (0.0, 1.0):
        shift = lines.offset_mm + lines.slope_mm * (t - lines.t_mid)
        moved.append(solution.after_fit(ends[:, 0] + d * t + lines.normal * shift[:, None]))
    start, end = (np.sum((m - e) * lines.normal, 1) for m, e in zip(moved, (ends[:, 0], ends[:, 1]), strict=True))
    level, slope = start + (end - start) * lines.t_mid, end - start
    # A line known by its level and its slope is two points, half its weight each, as far apart as gives its slope's.
    reach = lines.offset_std_mm / lines.slope_std_mm
    place = np.concatenate([lines.t_mid - reach, lines.t_mid + reach])
    value = np.concatenate([level - slope * reach, level + slope * reach])
    both = straight_lines(place, value, np.tile(0.5 / lines.offset_std_mm**2, 2), np.tile(lines.crease, 2), count)
    run = np.diff(nominal.vertices_mm[nominal.creases.ends], axis=1)[:, 0]
    seen, length = both.weight > 0, np.hypot(*run.T)
    slope_var = both.slope_variance()
    across = (0.5 - both.t_mid) * slope_var
    cov = np.stack([both.variance_at(0.5), across, across, slope_var], 1).reshape(count, 2, 2)[seen]

    def figures(line: Array) -> Array:
        return np.stack([line[..., 0], np.degrees(np.arctan2(line[..., 1], length[seen]))], -1)

    found, spread = propagate(figures, np.stack([both.at(0.5), both.slope], 1)[seen], cov)
    out = np.full((4, count), np.nan)
    out[:, seen] = found[:, 0], np.sqrt(spread[:, 0, 0]), found[:, 1], np.sqrt(spread[:, 1, 1])
    return out[0], out[1], out[2], out[3]

"""fit_lattice: edge samples in, every vertex and every twist's pose out, each with its covariance."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from foldtrue.errors import PhotoTooPoor
from foldtrue.fit.lens import lens_from_bends, planned_points, radial_field
from foldtrue.fit.lines import EdgeLines, edge_lines
from foldtrue.fit.network import Network, solve_network
from foldtrue.fit.poses import GlobalFit, fit_globally, pose_rows, rigid_pose, supported_share
from foldtrue.frames import Array, apply_homography
from foldtrue.handover import BoolArray, Features, LatticeFit, Nominal, Plane

LEAST_TWISTS = 5


@dataclass(frozen=True, kw_only=True)
class FitOptions:
    """prior_pitch: how far off a vertex may be before anything is seen, in pitches (1 standard deviation);
    shift_prior_mm: the common shift of edges towards their dark side that paper and tone curve may cause; least_share:
    of a twist's own edges that
    must be seen; most_position_pitch: largest standard uncertainty of a pose that still counts as measured, in
    pitches."""

    prior_pitch: float = 0.12
    shift_prior_mm: float = 0.1
    least_share: float = 0.45
    most_position_pitch: float = 0.02
    most_angle_deg: float = 1.5

    def __post_init__(self) -> None:
        if min(self.prior_pitch, self.shift_prior_mm, self.most_position_pitch, self.most_angle_deg) <= 0:
            raise ValueError("fit options must be positive")


def fit_lattice(features: Features, plane: Plane, nominal: Nominal, options: FitOptions | None = None) -> LatticeFit:
    """Adjust the network, take the whole piece's fit out, and state every twist's pose.

    Raises PhotoTooPoor when fewer than LEAST_TWISTS twists are fixed by visible edges: the plane of the photo could
    then not be told from the piece's own errors.
    """
    options = options or FitOptions()
    k1_change, k1_std, lens_mm = lens_from_bends(features, nominal, plane.view, plane.map)
    lines = edge_lines(features, nominal, plane.view, lens_mm)
    network = solve_network(lines, nominal, options.prior_pitch * nominal.pitch_mm, options.shift_prior_mm)
    lens_map = replace(plane.map, k1=plane.map.k1 + k1_change)
    cov = _pose_covariance(network, nominal, plane, k1_std)
    measured, flags = _fixed(features, plane, nominal, cov, options)
    if measured.sum() < LEAST_TWISTS:
        raise PhotoTooPoor(
            f"Only {int(measured.sum())} of {len(measured)} twists show enough of their edges to be measured.",
            "Take the photo closer, sharper and evenly lit, with the whole piece in the picture.",
        )
    vertices = nominal.vertices_mm + network.displacement_mm
    planned = np.array([nominal.vertices_mm[list(t.tips)].mean(0) for t in nominal.twists])
    centres = np.array([vertices[list(t.tips)].mean(0) for t in nominal.twists])
    whole = fit_globally(planned, centres, "homography", measured.astype(float))
    return _assemble(features, plane, nominal, lines, network, cov, whole, vertices, lens_map, k1_std, measured, flags)


def _pose_covariance(network: Network, nominal: Nominal, plane: Plane, k1_std: float) -> Array:
    """Covariance (4 T, 4 T) of all poses (centre x, y mm, turn rad, size): network, edge shifts and lens together."""
    rows = pose_rows(nominal)
    count = 4 * len(rows)
    columns = np.zeros((network.size, count))
    lens = np.zeros(count)
    field = radial_field(plane.map, nominal.vertices_mm)
    for k, (row, twist) in enumerate(zip(rows, nominal.twists, strict=True)):
        tips = np.array(twist.tips)
        unknown = network.unknown_of[tips]
        columns[np.stack([2 * unknown, 2 * unknown + 1], 1).ravel()[:, None], 4 * k + np.arange(4)] += row.T
        lens[4 * k : 4 * k + 4] = row @ field[tips].ravel()
    solved = network.factor.solve(columns)
    return np.asarray(columns.T @ solved + k1_std**2 * np.outer(lens, lens))


def _fixed(
    features: Features, plane: Plane, nominal: Nominal, cov: Array, options: FitOptions
) -> tuple[BoolArray, list[list[str]]]:
    """Which twists the visible edges fix, and the flags of those they do not."""
    points, _ = planned_points(features, nominal, plane.view)
    share, count = supported_share(points, features.trust > 0, nominal, 0.04 * nominal.pitch_mm)
    blocks = cov.reshape(len(share), 4, len(share), 4)
    own = blocks[np.arange(len(share)), :, np.arange(len(share)), :]
    position_std = np.sqrt(np.linalg.eigvalsh(own[:, :2, :2])[:, 1])
    angle_std = np.degrees(np.sqrt(own[:, 2, 2]))
    flags: list[list[str]] = [[] for _ in share]
    for k in range(len(share)):
        if count[k] == 0:
            flags[k].append("out_of_frame")
        elif share[k] < options.least_share:
            flags[k].append("not_seen")
        elif position_std[k] > options.most_position_pitch * nominal.pitch_mm or angle_std[k] > options.most_angle_deg:
            flags[k].append("few_support_px")
    return np.array([not f for f in flags]), flags


def _assemble(
    features: Features,
    plane: Plane,
    nominal: Nominal,
    lines: EdgeLines,
    network: Network,
    cov: Array,
    whole: GlobalFit,
    vertices: Array,
    lens_map,
    k1_std: float,
    measured: BoolArray,
    flags: list[list[str]],
) -> LatticeFit:  # type: ignore[no-untyped-def]
    back = np.linalg.inv(whole.matrix)
    aligned = apply_homography(back, vertices)
    final = replace(lens_map, homography=lens_map.homography @ whole.matrix)
    poses = [rigid_pose(nominal.vertices_mm[list(t.tips)], aligned[list(t.tips)]) for t in nominal.twists]
    position, angle, size = (
        np.array([p[0] for p in poses]),
        np.array([p[1] for p in poses]),
        np.array([p[2] for p in poses]),
    )
    hand = np.array([t.hand for t in nominal.twists], float)
    residual, leverage, alone = _after_fit(whole, cov, position)
    turn_cov = residual[2::3, 2::3] * np.degrees(1.0) ** 2
    share = measured / max(measured.sum(), 1)
    mean = hand * share
    overturn = float(mean @ angle)
    overturn_std = float(np.sqrt(mean @ turn_cov @ mean))
    relative = np.eye(len(hand)) - np.outer(hand, mean)
    relative_var = np.einsum("ij,jk,ik->i", relative, turn_cov, relative)
    own = residual.reshape(len(hand), 3, len(hand), 3)[np.arange(len(hand)), :, np.arange(len(hand)), :]
    for k in _outliers(alone, measured, own):
        flags[k].append("outlier")
    vertex_cov, vertex_ok = _vertex_covariance(network, nominal)
    edges = _edge_errors(lines, nominal, back)
    px_per_mm = float(np.median(features.px_per_mm)) if len(features.px_per_mm) else float("nan")
    return LatticeFit(
        map=final,
        scale=None,
        scale_std=None,
        k1_std=k1_std,
        vertices_mm=aligned,
        vertex_cov_mm2=vertex_cov,
        vertex_measured=vertex_ok,
        tips_px=tuple(final.to_px(aligned[list(t.tips)]) for t in nominal.twists),
        centre_px=final.to_px(np.array([aligned[list(t.tips)].mean(0) for t in nominal.twists])),
        position_error_mm=position,
        position_cov_mm2=own[:, :2, :2],
        angle_error_deg=angle,
        angle_std_deg=np.sqrt(relative_var),
        size_error=size,
        size_std=np.sqrt(np.diag(cov)[3::4]),
        measured=measured,
        flags=tuple(tuple(f) for f in flags),
        overturn_deg=overturn,
        overturn_std_deg=overturn_std,
        leverage=leverage,
        leave_one_out_mm=alone,
        edge_offset_mm=edges[0],
        edge_offset_std_mm=edges[1],
        edge_angle_deg=edges[2],
        edge_angle_std_deg=edges[3],
        sample_rms_px=lines.rms_mm * px_per_mm,
    )


def _after_fit(whole: GlobalFit, cov: Array, position: Array) -> tuple[Array, Array, Array]:
    """Covariance (3 T, 3 T) of x, y, turn (rad) after the whole piece's fit is taken out; leverage (T,); leave-one-out
    errors."""
    count = len(position)
    w = np.repeat(whole.weights, 2)
    solve = np.linalg.pinv(whole.design * np.sqrt(w)[:, None]) * np.sqrt(w)[None, :]
    picker = np.zeros((2 * count, 3 * count))
    picker[np.arange(2 * count), (np.arange(2 * count) // 2) * 3 + np.arange(2 * count) % 2] = 1
    effect = np.zeros((3 * count, whole.design.shape[1]))
    effect[0::3], effect[1::3], effect[2::3] = whole.design[0::2], whole.design[1::2], whole.turn
    project = np.eye(3 * count) - effect @ solve @ picker
    keep = np.flatnonzero(np.arange(4 * count) % 4 != 3)
    residual = project @ cov[np.ix_(keep, keep)] @ project.T
    hat = (whole.design @ solve).reshape(count, 2, count, 2)[np.arange(count), :, np.arange(count), :]
    alone = np.linalg.solve(np.eye(2) - np.minimum(hat, 0.98), position[:, :, None])[:, :, 0]
    return residual, np.trace(hat, axis1=1, axis2=2) / 2, alone


def _outliers(alone: Array, measured: BoolArray, own: Array) -> list[int]:
    """Twists whose leave-one-out error stands out of the piece's own scatter: over 5 times the median length's
    sigma."""
    distance = np.hypot(*alone.T)
    if measured.sum() < 6:
        return []
    scale = float(np.median(distance[measured])) / 1.1774 + 1e-9
    noise = np.sqrt(np.trace(own[:, :2, :2], axis1=1, axis2=2))
    return [int(k) for k in np.flatnonzero(measured & (distance > 5 * scale) & (distance > 5 * noise))]


def _vertex_covariance(network: Network, nominal: Nominal) -> tuple[Array, BoolArray]:
    """(V, 2, 2) mm2 and whether each vertex is fixed in both directions (its prior has been overruled)."""
    known = np.flatnonzero(network.unknown_of >= 0)
    columns = np.zeros((network.size, 2 * len(known)))
    unknown = network.unknown_of[known]
    columns[np.stack([2 * unknown, 2 * unknown + 1], 1).ravel(), np.arange(2 * len(known))] = 1
    solved = network.factor.solve(columns)
    rows = np.stack([2 * unknown, 2 * unknown + 1], 1)
    cols = np.arange(2 * len(known)).reshape(-1, 2)
    cov = np.full((len(nominal.vertices_mm), 2, 2), np.nan)
    cov[known] = solved[rows[:, :, None], cols[:, None, :]]
    ok = np.zeros(len(cov), bool)
    ok[known] = (
        np.sqrt(np.linalg.eigvalsh(0.5 * (cov[known] + cov[known].transpose(0, 2, 1)))[:, 1]) < 0.03 * nominal.pitch_mm
    )
    return cov, ok


def _edge_errors(lines: EdgeLines, nominal: Nominal, back: Array) -> tuple[Array, Array, Array, Array]:
    """Each crease's own measured line against the plan, after the fit: offset at its middle (mm), angle (deg), and
    stds."""
    out = tuple(np.full(len(nominal.creases.ids), np.nan) for _ in range(4))
    ends = nominal.vertices_mm[nominal.creases.ends[lines.crease]]
    d = ends[:, 1] - ends[:, 0]
    length = np.hypot(*d.T)
    moved = []
    for t in (0.0, 1.0):
        shift = lines.offset_mm + lines.slope_mm * (t - lines.t_mid)
        moved.append(apply_homography(back, ends[:, 0] + d * t + lines.normal * shift[:, None]))
    off = [np.sum((m - e) * lines.normal, 1) for m, e in zip(moved, (ends[:, 0], ends[:, 1]), strict=True)]
    out[0][lines.crease] = 0.5 * (off[0] + off[1])
    out[1][lines.crease] = np.hypot(lines.offset_std_mm, (0.5 - lines.t_mid) * lines.slope_std_mm)
    out[2][lines.crease] = np.degrees(np.arctan2(off[1] - off[0], length))
    out[3][lines.crease] = np.degrees(lines.slope_std_mm / length)
    return out  # type: ignore[return-value]

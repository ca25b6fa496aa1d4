"""From the combined errors of several photos to the figures of the piece, after its best fit, as one LatticeFit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from foldtrue.alignment import fit_globally, homography_step
from foldtrue.frames import Array, apply_homography, homography_jacobian
from foldtrue.handover import BoolArray, Inspection, LatticeFit, Nominal
from foldtrue.pool.combine import Combined, Reading, covariance, fit_differences
from foldtrue.stretches import left_normals


@dataclass(frozen=True)
class _Poses:
    """The piece's twists after its best fit: matrix (3, 3) of the fit; position (T, 2) mm; turn (T,) deg; cov (3 T,
    3 T); hat (T, 2, 2): share of each position in the fit."""

    matrix: Array
    position: Array
    turn: Array
    cov: Array
    hat: Array


def pooled_fit(
    photos: Sequence[Inspection],
    readings: Sequence[Reading],
    whole: Combined,
    design: Array,
    shown: int,
    widened: float,
) -> LatticeFit:
    """The piece's fit, drawn in the photo number `shown`; photos on one orientation of the plan, with their readings.
    Uncertainties are multiplied by `widened`.

    Sizes, vertices and edges are weighted means of the photos', their uncertainties those of figures that are wholly
    alike in all photos: several photos make them steadier, but that is not claimed.
    """
    nominal, base = photos[shown].nominal, photos[shown].fit
    poses = _poses(readings, whole, design, nominal)
    apart = fit_differences(readings, whole, design)
    steps = [homography_step(c, _planned(nominal)) @ poses.matrix for c in apart]
    drawn = replace(base.map, homography=_unit(base.map.homography @ steps[shown]))
    piece = _with_paper(replace(base, map=drawn), photos, steps, widened)
    piece = _with_twists(piece, photos, poses, whole.seen, widened)
    return replace(piece, alignment="homography" if whole.taken == 8 else "similarity")


def _with_paper(fit: LatticeFit, photos: Sequence[Inspection], steps: Sequence[Array], widened: float) -> LatticeFit:
    """The fit with scale, sizes, vertices and edges of all photos; steps (3, 3) lead from the piece's fit to each
    photo's."""
    size, size_std = _mean([f.fit.size_error for f in photos], [_size_std(f) for f in photos])
    vertices, vertex_cov, known = _vertices(photos, steps)
    offset, offset_std, angle, angle_std = _edges(photos, steps)
    scale, scale_std, limits = _scale(photos)
    return replace(
        fit,
        scale=scale,
        scale_std=scale_std,
        scale_budget=None,
        scale_limits=limits,
        vertices_mm=vertices,
        vertex_cov_mm2=vertex_cov * widened**2,
        vertex_measured=known,
        size_error=size,
        size_std=size_std * widened,
        edge_offset_mm=offset,
        edge_offset_std_mm=offset_std * widened,
        edge_angle_deg=angle,
        edge_angle_std_deg=angle_std * widened,
        # Pleats, outline, panels and form are not combined: each photo's own result has them.
        form=None,
        node_cov_mm2=None,
        pleats=None,
        outline=None,
        panels=None,
    )


def _with_twists(
    fit: LatticeFit, photos: Sequence[Inspection], poses: _Poses, measured: BoolArray, widened: float
) -> LatticeFit:
    """The fit with the combined poses of the twists."""
    nominal, count = photos[0].nominal, np.arange(len(measured))
    cov, seen = poses.cov * widened**2, measured[:, None]
    blocks = cov.reshape(len(count), 3, len(count), 3)[count, :2, count, :2]
    overturn, overturn_std, turn_std = _turns(nominal, cov[2::3, 2::3], poses.turn, measured)
    position = np.where(seen, poses.position, np.nan)
    moved = [_moved(nominal, k, poses.position[k], poses.turn[k], fit.size_error[k]) for k in range(len(count))]
    return replace(
        fit,
        tips_px=tuple(fit.map.to_px(tips) for tips in moved),
        centre_px=fit.map.to_px(_planned(nominal) + poses.position),
        position_error_mm=position,
        position_cov_mm2=np.where(seen[:, :, None], blocks, np.nan),
        angle_error_deg=np.where(measured, poses.turn, np.nan),
        angle_std_deg=np.where(measured, turn_std, np.nan),
        measured=measured,
        flags=_flags(photos, measured),
        overturn_deg=overturn,
        overturn_std_deg=overturn_std,
        leverage=np.trace(poses.hat, axis1=1, axis2=2) / 2,
        leave_one_out_mm=np.linalg.solve(np.eye(2) - np.minimum(poses.hat, 0.98), position[:, :, None])[:, :, 0],
        twist_cov=cov,
        noise_cov=None,
        budget=None,
        spread_std=None,
    )


def _planned(nominal: Nominal) -> Array:
    return np.array([t.planned_mm for t in nominal.twists])


def _unit(matrix: Array) -> Array:
    return np.asarray(matrix / matrix[2, 2])


def _poses(readings: Sequence[Reading], whole: Combined, design: Array, nominal: Nominal) -> _Poses:
    """Take the piece's own best fit out of the combined errors and their covariance."""
    planned, measured = _planned(nominal), _planned(nominal) + whole.error[:, :2]
    kind = "homography" if whole.taken == 8 else "similarity"
    fit = fit_globally(planned, measured, kind, whole.seen.astype(float))
    back = np.linalg.inv(fit.matrix)
    jacobian = homography_jacobian(back, measured)
    spin = np.degrees(np.arctan2(jacobian[:, 1, 0] - jacobian[:, 0, 1], jacobian[:, 0, 0] + jacobian[:, 1, 1]))
    freedoms = design[:, : whole.taken]
    root = np.sqrt(np.repeat(fit.weights, 2))
    in_place = np.arange(len(design)) % 3 != 2
    solve = np.zeros((whole.taken, len(design)))
    solve[:, in_place] = np.linalg.pinv(freedoms[in_place] * root[:, None]) * root
    project = np.eye(len(design)) - freedoms @ solve
    count = np.arange(len(planned))
    hat = (freedoms @ solve).reshape(len(count), 3, len(count), 3)[count, :2, count, :2]
    position = apply_homography(back, measured) - planned
    cov = project @ covariance(readings, whole) @ project.T
    return _Poses(fit.matrix, position, whole.error[:, 2] + spin, cov, hat)


def _turns(nominal: Nominal, cov: Array, turn: Array, seen: BoolArray) -> tuple[float, float, Array]:
    """Common overturn, its std, and the stds (T,) of the turns without it, as for one photo."""
    hand = np.array([t.hand for t in nominal.twists], float)
    mean = hand * seen / int(seen.sum())
    relative = np.eye(len(hand)) - np.outer(hand, mean)
    variance = np.einsum("ij,jk,ik->i", relative, cov, relative)
    return float(mean @ turn), float(np.sqrt(mean @ cov @ mean)), np.sqrt(variance)


def _size_std(found: Inspection) -> Array:
    return np.where(found.fit.measured, found.fit.size_std, np.nan)


def _mean(values: Sequence[Array], stds: Sequence[Array]) -> tuple[Array, Array]:
    """Mean weighted by inverse variance where finite, nan where none is, and its std if all errors were alike."""
    value, std = np.array(values), np.array(stds)
    there = np.isfinite(value) & np.isfinite(std)
    weight = np.where(there, 1.0, 0.0) / np.where(there, std, 1.0) ** 2
    total = np.where(there.any(0), weight.sum(0), np.nan)
    mean = np.sum(weight * np.where(there, value, 0.0), 0) / total
    return mean, np.sum(weight * np.where(there, std, 0.0), 0) / total


def _scale(photos: Sequence[Inspection]) -> tuple[float | None, float | None, tuple[float, ...]]:
    """The scale of the photos that have one, its standard uncertainty and its limits; what lies under the piece is the
    same thing in all of them."""
    known = [f for f in photos if f.fit.scale is not None and f.fit.scale_std]
    if not known:
        return None, None, ()
    stds = [np.array([f.fit.scale_std]) for f in known]
    value, std = _mean([np.array([f.fit.scale]) for f in known], stds)
    limits: tuple[float, ...] = ()
    if len({f.plane.reference for f in known}) == 1 and len({len(f.fit.scale_limits) for f in known}) == 1:
        # A sheet's sides come in the order in which the photo shows them.
        limits = tuple(_mean([np.sort(f.fit.scale_limits) for f in known], stds)[0].tolist())
    return float(value[0]), float(std[0]), limits


def _moved(nominal: Nominal, twist: int, position: Array, turn_deg: float, size: float) -> Array:
    """Planned tips of a twist, moved as its figures say."""
    tips = nominal.vertices_mm[list(nominal.twists[twist].tips)]
    middle, angle = tips.mean(0), np.deg2rad(turn_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return np.asarray(middle + position + (1 + (size if np.isfinite(size) else 0.0)) * (tips - middle) @ turn.T)


def _flags(photos: Sequence[Inspection], seen: BoolArray) -> tuple[tuple[str, ...], ...]:
    """Of a measured twist what any photo that measured it says; of another what the photos say, each word once."""
    out = []
    for k in range(len(seen)):
        said = [f.fit.flags[k] for f in photos if f.fit.measured[k] or not seen[k]]
        out.append(tuple(dict.fromkeys(word for words in said for word in words)))
    return tuple(out)


def _vertices(photos: Sequence[Inspection], steps: Sequence[Array]) -> tuple[Array, Array, BoolArray]:
    """Vertices (V, 2) after the piece's fit, weighted by their covariances; (V, 2, 2); measured in any photo."""
    nominal = photos[0].nominal
    total, weighted = np.zeros((len(nominal.vertices_mm), 2, 2)), np.zeros((len(nominal.vertices_mm), 2))
    roots = []
    for found, step in zip(photos, steps, strict=True):
        fit, k = found.fit, np.flatnonzero(found.fit.vertex_measured)
        weight = np.linalg.inv(fit.vertex_cov_mm2[k])
        total[k] += weight
        weighted[k] += np.einsum("nij,nj->ni", weight, apply_homography(np.linalg.inv(step), fit.vertices_mm[k]))
        roots.append((k, np.linalg.cholesky(weight)))
    known = np.any([f.fit.vertex_measured for f in photos], axis=0)
    cov = np.full_like(total, np.nan)
    cov[known] = np.linalg.inv(total[known])
    vertices = nominal.vertices_mm.copy()
    vertices[known] = np.einsum("nij,nj->ni", cov[known], weighted[known])
    share = np.zeros_like(total)
    for k, root in roots:
        share[k] += root
    cov[known] = cov[known] @ (share @ share.transpose(0, 2, 1))[known] @ cov[known]
    return vertices, cov, np.asarray(known)


def _edges(photos: Sequence[Inspection], steps: Sequence[Array]) -> tuple[Array, Array, Array, Array]:
    """Offset (mm) and angle (deg) of every crease (C,) after the piece's fit, each with its std."""
    nominal = photos[0].nominal
    every = np.arange(len(nominal.creases.ids))
    ends, normal = nominal.vertices_mm[nominal.creases.ends], left_normals(nominal, every)
    length = np.hypot(*(ends[:, 1] - ends[:, 0]).T)
    offsets, angles = [], []
    for found, step in zip(photos, steps, strict=True):
        half = 0.5 * length * np.tan(np.deg2rad(found.fit.edge_angle_deg))
        back, middle = np.linalg.inv(step), found.fit.edge_offset_mm
        off = [
            np.sum((apply_homography(back, end + normal * shift[:, None]) - end) * normal, 1)
            for end, shift in ((ends[:, 0], middle - half), (ends[:, 1], middle + half))
        ]
        offsets.append(0.5 * (off[0] + off[1]))
        angles.append(np.degrees(np.arctan2(off[1] - off[0], length)))
    offset, offset_std = _mean(offsets, [f.fit.edge_offset_std_mm for f in photos])
    angle, angle_std = _mean(angles, [f.fit.edge_angle_std_deg for f in photos])
    return offset, offset_std, angle, angle_std

"""The plane of the piece's face by a reference that was located without knowing the piece, and whether it is known
better so than from the piece itself (docs/scale.md)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from foldtrue.camera_place import camera_place
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import KnownPlane, LatticeFit, Nominal, Photo, Reference
from foldtrue.lens_prior import usual
from foldtrue.propagation import covariance_root, propagate
from foldtrue.rectify.size_budget import TWIST_STD, fields, height_mm

LEAN_MM = 0.2
"""Standard deviation of the height of a piece's rim over its middle's: what lies on a table seldom lies quite flat
(common practice, no source)."""


def plane_at_piece(photo: Photo, nominal: Nominal, fit: LatticeFit, view: str, reference: Reference) -> KnownPlane:
    """The plane of the piece's face: the reference's, raised by the piece's height, on the plan's axes.

    Points of a plane parallel to the table lie where the table's would if drawn towards the point below the camera by
    height / distance, so that an error of the height is one of size alone. A face that leans is another matter. Against
    the light folds of every depth show, so that the face is taken half-way up.
    """
    located = _with_lens(reference, fit)
    seen, planned = fit.measured, _planned(nominal)
    middle = located.map.to_mm(fit.centre_px[seen]).mean(0)
    away, away_std, distance = 0.0, 0.0, float("inf")
    foot: Array = np.zeros(2)
    if reference.kind != "scan":  # pressed flat, and seen from straight above everywhere
        camera, half = camera_place(photo, located.map), 0.5 if view == "backlit" else 1.0
        foot, distance = camera.foot_mm, camera.distance_mm
        away = half * height_mm(nominal) / distance
        # Anything from flat to twice as high, as for a sheet.
        away_std = away * float(np.hypot(1 / np.sqrt(3.0), camera.distance_std_mm / distance))

    def face(values: Array) -> PlaneMap:
        """By the map's terms (9,), errors of size along x and y, height / distance, and slopes along x and y."""
        moved = _grown(values[9:11]) @ _raised(foot, values[11], values[12:14] / distance, middle)
        return _with_terms(located.map, values[:9], moved)

    values = np.concatenate([_terms(located.map), [0.0, 0.0, away, 0.0, 0.0]])
    at = face(values).to_mm(fit.centre_px[seen])
    axes = _similarity(planned[seen], at)
    lean = LEAN_MM / float(np.hypot(*(at - middle).T).max()) if np.isfinite(distance) else 0.0
    own = np.zeros((14, 14))
    own[:9, :9], own[11:, 11:] = located.map_cov, np.diag([away_std**2, lean**2, lean**2])
    every, common = own.copy(), reference.common_std**2
    every[9:11, 9:11] = [[reference.size_std[0] ** 2, common], [common, reference.size_std[1] ** 2]]

    def terms(values: Array) -> Array:
        there = face(values)
        return _terms(replace(there, homography=there.homography @ axes))

    final, cov = propagate(terms, values, every)
    return KnownPlane(
        kind=reference.kind,
        map=_with_terms(located.map, final),
        size=float(np.hypot(*axes[:2, 0])),
        map_cov=cov,
        own_cov=propagate(terms, values, own)[1],
    )


def tells_plane(known: KnownPlane, nominal: Nominal, fit: LatticeFit) -> bool:
    """Whether the reference leaves less open across the piece than the piece's own twists would.

    Left open by the reference: RMS over the twists of what errors of its map do to their places, shift, turn and size
    apart. By the lattice: a homography takes up four directions more of the errors of folding than a similarity, so
    that N twists which each err by s per axis leave s sqrt(4 / N). s is that of careful work and not of this piece, so
    that neither chance nor skill decides in which frame a piece's errors are given.
    """
    at = _planned(nominal)[fit.measured]
    moved = (known.map.term_fields(at) @ covariance_root(known.map_cov)).reshape(2 * len(at), -1)
    plain = fields(at).reshape(2 * len(at), -1)[:, :4]
    left = moved - plain @ np.linalg.lstsq(plain, moved, rcond=None)[0]
    return bool(np.sum(left**2) < 4 * (TWIST_STD * nominal.pitch_mm) ** 2)


def size_budget(known: KnownPlane, nominal: Nominal, fit: LatticeFit, spread_mm: float) -> Mapping[str, float]:
    """Relative standard uncertainty of known.size as the piece's scale by source: the reference, and the twists, each
    having been placed to spread_mm."""
    at = _planned(nominal)[fit.measured]
    plain = fields(at - at.mean(0)).reshape(2 * len(at), -1)[:, :4]
    moved = (known.map.term_fields(at) @ covariance_root(known.map_cov)).reshape(2 * len(at), -1)
    by_map = np.linalg.lstsq(plain, moved, rcond=None)[0][2]
    reach = np.sqrt(np.sum((at - at.mean(0)) ** 2))
    return {"reference": float(np.linalg.norm(by_map)), "twists": float(spread_mm / reach)}


def out_of_shape(known: KnownPlane, nominal: Nominal, fit: LatticeFit) -> float:
    """Largest of stretch, shear and keystone of the piece (relative, across it) if the reference is to be believed."""
    at = _planned(nominal)[fit.measured]
    reach = float(np.hypot(*at.T).max())
    error = known.map.to_mm(fit.centre_px[fit.measured]) - at
    figures = np.linalg.lstsq(fields(at / reach).reshape(2 * len(at), -1), error.ravel(), rcond=None)[0]
    return float(2 * np.abs(figures[4:]).max() / reach)


def _planned(nominal: Nominal) -> Array:
    return np.array([t.planned_mm for t in nominal.twists])


def _with_lens(reference: Reference, fit: LatticeFit) -> Reference:
    """The reference with its lens term weighed against the piece's own, whose folds are straight.

    Both may rest on what is known of all cameras' k1, which is counted once; a kept lens is this camera's own, and one
    more measurement. The other terms follow k1 as their
    covariance says (conditional mean of a normal distribution).
    """
    cov = reference.map_cov
    beforehand = 0.0 if fit.lens_prior == "kept" else usual()[1] ** -2.0
    own, bends = cov[8, 8], fit.k1_std**-2.0 - beforehand if fit.k1_std > 0 else 0.0
    if bends <= 0 or own <= 0:
        return reference
    follow = cov[:, 8] / own
    var = 1 / (1 / own + bends)
    # What the bends alone say: the fit's value is that drawn towards a prior of 0.
    told = fit.map.k1 / (fit.k1_std**2 * bends)
    k1 = var * (reference.map.k1 / own + bends * told)
    terms = _terms(reference.map) + follow * (k1 - reference.map.k1)
    return replace(
        reference,
        map=_with_terms(reference.map, terms),
        map_cov=cov + (var - own) * np.outer(follow, follow),
    )


def _terms(plane: PlaneMap) -> Array:
    """(9,) first eight terms of the homography, the last made 1, and k1."""
    return np.append((plane.homography / plane.homography[2, 2]).ravel()[:8], plane.k1)


def _with_terms(plane: PlaneMap, terms: Array, moved: Array | None = None) -> PlaneMap:
    """The map with these terms, of places carried by `moved` (3, 3) first."""
    matrix = np.append(terms[:8], 1.0).reshape(3, 3)
    return replace(plane, homography=matrix if moved is None else matrix @ moved, k1=float(terms[8]))


def _grown(error: Array) -> Array:
    """True mm -> the reference's own mm, which are longer by these shares along x and y."""
    return np.diag([1 / (1 + error[0]), 1 / (1 + error[1]), 1.0])


def _raised(foot: Array, share: float, slope: Array, middle: Array) -> Array:
    """Place on the piece's face -> place on the table seen there; the face is height / distance = share above it at
    `middle`, and slope (2,) per mm more away from there."""
    level = float(slope @ middle)
    return np.array(
        [
            [1 - foot[0] * slope[0], -foot[0] * slope[1], foot[0] * (level - share)],
            [-foot[1] * slope[0], 1 - foot[1] * slope[1], foot[1] * (level - share)],
            [-slope[0], -slope[1], 1 - share + level],
        ]
    )


def _similarity(planned: Array, seen: Array) -> Array:
    """(3, 3) that carries planned (N, 2) onto seen best, mirrored where the back faces the camera."""
    p, q = planned - planned.mean(0), seen - seen.mean(0)
    u, size, vt = np.linalg.svd(q.T @ p)
    linear = size.sum() / np.sum(p**2) * u @ vt  # a mirror image where that fits: the twists' places tell
    out = np.eye(3)
    out[:2, :2], out[:2, 2] = linear, seen.mean(0) - linear @ planned.mean(0)
    return out

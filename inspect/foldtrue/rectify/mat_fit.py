"""The map of a mat from its marks: a homography, the lens term, the ink's spread and the sheet's bend together.

Unknown at once, by robust weighted least squares (Gauss-Newton): eight terms of the homography, k1, the shift of all
dark sides towards the white (ink that spreads, light that blooms, a tone curve that is not sRGB) and how it goes with
the light and with a marker beside the side, and the height of the sheet as a quadratic about its middle, seen through
its parallax. More sides face outwards than inwards, since those along the free place are left out, so that a shift that
is not the same everywhere would be taken for a lens. In a photo from straight above a bowl looks like a
lens term; paper bends like a roof rather than like a bowl, so bowls are kept small and what is left of the doubt goes
into the covariance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.camera_place import camera_place
from foldtrue.errors import PhotoTooPoor
from foldtrue.frames import Array, PlaneMap, apply_homography, warp_design, warped
from foldtrue.handover import BoolArray, Photo
from foldtrue.mat import Mat
from foldtrue.rectify.mat_marks import Markers, Sides, measure_sides
from foldtrue.subpixel import Image

K1_STD, INK_STD_PX = 0.15, 1.0
"""What is known of both before the photo is seen: next to nothing; the latter of the shift of all sides, of its change
with the logarithm of the light, and of that beside a marker."""
BOWL_STD_MM, ROOF_STD_MM = 0.3, 2.0
"""Height of the frame's corners over its middle: of a bowl, of a saddle (a mat taped down bends by 0.3 mm; common
practice, no source)."""
_TERMS = 15
_ROOF = slice(13, 15)
_SIZE_MM = 100.0
_ROUNDS = 3
LEAST_SIDES = 40


@dataclass(frozen=True)
class MatFit:
    """map, map_cov: as in handover.Reference, in the mat's mm as designed. roof_mm, roof_std_mm: height of the saddle
    that the sheet's bend has. drop_mm: how far the mat's middle stands over the lowest point of the sheet.
    rms_px: scatter of the sides about all of it; sides: what was measured; used: (E,) which of them the map rests
    on."""

    map: PlaneMap
    map_cov: Array
    roof_mm: float
    roof_std_mm: float
    drop_mm: float
    rms_px: float
    sides: Sides
    used: BoolArray


def fit_mat(photo: Photo, light: Image, markers: Markers) -> MatFit:
    """Raises PhotoTooPoor where the markers do not lie as the mat has them, or too little of it is seen."""
    plane_map, bowl_std = _from_markers(photo, markers), BOWL_STD_MM
    for _ in range(_ROUNDS):
        sides = measure_sides(light, markers.mat, plane_map)
        if int(sides.seen.sum()) < LEAST_SIDES:
            raise PhotoTooPoor(
                f"Only {int(sides.seen.sum())} sides of the mat's squares show clearly, {LEAST_SIDES} are needed.",
                "Show more of the frame, sharp and evenly lit.",
            )
        design = _design(photo, plane_map, sides.middle_mm, sides.normal_px, _shifts(sides))
        terms, cov, weight, rms = _solve(design, sides, *_prior(plane_map, bowl_std))
        plane_map = warped(plane_map, terms[:9], _SIZE_MM)
        roof, roof_std = _roof(terms, cov)
        bowl_std = float(np.hypot(BOWL_STD_MM, roof))  # a sheet that bends one way has a bowl as deep in it
    map_cov = _of_terms(plane_map, cov[:9, :9])
    drop = _drop(terms[12:], markers.mat, sides.middle_mm)
    return MatFit(plane_map, map_cov, roof, roof_std, drop, rms, sides, weight > 0)


def _from_markers(photo: Photo, markers: Markers) -> PlaneMap:
    """Homography and lens term by the markers' corners, odd ones left out."""
    import cv2

    height, width = photo.pixels.shape[:2]
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    diagonal = float(np.hypot(width, height))
    matrix, _ = cv2.findHomography(markers.places_mm, markers.corners_px, cv2.RANSAC, 0.02 * diagonal)
    if matrix is None:
        raise _askew()
    plane_map = PlaneMap(np.asarray(matrix / matrix[2, 2]), 0.0, middle, 26.0 / 43.2666 * diagonal)
    both = np.tile(markers.places_mm, (2, 1))
    axes = np.repeat(np.eye(2), len(markers.places_mm), 0)
    prior = np.diag([0.0] * 8 + [1 / K1_STD**2])
    for _ in range(8):
        rest = (markers.corners_px - plane_map.to_px(markers.places_mm)).T.ravel()
        scale = 1.4826 * float(np.median(np.abs(rest))) + 0.2
        weight = np.clip(1 - (rest / (6 * scale)) ** 2, 0.0, None) ** 2 / scale**2
        design = _design(photo, plane_map, both, axes)
        pull = -prior @ np.array([0.0] * 8 + [plane_map.k1])
        normal = (design * weight[:, None]).T @ design + prior
        plane_map = warped(plane_map, np.linalg.solve(normal, design.T @ (weight * rest) + pull), _SIZE_MM)
    if not np.isfinite(plane_map.homography).all() or scale > 0.01 * diagonal or (weight > 0).mean() < 0.5:
        raise _askew()
    return plane_map


def _askew() -> PhotoTooPoor:
    return PhotoTooPoor(
        "Markers of the mat are there, but not lying as it has them.",
        "Lay the mat flat and whole; copies pasted together are none.",
    )


def _shifts(sides: Sides) -> Array:
    """(E, 3) what light and ink do to all dark sides: the same to each, with the logarithm of the light (a tone curve
    that is not sRGB, light near the top of the scale), and beside a marker."""
    usual = float(np.median(sides.white[sides.seen]))
    light = np.log(np.clip(sides.white / usual, 0.1, 10.0))
    return np.stack([np.ones_like(light), light, sides.bordered.astype(float)], 1)


def _design(photo: Photo, plane_map: PlaneMap, at_mm: Array, normal_px: Array, shifts: Array | None = None) -> Array:
    """(E, 9) shift in px along the normals per unit of: eight homography terms and k1; of dark sides, whose shifts
    (E, 3) are given, (E, 15): these three, a bowl and two saddles as well."""
    jacobian = plane_map.jacobian(at_mm)
    toward = np.einsum("eij,ei->ej", jacobian, normal_px)  # px along the normal per mm along x and y
    flat = apply_homography(plane_map.homography, at_mm) - plane_map.centre_px
    radial = np.sum(normal_px * flat, 1) * np.sum((flat / plane_map.focal_px) ** 2, 1)
    columns = [warp_design(at_mm, toward, _SIZE_MM), radial[:, None]]
    if shifts is not None:
        stand = camera_place(photo, plane_map)
        away = np.sum(toward * (at_mm - stand.foot_mm), 1) / stand.distance_mm
        columns += [shifts, away[:, None] * _heights(at_mm, at_mm)]
    return np.concatenate(columns, 1)


def _heights(at_mm: Array, marks_mm: Array) -> Array:
    """(E, 3) a bowl and two saddles at places, 1 at the farthest of the marks (M, 2)."""
    x, y = at_mm.T
    reach = float(np.max(np.sum(marks_mm**2, 1)))
    return np.stack([x * x + y * y, x * x - y * y, 2 * x * y], 1) / reach


def _prior(plane_map: PlaneMap, bowl_std: float) -> tuple[Array, Array]:
    """Weights (15,) of what is known beforehand, and where it pulls to."""
    weight = np.zeros(_TERMS)
    weight[8:] = 1 / np.square([K1_STD, *[INK_STD_PX] * 3, bowl_std, ROOF_STD_MM, ROOF_STD_MM])
    target = np.zeros(_TERMS)
    target[8] = -plane_map.k1
    return weight, target


def _solve(design: Array, sides: Sides, prior: Array, target: Array) -> tuple[Array, Array, Array, float]:
    """Corrections (15,), their covariance, the sides' weights (E,) and what scatter is left, px."""
    own = sides.var_px2
    weight = sides.seen / (own + 1e-6)
    extra = 0.0
    for _ in range(12):
        normal = (design * weight[:, None]).T @ design + np.diag(prior)
        terms = np.linalg.solve(normal, design.T @ (weight * sides.offset_px) + prior * target)
        rest = sides.offset_px - design @ terms
        scale = 1.4826 * float(np.median(np.abs(rest[sides.seen])))
        extra = max(scale**2 - float(np.median(own[sides.seen])), 0.0)
        z = np.clip(rest / (6 * np.sqrt(own + extra + 1e-8)), -1.0, 1.0)
        trust = sides.seen * (1 - z * z) ** 2
        weight = trust / (own + extra + 1e-8)
    use = trust > 0
    if int(use.sum()) < LEAST_SIDES:
        raise _askew()
    rms = float(np.sqrt(np.average(rest[use] ** 2, weights=trust[use])))
    # Covariance of an M-estimate (Huber, Robust Statistics (1981), 7.6 [from memory]): weights that take off what lies
    # far out would understate the scatter they are judged by. slope: of the weighted misses, mean over the sides.
    slope = float(np.mean(((1 - z * z) * (1 - 5 * z * z))[use]))
    count = int(use.sum())
    chi = float(np.sum(weight * trust * rest**2)) / max(count - _TERMS, 1) / slope**2
    full = (design * (use / (own + extra + 1e-8))[:, None]).T @ design + np.diag(prior)
    return terms, np.linalg.inv(full) * max(chi, 1.0), trust, rms


def _drop(bend: Array, mat: Mat, marks_mm: Array) -> float:
    """How far the middle stands over the sheet's lowest point, given its bowl and two saddles (3,)."""
    x, y = (np.linspace(-side / 2, side / 2, 21) for side in mat.paper_mm)
    places = np.stack(np.meshgrid(x, y), -1).reshape(-1, 2)
    return max(-float(np.min(_heights(places, marks_mm) @ bend)), 0.0)


def _roof(terms: Array, cov: Array) -> tuple[float, float]:
    """Height of the saddle and its standard uncertainty along its own direction."""
    size = float(np.hypot(*terms[_ROOF]))
    towards = terms[_ROOF] / size if size > 0 else np.array([1.0, 0.0])
    return size, float(np.sqrt(towards @ cov[_ROOF, _ROOF] @ towards))


def _of_terms(plane_map: PlaneMap, cov: Array) -> Array:
    """(9, 9) covariance of the homography's first eight terms and k1 from that of warp_design's terms: derivatives by
    central differences, exact to second order of small steps."""
    rows = []
    for k in range(9):
        step = np.zeros(9)
        step[k] = 1e-5
        high, low = (warped(plane_map, sign * step, _SIZE_MM) for sign in (1, -1))
        change = [*(high.homography - low.homography).ravel()[:8], high.k1 - low.k1]
        rows.append(np.array(change) / 2e-5)
    effect = np.array(rows).T
    return np.asarray(effect @ cov @ effect.T)

"""find_mat: the printed mat as a reference, and the size of the piece by it (docs/scale.md)."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from foldtrue.camera_place import DIAGONAL_35MM, camera_place
from foldtrue.errors import PhotoTooPoor, UsageError
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import LatticeFit, Nominal, Photo, Reference, View
from foldtrue.mat import Mat
from foldtrue.propagation import propagate
from foldtrue.rectify.mat_clear import frame_strips, without_frame
from foldtrue.rectify.mat_fit import MatFit, fit_mat
from foldtrue.rectify.mat_marks import light_of, read_markers
from foldtrue.rectify.size_budget import height_mm

READING_STD_MM = 0.2
"""Of a bar measured with a rule: set and read to 0.15 mm, noted to the half millimetre (common practice, no source)."""
RULE_STD = 0.0005
"""Relative, of the rule itself (common practice, no source)."""
PRINTER_LIMIT, PRINTER_AXIS_STD = 0.02, 0.001
"""Of a print at 100 %: off by up to 2 % along both axes alike, rectangular, and a little more along one (common
practice, no source)."""
BARS_WITHIN, BARS_DIFFER = 0.2, 0.03
"""Most that a print may be off by, and most by which its two axes may differ."""
HEIGHT_SHARE = 1 / 3
"""Standard uncertainty of the piece's height over the mat: of the layers' 0.16 mm each (common practice, no source)."""
FLAT_STD_MM = 0.25
"""How flat mat and piece lie: both bend by 0.3 mm (standard; common practice, no source), which counts in part."""
BENT_MM, TOO_BENT_MM = 0.5, 3.0
"""Height of the bend's saddle that is said, and that is refused."""
MOST_RMS_MM = 0.1
MOST_SCALE_STD = 0.003
"""Relative, of a length in the free place by the marks alone: beyond it too little of the frame is seen."""
AXES_DIFFER = 0.01
_FLATTEN = "Tape it flat on a firm table by its corners."


@dataclass(frozen=True)
class FoundMat:
    """The mat as a reference, and the photo without its frame, to look for other things in."""

    reference: Reference
    cleared: Photo


def find_mat(photo: Photo, bars_mm: tuple[float, float] | None = None, *, named: bool = False) -> Reference | None:
    """The map of the mat that the photo shows, or None where there is none that can be used.

    bars_mm: lengths of the bars along its bottom and left side as the person measured them; None = taken as designed,
    with the printer's uncertainty and the flag mat_scale_assumed. named: the person said that there is one; then, and
    with bars, PhotoTooPoor says why it cannot be used. UsageError where the bars cannot be those of this mat.
    """
    found = _found(photo, bars_mm, named)
    return None if found is None else _measured(photo, *found, bars_mm)


def take_mat(photo: Photo, bars_mm: tuple[float, float] | None = None, *, named: bool = False) -> FoundMat | None:
    """As find_mat, with the photo without the mat's frame."""
    found = _found(photo, bars_mm, named)
    if found is None:
        return None
    mat, fit = found
    return FoundMat(_measured(photo, mat, fit, bars_mm), without_frame(photo, mat, fit.map))


def locate_mat(photo: Photo) -> tuple[Mat, MatFit, bool]:
    """Which mat the photo shows, its fit in mm as designed, and whether it bends. Raises PhotoTooPoor with the reason
    where there is none that can be used."""
    found = _found(photo, None, True)
    assert found is not None  # it was named
    return *found, _bends(found[1])


def _bends(fit: MatFit) -> bool:
    return fit.roof_mm > BENT_MM and fit.roof_mm > 3 * fit.roof_std_mm


def _found(photo: Photo, bars_mm: tuple[float, float] | None, named: bool) -> tuple[Mat, MatFit] | None:
    _check_numbers(bars_mm)
    try:
        markers = read_markers(photo)
        if markers is None:
            raise PhotoTooPoor(
                "The picture shows no mat: fewer than six of its markers can be read.",
                "Show the whole frame, sharp and evenly lit, its markers at least twenty px wide.",
            )
        fit = fit_mat(photo, light_of(photo), markers)
        _check_found(markers.mat, fit)
    except PhotoTooPoor:
        if named or bars_mm is not None:
            raise
        return None
    return markers.mat, fit


def _measured(photo: Photo, mat: Mat, found: MatFit, bars_mm: tuple[float, float] | None) -> Reference:
    """The reference in true mm, as far as they are known."""
    assumed = ["mat_scale_assumed"] if bars_mm is None else []
    size_std, common_std = (PRINTER_AXIS_STD, PRINTER_AXIS_STD), PRINTER_LIMIT / math.sqrt(3.0)
    stretch: Array = np.ones(2)
    if bars_mm is not None:
        stretch = _stretch(mat, bars_mm)
        size_std, common_std = (READING_STD_MM / bars_mm[0], READING_STD_MM / bars_mm[1]), RULE_STD
    if _bends(found):
        assumed.append("mat_bent")
        common_std = float(np.hypot(common_std, found.roof_mm / camera_place(photo, found.map).distance_mm))
    plane_map, map_cov = _stretched(_lowered(photo, found), found.map_cov, stretch)
    off, off_std = _axes(photo, plane_map, map_cov)
    if abs(off) > AXES_DIFFER + 3 * float(np.hypot(off_std, np.hypot(*size_std))):
        assumed.append("mat_axes_differ")
        size_std = (float(np.hypot(size_std[0], off / 2)), float(np.hypot(size_std[1], off / 2)))
    return Reference(
        kind="mat",
        map=plane_map,
        map_cov=map_cov,
        size_std=size_std,
        common_std=common_std,
        upright=True,
        used_px=frame_strips(mat, found.map),
        rms_px=found.rms_px,
        assumed=tuple(assumed),
    )


@dataclass(frozen=True)
class Seen:
    """The twists that a photo shows: planned_mm (T, 2), and where their middles are px (T, 2). spread_std: relative
    standard uncertainty of how far apart these places are, all in all."""

    planned_mm: Array
    px: Array
    spread_std: float


def twists_seen(nominal: Nominal, fit: LatticeFit) -> Seen:
    """The twists as the whole measurement has placed them. Raises ValueError for a fit that is not of one photo."""
    if fit.spread_std is None:
        raise ValueError("only the fit of one photo says how well it knows the twists' spread")
    planned = np.array([t.planned_mm for t in nominal.twists])[fit.measured]
    return Seen(planned, fit.centre_px[fit.measured], fit.spread_std)


def piece_scale(
    photo: Photo, nominal: Nominal, seen: Seen, reference: Reference, view: View
) -> tuple[float, float, dict[str, float]]:
    """Size of the piece by the mat / planned size, its standard uncertainty, and the parts of that by source, relative.

    The size is that of the similarity that carries the planned twists to the measured ones best, in the mat's mm; the
    piece's face lies above the mat, nearer to the camera, and so looks larger by its height / the camera's distance.
    Against the light folds of every depth show, half-way up on average.
    """
    stand = camera_place(photo, reference.map)
    height = height_mm(nominal) * (0.5 if view == "backlit" else 1.0)
    start = np.append(reference.map.homography.ravel()[:8], reference.map.k1)

    def scale(given: Array) -> Array:
        terms, size, (up, distance) = given[:9], given[9:12], given[12:14]
        mm = _with_terms(reference.map, terms).to_mm(seen.px)
        mm = mm * (1 + size[:2]) * (1 + size[2])
        return np.array([_size(seen.planned_mm, mm) / (1 + up / distance)])

    values = np.concatenate([start, [0, 0, 0, height, stand.distance_mm]])
    up_std = float(np.hypot(HEIGHT_SHARE * height, FLAT_STD_MM))
    sources = {
        "marks": reference.map_cov,
        "size": np.diag(np.square([*reference.size_std, reference.common_std])),
        "height": np.diag(np.square([up_std, stand.distance_std_mm])),
    }
    found = float(scale(values)[0])
    parts, first = {"twists": seen.spread_std}, 0
    for name, block in sources.items():
        cov = np.zeros((len(values), len(values)))
        cov[first : first + len(block), first : first + len(block)] = block
        first += len(block)
        parts[name] = float(np.sqrt(propagate(scale, values, cov)[1][0, 0])) / found
    return found, found * float(np.linalg.norm(list(parts.values()))), parts


def _with_terms(plane_map: PlaneMap, terms: Array) -> PlaneMap:
    """The map with other numbers (9,): the homography's first eight, row by row, and k1."""
    return replace(plane_map, homography=np.append(terms[:8], 1.0).reshape(3, 3), k1=float(terms[8]))


def up_deg(reference: Reference) -> float:
    """Direction in the photo of the mat's up mark, counter-clockwise from the photo's own up."""
    foot, tip = reference.map.to_px(np.array([[0.0, 0.0], [0.0, 10.0]]))
    return float(np.degrees(np.arctan2(-(tip - foot)[0], -(tip - foot)[1])))


def _size(planned: Array, measured: Array) -> float:
    """Size of the similarity, mirrored where a back is seen, that carries planned (T, 2) to measured (T, 2) best, by
    least squares (Umeyama, IEEE Trans. PAMI 13 (1991) 376 [from memory])."""
    a, b = ((p - p.mean(0)) @ np.array([1, 1j]) for p in (planned, measured))
    return float(max(abs(np.vdot(a, b)), abs(np.vdot(a.conj(), b))) / np.vdot(a, a).real)


def _check_numbers(bars_mm: tuple[float, float] | None) -> None:
    if bars_mm is not None and not all(50.0 <= bar <= 1000.0 for bar in bars_mm):
        raise UsageError(
            f"The mat has no bars of {bars_mm[0]:g} and {bars_mm[1]:g} mm.",
            "Give both in mm, the bottom one first: --bars 180.5,260.5.",
        )


def _stretch(mat: Mat, bars_mm: tuple[float, float]) -> Array:
    """(2,) printed / designed length along x and y."""
    bottom, left = mat.bars_mm
    designed = f"As designed, mat {mat.paper} has {bottom:g} mm along the bottom and {left:g} mm along the left."
    stretch = np.array(bars_mm) / mat.bars_mm
    if np.abs(stretch - 1).max() > BARS_WITHIN:
        raise UsageError(f"Bars of {bars_mm[0]:g} and {bars_mm[1]:g} mm are not this mat's.", designed)
    if abs(stretch[0] / stretch[1] - 1) > BARS_DIFFER:
        raise UsageError(
            f"Bars of {bars_mm[0]:g} and {bars_mm[1]:g} mm would be stretched by different amounts, "
            f"{100 * (stretch[0] - 1):+.1f} % and {100 * (stretch[1] - 1):+.1f} %, as no printer does.",
            f"Measure both again, the bottom one first. {designed}",
        )
    return np.asarray(stretch)


def _check_found(mat: Mat, found: MatFit) -> None:
    """Raise PhotoTooPoor where the mat is not flat enough, or too little of it is seen, to measure by."""
    per_mm = np.sqrt(abs(np.linalg.det(found.map.jacobian(np.zeros((1, 2)))[0])))
    if found.roof_mm > TOO_BENT_MM and found.roof_mm > 3 * found.roof_std_mm:
        raise PhotoTooPoor(f"The mat bends by {found.roof_mm:.0f} mm or more.", _FLATTEN)
    if found.rms_px / per_mm > MOST_RMS_MM:
        raise PhotoTooPoor(f"The mat is not flat: its squares are off by {found.rms_px / per_mm:.2f} mm.", _FLATTEN)
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array(mat.free_mm) / 4
    px = found.map.to_px(corners)

    def size(terms: Array) -> Array:
        return np.array([_size(corners, _with_terms(found.map, terms).to_mm(px))])

    terms = np.append(found.map.homography.ravel()[:8], found.map.k1)
    std = float(np.sqrt(propagate(size, terms, found.map_cov)[1][0, 0]))
    if not std < MOST_SCALE_STD:
        raise PhotoTooPoor(
            "Too little of the mat is seen to measure by.", "Show at least three sides of its frame, free of hands."
        )


def _stretched(plane_map: PlaneMap, map_cov: Array, stretch: Array) -> tuple[PlaneMap, Array]:
    """The map from true mm, where it was from mm as designed."""
    shrink = np.append(1 / stretch, 1.0)
    effect = np.append(np.tile(shrink, 3)[:8], 1.0)
    matrix = plane_map.homography * shrink
    return replace(plane_map, homography=matrix), map_cov * np.outer(effect, effect)


def _lowered(photo: Photo, found: MatFit) -> PlaneMap:
    """The map of the plane on which the piece lies: a sheet whose middle stands off the table is pressed down under a
    piece, anywhere down to the table, so half-way is taken. What lies lower is seen drawn towards the point below the
    camera by its depth / distance (central projection)."""
    stand = camera_place(photo, found.map)
    share = 0.5 * found.drop_mm / stand.distance_mm
    lower = np.diag([1.0, 1.0, 1 + share])
    lower[:2, 2] = share * stand.foot_mm
    matrix = found.map.homography @ lower
    return replace(found.map, homography=matrix / matrix[2, 2])


def _axes(photo: Photo, plane_map: PlaneMap, map_cov: Array) -> tuple[float, float]:
    """ln of the ratio of a true mm along the mat's x to one along y as the camera sees them, 0 where both are alike,
    and its standard uncertainty; (0, inf) where the photo does not tell its focal length.

    A plane's two axes are seen equally long from a camera of known focal length (Zhang 2000 [from memory]).
    """
    if not photo.focal_35mm:
        return 0.0, math.inf
    height, width = photo.pixels.shape[:2]
    unit = float(np.hypot(width, height)) / DIAGONAL_35MM
    shift = np.eye(3)
    shift[:2, 2] = -plane_map.centre_px

    def ratio(given: Array) -> Array:
        focal = float(given[8]) * unit
        axes = np.diag([1 / focal, 1 / focal, 1.0]) @ shift @ np.append(given[:8], 1.0).reshape(3, 3)
        return np.array([np.log(np.linalg.norm(axes[:, 0]) / np.linalg.norm(axes[:, 1]))])

    cov = np.zeros((9, 9))
    cov[:8, :8] = map_cov[:8, :8]
    cov[8, 8] = (0.05 * photo.focal_35mm) ** 2
    value, var = propagate(ratio, np.append(plane_map.homography.ravel()[:8], photo.focal_35mm), cov)
    return float(value[0]), float(np.sqrt(var[0, 0]))

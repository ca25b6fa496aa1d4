"""A flatbed scan: the resolution in the file is the scale, and there is no perspective."""

from __future__ import annotations

import numpy as np

from foldtrue.camera_place import DIAGONAL_35MM
from foldtrue.errors import PhotoTooPoor, UsageError
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import Nominal, Photo, Reference
from foldtrue.rectify.size_budget import TWIST_STD, fields, places

LOWEST_DPI, HIGHEST_DPI = 50.0, 9600.0
UNEQUAL = 0.01
"""Most that the resolutions along x and y may differ."""
ACROSS_STD, CARRIAGE_STD = 0.001, 0.002
"""Relative error of scale of an office flatbed, along its row of sensors and along the carriage's way (common practice,
no source)."""
SIZE_DIFFERS = 0.10
_DOUBT = 1e-4
_MM_PER_INCH = 25.4
_ADVICE = "Say the scanner's setting with --dpi N, or use another reference."


def scan_reference(photo: Photo, *, dpi: float | None = None, named: bool = False) -> Reference | None:
    """The map of a scan from its resolution, or None where the file tells none that a scanner would write.

    dpi: as the person says, instead of the file's. named: the person said that this is a scan; then nothing is
    returned without a resolution, but PhotoTooPoor is raised. UsageError for a dpi no scanner has.
    The origin is the photo's middle. Its rows are taken to lie along the sensors, unless the file was turned by a
    quarter; a picture turned without a note of it has the two errors the other way round.
    """
    if dpi is not None and not LOWEST_DPI <= dpi <= HIGHEST_DPI:
        raise UsageError(
            f"{dpi:g} dots per inch is no scanner's resolution.", f"Give {LOWEST_DPI:g} to {HIGHEST_DPI:g}."
        )
    told = (dpi, dpi) if dpi is not None else photo.dpi
    wrong = _wrong(told)
    if told is None or wrong:
        if named:
            raise PhotoTooPoor(wrong, _ADVICE)
        return None
    height, width = photo.pixels.shape[:2]
    across, down = told[0] / _MM_PER_INCH, told[1] / _MM_PER_INCH
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    matrix = np.array([[across, 0, middle[0]], [0, -down, middle[1]], [0, 0, 1.0]])
    focal_px = 26.0 / DIAGONAL_35MM * float(np.hypot(width, height))
    size_std = (ACROSS_STD, CARRIAGE_STD) if photo.orientation < 5 else (CARRIAGE_STD, ACROSS_STD)
    return Reference(
        kind="scan",
        map=PlaneMap(matrix, 0.0, middle, focal_px),
        map_cov=1e-14 * np.eye(9),  # next to nothing, but it can be inverted
        size_std=size_std,
        common_std=0.0,
        upright=False,
        used_px=(),
        rms_px=0.0,
        assumed=(),
    )


def _wrong(dpi: tuple[float, float] | None) -> str:
    """What is wrong with a resolution, or nothing."""
    if dpi is None:
        return "The file does not say at how many dots per inch it was scanned."
    if not all(LOWEST_DPI <= value <= HIGHEST_DPI for value in dpi):
        return f"The file says {dpi[0]:g} x {dpi[1]:g} dots per inch, which is no scanner's resolution."
    if abs(np.log(dpi[0] / dpi[1])) > UNEQUAL:
        return f"The file says {dpi[0]:g} dots per inch across and {dpi[1]:g} down; a scan has one resolution."
    return ""


def check_scan(reference: Reference, nominal: Nominal, plane_map: PlaneMap, twist_std_mm: float | None = None) -> float:
    """Size of the piece that plane_map was fitted to by the scan's resolution / planned size.

    twist_std_mm: as for sheet_scale. Raises PhotoTooPoor where that is more than 10 % off 1, or where the map has more
    perspective than errors of folding can feign (chi-squared of two degrees of freedom, once in 10,000).
    """
    at = places(nominal)
    middle, reach = at.mean(0), float(np.hypot(*(at - at.mean(0)).T).max())
    jacobian = np.linalg.inv(reference.map.jacobian(reference.map.to_mm(plane_map.to_px(middle[None]))))[0]
    size = float(np.sqrt(abs(np.linalg.det(jacobian @ plane_map.jacobian(middle[None])[0]))))
    if abs(np.log(size)) > np.log(1 + SIZE_DIFFERS):
        px_per_inch = _MM_PER_INCH * float(np.sqrt(abs(np.linalg.det(reference.map.homography[:2, :2]))))
        raise PhotoTooPoor(
            f"At {px_per_inch:.0f} dots per inch the piece would have {size:.2f} times its planned size.",
            "Say the scanner's setting with --dpi N, check the sheet size in the plan, or use another reference.",
        )
    from scipy.special import chdtri

    spread = TWIST_STD * nominal.pitch_mm if twist_std_mm is None else twist_std_mm
    # In units of reach: w of the homography, with its value in the middle 1.
    last = plane_map.homography[2]
    slope = reach * last[:2] / float(last[:2] @ middle + last[2])
    told = np.linalg.inv(_slope_covariance((at - middle) / reach, spread / reach))
    if float(slope @ told @ slope) > float(chdtri(2, _DOUBT)):
        raise PhotoTooPoor(
            f"The picture has perspective: {100 * float(np.hypot(*slope)):.1f} % of scale across the piece, so this is "
            "no scan.",
            "Use a flatbed scanner, or another reference for a photo.",
        )
    return size


def _slope_covariance(at: Array, spread: float) -> Array:
    """(2, 2) of the two tilts that a homography takes from errors of folding, per unit of the piece's reach."""
    design = fields(at).reshape(-1, 8)
    return np.asarray(spread**2 * np.linalg.pinv(design.T @ design)[6:, 6:])

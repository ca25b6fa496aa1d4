"""What a camera can resolve where it stands: measured on a photo of the bare mat."""

from __future__ import annotations

import numpy as np

from foldtrue.camera_place import camera_place
from foldtrue.errors import PhotoTooPoor
from foldtrue.frames import Array
from foldtrue.handover import Photo
from foldtrue.handover_camera import EDGE_MM, FAINT, CameraCheck
from foldtrue.mat import Mat
from foldtrue.rectify.mat import locate_mat
from foldtrue.rectify.mat_marks import light_of
from foldtrue.subpixel import Image, cramer_rao_place_px

_BILINEAR_VAR_PX2 = 1 / 6
"""What reading between pixels adds to the blur's variance: a triangle one px to either side."""
_PATCH_PX = 8


def check_camera(photo: Photo) -> CameraCheck:
    """Raises PhotoTooPoor with the reason where the photo shows no mat to measure by."""
    mat, fit, bent = locate_mat(photo)
    sides, used = fit.sides, fit.used
    jacobian = fit.map.jacobian(sides.middle_mm)
    scale = np.sqrt(np.abs(np.linalg.det(jacobian)))
    white = float(np.median(sides.white[used]))
    stand = camera_place(photo, fit.map)
    typical = float(np.median(scale))
    lines = max(1, round(EDGE_MM * typical))
    blur = float(np.sqrt(max(sides.blur_px**2 - _BILINEAR_VAR_PX2, 0.1)))
    noise = _paper_noise(light_of(photo), fit.map.to_px(_patches(mat)))
    limit_px = cramer_rao_place_px(blur, noise, FAINT * sides.contrast, lines)
    return CameraCheck(
        mat.paper,
        stand.distance_mm,
        stand.distance_std_mm,
        (float(scale.min()), float(scale.max())),
        blur,
        noise / white,
        sides.contrast / white,
        limit_px / typical,
        fit.map.k1,
        float(np.sqrt(fit.map_cov[8, 8])),
        fit.rms_px,
        _evenness(sides.middle_mm[used], sides.white[used]),
        not bent,
    )


def together(k1: Array, k1_std: Array) -> tuple[float, float]:
    """Weighted mean of k1 over photos (N,) and its standard uncertainty, widened where they scatter more than they
    should (Birge's ratio; Phys. Rev. 40 (1932) 207 [from memory])."""
    weight = 1 / k1_std**2
    mean = float(np.average(k1, weights=weight))
    square = float(np.sum(weight * (k1 - mean) ** 2)) / max(len(k1) - 1, 1)
    return mean, float(np.sqrt(max(square, 1.0) / weight.sum()))


def _patches(mat: Mat) -> Array:
    """(N, 2) mm of places in the free place, well off the frame."""
    x, y = (np.linspace(-0.4, 0.4, 6) * side for side in mat.free_mm)
    return np.stack(np.meshgrid(x, y), -1).reshape(-1, 2)


def _paper_noise(light: Image, px: Array) -> float:
    """Standard deviation of pixels on bare paper, a plane taken off each patch; the median patch, so that a few things
    lying there do not count."""
    v, u = (a.ravel() for a in np.mgrid[-_PATCH_PX : _PATCH_PX + 1, -_PATCH_PX : _PATCH_PX + 1])
    design = np.stack([np.ones(len(u)), u, v], 1)
    away = np.eye(len(u)) - design @ np.linalg.pinv(design)
    found = []
    for x, y in np.rint(px).astype(int).tolist():
        patch = light[y - _PATCH_PX : y + _PATCH_PX + 1, x - _PATCH_PX : x + _PATCH_PX + 1]
        if min(x, y) >= _PATCH_PX and patch.size == len(u):
            found.append(float(np.sqrt(np.sum((away @ patch.ravel()) ** 2) / (len(u) - 3))))
    if not found:
        raise PhotoTooPoor("The bare paper inside the frame is not in the picture.", "Show the whole mat.")
    return float(np.median(found))


def _evenness(at_mm: Array, white: Array) -> float:
    x, y = (at_mm / 100.0).T
    design = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], 1)
    light = design @ np.linalg.lstsq(design, white, rcond=None)[0]
    return float(np.clip(light.min() / light.max(), 0.0, 1.0))

"""The mat's marks in the photo: which markers are there, and where the sides of its dark squares run.

Markers are read by OpenCV on a reduced picture, which says which mat it is and about where. The sides are then located
on the photo's own pixels in linear light by blurred steps (subpixel.py), some two hundred cross-lines to a square
decimetre: four straight sides place a corner several times better than the detectors' own corners do.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from foldtrue.errors import PhotoTooPoor
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import BoolArray, IntArray, Photo
from foldtrue.mat import BITS, MATS, Mat, dictionary, marker_places, square_edges
from foldtrue.subpixel import Image, cross_lines, fit_steps, linear_grey, step_kernel

LEAST_MARKERS = 6
LONGEST_PX, MOST_ENLARGED = 2400, 2.0
"""Of the picture in which markers are read: a bit is seven px then, where the mat fills it. Small photos are enlarged,
since bits of two px are read far better so."""
_LEAST_AROUND_PX = 36
"""Perimeter of the smallest marker looked for: nine px a side, for seven bits."""
_WINDOW_PX = 23
"""Neighbourhood whose mean parts dark from bright: wider than a marker's border, narrower than a square."""
_LINES = 14
_FROM, _TO = 0.2, 0.8
"""Part of a side that is read; near its ends the next squares show."""
_STEPS, _STEPS_BORDERED = 3, 6
"""Rounds of the step fit; what a border takes off depends on the step that is fitted, and needs more of them."""
_LEAST_CONTRAST = 0.35
"""Step of a side over the white beside it; ink on paper has 0.8 and more, shadows and folds less than this."""


@dataclass(frozen=True)
class Markers:
    """Markers of one mat. places_mm, corners_px: (4 K, 2) of their corners."""

    mat: Mat
    places_mm: Array
    corners_px: Array


@dataclass(frozen=True)
class Sides:
    """Sides of dark squares (E), measured against a map. middle_mm: (E, 2). normal_px: (E, 2) unit vectors from dark to
    white. offset_px: (E,) along it, measured minus expected. var_px2: (E,) by the scatter of the cross-lines. seen:
    (E,). white: (E,) light of the paper beside each. bordered: (E,) whether a marker's border lies near, on the white
    side. blur_px, noise, contrast: typical of all cross-lines; light is
    linear."""

    middle_mm: Array
    normal_px: Array
    offset_px: Array
    var_px2: Array
    seen: BoolArray
    white: Array
    bordered: BoolArray
    blur_px: float
    noise: float
    contrast: float


def read_markers(photo: Photo) -> Markers | None:
    """Markers of the mat in the photo, or None where there are too few to speak of one.

    Raises PhotoTooPoor where two mats are there.
    """
    import cv2

    height, width = photo.pixels.shape[:2]
    factor = max(1 / MOST_ENLARGED, max(height, width) / LONGEST_PX)
    size = (round(width / factor), round(height / factor))
    by = cv2.INTER_AREA if factor > 1 else cv2.INTER_CUBIC
    grey = cv2.resize(cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY), size, interpolation=by)
    if grey.dtype != np.uint8:
        grey = (grey / 257.0).astype(np.uint8)
    found, ids, _ = cv2.aruco.ArucoDetector(dictionary(), _settings(max(size))).detectMarkers(grey)
    if not len(found):
        return None
    full = np.array([width, height]) / size
    corners = (np.array(found, float).reshape(-1, 4, 2) + 0.5) * full - 0.5
    known = [_of_mat(mat, np.asarray(ids, np.int64).ravel(), corners) for mat in MATS.values()]
    enough = [one for one in known if len(one.places_mm) >= 4 * LEAST_MARKERS]
    if len(enough) > 1:
        raise PhotoTooPoor("Two mats are in the picture.", "Take one of them away.")
    return enough[0] if enough else None


def _settings(longest_px: int) -> Any:
    import cv2

    settings = cv2.aruco.DetectorParameters()
    settings.adaptiveThreshWinSizeMin = settings.adaptiveThreshWinSizeMax = _WINDOW_PX
    settings.minMarkerPerimeterRate = _LEAST_AROUND_PX / longest_px
    settings.perspectiveRemovePixelPerCell = 8
    settings.perspectiveRemoveIgnoredMarginPerCell = 0.25
    return settings


def _of_mat(mat: Mat, ids: IntArray, corners: Array) -> Markers:
    number, places = marker_places(mat)
    at = {int(n): k for k, n in enumerate(number)}
    own = [k for k, n in enumerate(ids.tolist()) if n in at]
    places = places[[at[int(ids[k])] for k in own]]
    return Markers(mat, places.reshape(-1, 2), corners[own].reshape(-1, 2))


def light_of(photo: Photo) -> Image:
    return linear_grey(photo.pixels, photo.linear)


def measure_sides(light: Image, mat: Mat, plane_map: PlaneMap) -> Sides:
    """Locate every side of the mat's dark squares that the map has in the photo."""
    start, end = square_edges(mat)
    along = (end - start) / mat.square_mm
    left = (start + end) / 2 + np.stack([-along[:, 1], along[:, 0]], 1) * mat.square_mm / 2
    marker = np.asarray((np.abs(left) < np.array(mat.board_mm) / 2).all(1))
    border = Border(marker, mat.marker_mm / (BITS + 2))
    return measure_straight(light, start, end, (mat.square_mm - mat.marker_mm) / 2, plane_map, border)


@dataclass(frozen=True)
class Border:
    """Of the markers beside edges: whether there is one on the white side (E,), and the width of its dark border."""

    there: BoolArray
    wide_mm: float


def measure_straight(
    light: Image, start: Array, end: Array, free_mm: float, plane_map: PlaneMap, border: Border | None = None
) -> Sides:
    """Locate straight edges from start to end (E, 2) mm with white on their left and dark on their right.

    free_mm: how far off on either side nothing else shows. border: what begins there on the white side; its blur
    reaches the edge in a small or blurred picture.
    """
    middle, along = (start + end) / 2, end - start
    tangent = np.einsum("eij,ej->ei", plane_map.jacobian(middle), along)
    # White lies on the left on the paper; seen on its face y turns down, and left stays left.
    normal = np.stack([tangent[:, 1], -tangent[:, 0]], 1) / np.hypot(*tangent.T)[:, None]
    scale = np.hypot(*tangent.T) / np.hypot(*along.T)
    gap = free_mm * float(np.percentile(scale, 5))
    half = float(np.clip(0.6 * gap, 2.0, 8.0))
    count = 2 * int(np.ceil(half)) + 1
    u = np.linspace(-half, half, count)
    share = np.linspace(_FROM, _TO, _LINES)
    points = plane_map.to_px((start[:, None] + share[None, :, None] * along[:, None]).reshape(-1, 2))
    across = np.repeat(normal, _LINES, 0)
    profiles = cross_lines(light, points - half * across, points + half * across, count)
    left = np.stack([-along[:, 1], along[:, 0]], 1) / np.hypot(*along.T)[:, None]
    away = np.sum(np.einsum("eij,ej->ei", plane_map.jacobian(middle), left) * normal, 1)  # px per mm
    beside = np.full((len(start), 2), np.inf)
    if border is not None:
        there = border.there
        beside[there] = away[there, None] * [free_mm, free_mm + border.wide_mm]
    return _located(profiles.reshape(len(start), _LINES, count).astype(float), u, middle, normal, beside)


def _located(profiles: Array, u: Array, middle: Array, normal: Array, beside: Array) -> Sides:
    """Places by the steps' maximum-likelihood fit: started where the mean profile of a side rises most, one blur for
    all, each line's place by linear steps.

    beside: (E, 2) px from each side to where the dark border of the marker beside it begins and ends, infinite where
    there is none. What the border's blur takes of the white is put back before a step is fitted: left in, it draws
    places towards it, the more so the smaller the picture, which a lens term would take up.
    """
    from scipy.special import ndtr

    sides, lines, count = profiles.shape
    inside = np.asarray(np.isfinite(profiles).all((1, 2)))
    mean = np.where(inside[:, None], profiles.mean(1), 0.0)
    step = float(u[1] - u[0])
    kernel = step_kernel(max(0.8, 1.2 * step) / step)
    while len(kernel) > count - 2:
        kernel = kernel[1:-1]
    rise = np.stack([np.convolve(row, kernel[::-1], "valid") for row in mean])
    place = u[len(kernel) // 2 :][np.argmax(rise, 1)]
    flat, blur = profiles.reshape(-1, count), 1.0
    each, near = np.repeat(place, lines), np.repeat(beside, lines, 0)
    taken = np.zeros_like(flat)
    for _ in range(_STEPS_BORDERED if np.isfinite(near).any() else _STEPS):
        fits = fit_steps(flat + taken, u, each, np.full(len(each), blur))
        each = each + np.clip(np.where(np.isfinite(fits.shift), fits.shift, 0.0), -0.7, 0.7)
        good = np.repeat(inside, lines) & (fits.contrast > _LEAST_CONTRAST * (fits.base + fits.contrast))
        if not good.any():
            break
        blur = float(np.clip(blur * (1 + np.clip(np.median(fits.blur_change[good]), -0.5, 0.5)), 0.45, 6.0))
        height = np.repeat(np.median(fits.contrast.reshape(sides, lines), 1), lines)
        start, stop = (ndtr((u - (each + near[:, k])[:, None]) / blur) for k in (0, 1))
        taken = height[:, None] * (start - 0.5 * stop)  # of the bits behind the border half are white
    places = each.reshape(sides, lines)
    offset, scatter = _robust_mean(places)
    contrast = np.median(fits.contrast.reshape(sides, lines), 1)
    white = contrast + np.median(fits.base.reshape(sides, lines), 1)
    seen = inside & (contrast > _LEAST_CONTRAST * white) & (np.abs(offset) < u[-1] - 0.8 * blur)
    usual = float(np.median(scatter[seen])) if seen.any() else 0.0
    seen &= scatter < max(4 * usual, 0.25)
    noise = np.sqrt(np.median((fits.rss / np.maximum(fits.dof, 1)).reshape(sides, lines)[seen])) if seen.any() else 0.0
    typical = float(np.median(contrast[seen])) if seen.any() else 0.0
    var = np.maximum(scatter, usual) ** 2 / lines
    near_px = np.isfinite(beside[:, 0])
    return Sides(middle, normal, offset, var, seen, white, near_px, blur, float(noise), typical)


def _robust_mean(places: Array) -> tuple[Array, Array]:
    """Mean (E,) of each row with odd ones left out, and the rows' scatter (E,)."""
    middle = np.median(places, 1, keepdims=True)
    spread = 1.4826 * np.median(np.abs(places - middle), 1, keepdims=True) + 1e-6
    weight = np.clip(1 - ((places - middle) / (5 * spread)) ** 2, 0.0, None) ** 2
    return np.asarray((weight * places).sum(1) / weight.sum(1)), spread[:, 0]

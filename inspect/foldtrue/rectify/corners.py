"""A rectangle of known size whose four corners the person points at: a cutting mat, a window pane, a book."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from foldtrue.camera_place import DIAGONAL_35MM
from foldtrue.errors import UsageError
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import Photo, Reference
from foldtrue.lens_prior import usual

CLICK_STD_PX = 1.5
"""Standard deviation, per axis, of a corner pointed at by hand (common practice, no source)."""
READING_MM = 0.5
"""How far a length read off a rule may be wrong: half-width of a rectangular error (common practice, no source)."""
_BEYOND = 0.1
"""How far outside the photo a corner may lie, of the photo's size."""
_LEAST_TURN_DEG = 10.0
_ASPECT = 0.15
_SQUARE = 0.25
_ORDER = "Give them clockwise as the photo shows them, from the top left: x1,y1 x2,y2 x3,y3 x4,y4."


def corners_reference(
    photo: Photo, corners_px: ArrayLike, size_mm: tuple[float, float], *, corners_std_px: float = CLICK_STD_PX
) -> Reference:
    """The map of a rectangle from its four corners (4, 2) px, clockwise as the photo shows them from the top left.

    size_mm: width (first to second corner) and height. The origin is the rectangle's middle. The lens is not told, so
    k1 is 0 with the prior's standard deviation; what it does to the corners goes into the covariance with them.
    Raises UsageError where the corners or the size cannot be those of a rectangle in the picture.
    """
    corners = np.asarray(corners_px, float)
    _check_numbers(photo, corners, size_mm, corners_std_px)
    _check_order(corners)
    height, width = photo.pixels.shape[:2]
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    focal_px = 26.0 / DIAGONAL_35MM * float(np.hypot(width, height))
    half = np.array(size_mm) / 2
    mm = half * np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]])
    terms, by_px = _homography(mm, corners)
    matrix = np.append(terms, 1.0).reshape(3, 3)
    _check_aspect(photo, matrix, middle, size_mm)
    # Change of the undistorted corners per unit of k1, the pixels held fixed: at k1 = 0 that of -k1 r^2.
    away = (corners - middle) / focal_px
    by_k1 = by_px @ (-(corners - middle) * np.sum(away**2, 1)[:, None]).ravel()
    k1_std = usual()[1]
    each = np.column_stack([by_px * corners_std_px, by_k1 * k1_std])
    each = np.vstack([each, np.append(np.zeros(8), k1_std)])
    reading = READING_MM / np.sqrt(3.0)
    return Reference(
        kind="corners",
        map=PlaneMap(matrix, 0.0, middle, focal_px),
        map_cov=each @ each.T,
        size_std=(reading / size_mm[0], reading / size_mm[1]),
        common_std=0.0,
        upright=False,
        used_px=(),
        rms_px=0.0,
        assumed=(),
    )


def _homography(mm: Array, px: Array) -> tuple[Array, Array]:
    """First eight terms (8,) of the homography through four points, and their derivative (8, 8) by the px, row by row.

    The terms h solve A(px) h = px, so that dh = A^-1 (dpx - dA h); row 2k of A has only x_k in it, row 2k + 1 only y_k,
    both in front of the last two terms: dh/dpx = A^-1 diag(w), w the third coordinate at each point.
    """
    design = np.zeros((8, 8))
    point = np.column_stack([mm, np.ones(4)])
    design[0::2, 0:3], design[1::2, 3:6] = point, point
    design[:, 6:] = -px.reshape(-1, 1) * np.repeat(mm, 2, 0)
    terms = np.linalg.solve(design, px.ravel())
    depth = np.repeat(mm @ terms[6:] + 1, 2)
    return terms, np.linalg.inv(design) * depth


def _check_numbers(photo: Photo, corners: Array, size_mm: tuple[float, float], std_px: float) -> None:
    if corners.shape != (4, 2) or not np.isfinite(corners).all():
        raise UsageError("The rectangle needs four corners of two numbers each.", _ORDER)
    if not all(1.0 <= value <= 10000.0 for value in size_mm):
        raise UsageError(f"A rectangle of {size_mm[0]:g} x {size_mm[1]:g} mm is no use here.", "Give 1 to 10000 mm.")
    if not 0.01 <= std_px <= 100.0:
        raise UsageError(f"Corners cannot be known to {std_px:g} px.", "Give 0.01 to 100 px.")
    size = np.array(photo.pixels.shape[1::-1])
    out = ((corners < -_BEYOND * size) | (corners > (1 + _BEYOND) * size - 1)).any(1)
    if out.any():
        x, y = corners[int(np.argmax(out))]
        raise UsageError(
            f"The corner {x:g},{y:g} lies far outside the photo.",
            f"The upright photo is {size[0]} x {size[1]} px, counted from its top left corner.",
        )


def _check_order(corners: Array) -> None:
    """Raise UsageError unless the corners run round a convex outline clockwise, none nearly in line with its
    neighbours."""
    ahead = np.roll(corners, -1, 0) - corners
    before = np.roll(ahead, 1, 0)
    length = np.hypot(*ahead.T)
    if length.min() < 10.0:
        raise UsageError("Two corners of the rectangle lie on one another.", _ORDER)
    sine = (before[:, 0] * ahead[:, 1] - before[:, 1] * ahead[:, 0]) / (length * np.roll(length, 1))
    if (np.abs(sine) < np.sin(np.deg2rad(_LEAST_TURN_DEG))).any():
        raise UsageError("Three corners of the rectangle lie nearly in one line.", _ORDER)
    if len(set(np.sign(sine).tolist())) > 1:
        raise UsageError("The corners' sides cross, or one corner lies inside the others.", _ORDER)
    if sine[0] < 0:
        raise UsageError("The corners run counter-clockwise.", _ORDER)


def _check_aspect(photo: Photo, matrix: Array, middle: Array, size_mm: tuple[float, float]) -> None:
    """Raise UsageError where no camera with its axis in the photo's middle can see a rectangle of this shape so."""
    unit = float(np.hypot(*photo.pixels.shape[:2])) / DIAGONAL_35MM
    focals = [photo.focal_35mm] if photo.focal_35mm else [18.0, 24.0, 28.0, 35.0, 50.0, 80.0, 200.0]
    shift = np.eye(3)
    shift[:2, 2] = -middle
    seen = []
    for focal in focals:
        across, down = ((shift @ matrix)[:, k] / [focal * unit, focal * unit, 1.0] for k in (0, 1))
        length = float(np.linalg.norm(across)), float(np.linalg.norm(down))
        seen.append((abs(float(np.log(length[0] / length[1]))), abs(float(across @ down)) / (length[0] * length[1])))
    if not any(aspect < _ASPECT and square < _SQUARE for aspect, square in seen):
        raise UsageError(
            f"The corners are not those of a rectangle {size_mm[0]:g} mm wide and {size_mm[1]:g} mm high.",
            "The width is from the first corner to the second; check both, and the order of the corners.",
        )

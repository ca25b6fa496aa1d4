"""Find a blank sheet of standard size that lies under the piece: four long straight edges, brighter inside.

Works on the reduced photo, with or without knowing where the piece lies. Straight edges are combined to
quadrilaterals, and these compared by the share of their sides that shows as an edge whose bright side lies inside.
Sides may be covered in part; they count by what shows of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.camera_place import DIAGONAL_35MM
from foldtrue.frames import Array, apply_homography
from foldtrue.handover import BoolArray, IntArray, Photo
from foldtrue.rectify.look import Small, reduce_photo, to_small_matrix
from foldtrue.rectify.straight import Lines, crossing, edge_pixels, find_lines, free_pixels, full_px, side_support
from foldtrue.subpixel import bilinear

SMALL_PX = 800
LEAST_SIDE = 0.2
"""Share of what can be seen of every side that must show as an edge."""
LEAST_MEAN = 0.45
"""Mean of that share over the four sides."""


@dataclass(frozen=True)
class Quads:
    """Quadrilaterals. corners: (Q, 4, 2) px about the small photo's middle, in order round each. support: (Q, 4) share
    of each side, of what can be seen of it, that shows as an edge; side k runs from corner k to the next. score: (Q,)
    mean support, less what runs on past the corners."""

    corners: Array
    support: Array
    score: Array

    def pick(self, index: IntArray | BoolArray) -> Quads:
        return Quads(self.corners[index], self.support[index], self.score[index])


def find_sheet(photo: Photo) -> Array | None:
    """Outline (4, 2) px of the upright photo of the clearest quadrilateral that may be an A4 or Letter sheet, or None.

    Good to a few pixels; in order round the sheet, clockwise as the photo shows it. Needs no knowledge of the piece:
    the shape is judged by the perspective of a camera with centred optical axis, and the sheet must be brighter than
    what surrounds it along three quarters of its sides.
    """
    quads, small = sheet_candidates(photo)
    height, width = photo.pixels.shape[:2]
    diagonal = float(np.hypot(width, height))
    focals = [photo.focal_35mm] if photo.focal_35mm else [24.0, 28.0, 35.0, 50.0, 80.0, 200.0]
    quads = quads.pick(quads.support.mean(1) >= 0.7)
    for k in np.argsort(-quads.score):
        corners = quads.corners[k] * small.factor
        shape = any(_may_be_sheet(corners, f / DIAGONAL_35MM * diagonal) for f in focals)
        if shape and _brighter_inside(small, quads.corners[k]) >= 0.75:
            return full_px(quads.corners[k], photo, small.factor)
    return None


def sheet_candidates(photo: Photo, covered_px: Array | None = None) -> tuple[Quads, Small]:
    """All quadrilaterals of bright-inside edges, about the middle of the small photo, and that photo.

    covered_px: (K, 2) px of the photo, a convex outline within which no edge counts, the piece's where that is known.
    """
    small = reduce_photo(photo, SMALL_PX)
    h, w = small.log.shape
    outline = None if covered_px is None else apply_homography(to_small_matrix(small.factor), covered_px)
    free = free_pixels(outline, (h, w))
    return quadrilaterals(find_lines(edge_pixels(small, free), free), (w, h)), small


def _brighter_inside(small: Small, corners: Array, depth_px: float = 4.0) -> float:
    """Share of the places along the sides where it is brighter just inside by at least a good part of the usual
    difference; 0 where that is hardly any."""
    h, w = small.log.shape
    ahead = np.roll(corners, -1, 0) - corners
    inward = np.stack([-ahead[:, 1], ahead[:, 0]], 1) / np.hypot(*ahead.T)[:, None]
    at = np.linspace(0.04, 0.96, 40)[None, :, None]
    base = corners[:, None] + at * ahead[:, None] + (np.array([w, h]) - 1) / 2
    inner, outer = (base + side * depth_px * inward[:, None] for side in (1, -1))
    rise = bilinear(small.log, inner[..., 0], inner[..., 1]) - bilinear(small.log, outer[..., 0], outer[..., 1])
    rise = rise[np.isfinite(rise)]
    usual = float(np.median(rise)) if len(rise) else 0.0
    return float(np.mean(rise > 0.4 * usual)) if usual > 0.05 else 0.0


def quadrilaterals(lines: Lines, size: tuple[int, int]) -> Quads:
    """Quadrilaterals of two pairs of facing lines, convex, none of the sides cut short by the photo's edge."""
    facing = _facing_pairs(lines, 0.08 * min(size))
    angle = np.degrees(np.arctan2(lines.normal[facing[:, 0], 1], lines.normal[facing[:, 0], 0]))
    first, second = np.nonzero(np.abs(np.remainder(angle[None, :] - angle[:, None], 180.0) - 90.0) < 35.0)
    once = first < second
    one, two = facing[first[once]], facing[second[once]]
    order = np.stack([one[:, 0], two[:, 0], one[:, 1], two[:, 1]], 1)
    corners = np.stack([crossing(lines, order[:, k - 1], order[:, k]) for k in range(4)], 1)
    # Side k lies on line order[k] and runs from corner k to corner k + 1.
    size_px = np.array(size)
    good = np.isfinite(corners).all((1, 2)) & (np.abs(corners) < 0.75 * size_px).all((1, 2))
    good &= _convex_area(corners) > 0.03 * size_px.prod()
    order, corners = order[good], corners[good]
    support, beyond = side_support(lines, order, corners)
    quads = Quads(corners, support, support.mean(1) - 0.5 * beyond.mean(1))
    return _clockwise(quads.pick((support.min(1) >= LEAST_SIDE) & (support.mean(1) >= LEAST_MEAN)))


def _facing_pairs(lines: Lines, least_px: float) -> IntArray:
    """(P, 2) pairs of lines whose bright sides face each other, at least least_px apart."""
    opposite = lines.normal @ lines.normal.T < -np.cos(np.deg2rad(30.0))
    apart = -(lines.offset[:, None] + lines.offset[None, :])
    one, two = np.nonzero(np.triu(opposite & (apart > least_px), 1))
    return np.stack([one, two], 1)


def _convex_area(corners: Array) -> Array:
    """(Q,) area of quadrilaterals, 0 where not convex."""
    ahead = np.roll(corners, -1, 1) - corners
    after = np.roll(ahead, -1, 1)
    turn = ahead[..., 0] * after[..., 1] - ahead[..., 1] * after[..., 0]
    diagonals = corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1]
    area = 0.5 * np.abs(diagonals[0][:, 0] * diagonals[1][:, 1] - diagonals[0][:, 1] * diagonals[1][:, 0])
    return np.where((turn > 0).all(1) | (turn < 0).all(1), area, 0.0)


def _clockwise(quads: Quads) -> Quads:
    """The same, each in the order that runs clockwise where y points down."""
    ahead = quads.corners[:, 1] - quads.corners[:, 0]
    after = quads.corners[:, 2] - quads.corners[:, 1]
    wrong = ahead[:, 0] * after[:, 1] - ahead[:, 1] * after[:, 0] < 0
    corners, support = quads.corners.copy(), quads.support.copy()
    corners[wrong] = corners[wrong][:, ::-1]
    support[wrong] = support[wrong][:, [2, 1, 0, 3]]
    return Quads(corners, support, quads.score)


def _may_be_sheet(corners: Array, focal_px: float) -> bool:
    """Whether a camera with this focal length can see a rectangle of A4's or Letter's shape so; corners (4, 2) px about
    the photo's middle. Source: Zhang, A flexible new technique for camera calibration (2000) [from memory]: the images
    of two perpendicular directions fix each other's length and angle once the camera's matrix is known."""
    matrix = _unit_square(corners)
    across, down = (matrix[:, k] / [focal_px, focal_px, 1.0] for k in (0, 1))
    length = np.hypot.reduce(across), np.hypot.reduce(down)
    aspect = max(length) / min(length)
    square = abs(float(across @ down)) / (length[0] * length[1])
    return bool(square < 0.06 and 1.25 < aspect < 1.47)


def _unit_square(corners: Array) -> Array:
    """Homography (3, 3) from the unit square's corners (0,0) (1,0) (1,1) (0,1) to px."""
    a, b, c, d = corners
    rest = a - b + c - d
    g, h = np.linalg.solve(np.stack([b - c, d - c], 1), rest)
    return np.array(
        [
            [*(b - a + g * b)[:1], *(d - a + h * d)[:1], a[0]],
            [*(b - a + g * b)[1:], *(d - a + h * d)[1:], a[1]],
            [g, h, 1],
        ]
    )

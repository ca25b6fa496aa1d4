"""Find a blank sheet of standard size that lies under the piece: four long straight edges, brighter inside.

Works on the reduced photo, with or without knowing where the piece lies. Every edge pixel votes for the straight lines
that run across its gradient (Hough transform with gradient direction: Ballard, Pattern Recognition 13 (1981) 111 [from
memory]); lines are combined to quadrilaterals, and these compared by the share of their sides that shows as an edge
whose bright side lies inside. Sides may be covered in part; they count by what shows of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.camera_place import DIAGONAL_35MM
from foldtrue.frames import Array, apply_homography
from foldtrue.handover import BoolArray, IntArray, Photo
from foldtrue.rectify.look import Small, reduce_photo, to_small_matrix
from foldtrue.subpixel import Image, bilinear

SMALL_PX = 800
MOST_LINES = 48
LEAST_SIDE = 0.2
"""Share of what can be seen of every side that must show as an edge."""
LEAST_MEAN = 0.45
"""Mean of that share over the four sides."""
_BIN_PX = 2.0
_SPREAD_DEG = 3


@dataclass(frozen=True)
class EdgePixels:
    """Edge pixels of a small photo. xy: (E, 2) px about its middle. towards: (E, 2) unit vectors to the bright side.
    strength: (E,) change of the light's logarithm per px."""

    xy: Array
    towards: Array
    strength: Array


@dataclass(frozen=True)
class Lines:
    """Straight edges. normal: (L, 2) unit vectors to the bright side; offset: (L,) px, normal . xy = offset, xy about
    the small photo's middle. shows, inside: (L, B + 1) running counts along each line of the bins where it shows as an
    edge and where it may; bin b begins at (b - B / 2) * 2 px along the normal turned by a quarter."""

    normal: Array
    offset: Array
    shows: IntArray
    inside: IntArray


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
    free = _free(outline, (h, w))
    return quadrilaterals(find_lines(edge_pixels(small, free), free), (w, h)), small


def _free(outline: Array | None, shape: tuple[int, int], border: int = 3) -> BoolArray:
    """(h, w) pixels that may show the sheet: off the photo's border and off what is covered, and its blur."""
    import cv2

    free = np.zeros(shape, np.uint8)
    free[border:-border, border:-border] = 1
    if outline is not None:
        polygon = np.rint(np.clip(outline, -4 * max(shape), 4 * max(shape))).astype(np.int32)
        cv2.fillConvexPoly(free, polygon, 0)
        cv2.polylines(free, [polygon], True, 0, 2 * border + 1)
    return free > 0


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


def full_px(corners: Array, photo: Photo, factor: int) -> Array:
    """(..., 2) px about the small photo's middle -> px of the full photo."""
    height, width = photo.pixels.shape[:2]
    middle = (np.array([width // factor, height // factor]) - 1) / 2
    flat = corners.reshape(-1, 2) + middle
    return apply_homography(np.linalg.inv(to_small_matrix(factor)), flat).reshape(corners.shape)


def edge_pixels(small: Small, free: BoolArray, most: int = 60000) -> EdgePixels:
    """Free pixels where the light's logarithm changes most along its gradient, above the noise; at most `most`."""
    import cv2

    smooth = cv2.GaussianBlur(small.log, (0, 0), 1.0)
    gx, gy = (cv2.Scharr(smooth, cv2.CV_32F, *d) / np.float32(32) for d in ((1, 0), (0, 1)))
    size = np.sqrt(gx * gx + gy * gy)
    crest = _crests(size, gx, gy)
    level = max(0.012, 2.5 * float(np.median(size[::3, ::3])))
    crest &= free & (size > level)
    y, x = np.nonzero(crest)
    strength = size[y, x]
    if len(x) > most:
        keep = np.argpartition(-strength, most)[:most]
        x, y, strength = x[keep], y[keep], strength[keep]
    h, w = size.shape
    xy = np.stack([x - (w - 1) / 2, y - (h - 1) / 2], 1)
    return EdgePixels(xy, np.stack([gx[y, x], gy[y, x]], 1) / strength[:, None], strength)


def _crests(size: Image, gx: Image, gy: Image) -> BoolArray:
    """Where the gradient is at least as large as at both neighbours along it (of eight directions)."""
    out = np.zeros(size.shape, bool)
    core = size[1:-1, 1:-1]
    ax, ay = np.abs(gx[1:-1, 1:-1]), np.abs(gy[1:-1, 1:-1])
    rising = (gx[1:-1, 1:-1] * gy[1:-1, 1:-1]) > 0
    flat, steep = ay <= 0.4142 * ax, ax <= 0.4142 * ay
    for chosen, dy, dx in (
        (flat, 0, 1),
        (steep, 1, 0),
        (~flat & ~steep & rising, 1, 1),
        (~flat & ~steep & ~rising, 1, -1),
    ):
        one = size[1 + dy : size.shape[0] - 1 + dy, 1 + dx : size.shape[1] - 1 + dx]
        other = size[1 - dy : size.shape[0] - 1 - dy, 1 - dx : size.shape[1] - 1 - dx]
        out[1:-1, 1:-1] |= chosen & (core >= one) & (core > other)
    return out


def find_lines(edges: EdgePixels, free: BoolArray) -> Lines:
    """The straight edges with the most edge pixels on them; free: (h, w) where there may be any."""
    reach = float(np.hypot(*free.shape)) / 2 + 4
    bins = int(np.ceil(2 * reach / _BIN_PX))
    votes = _votes(edges, reach, bins)
    best = _peaks(votes, MOST_LINES)
    normal: list[Array] = []
    offset: list[float] = []
    for angle, place in best:
        found = _refined(edges, np.deg2rad(float(angle)), (place + 0.5) * _BIN_PX - reach)
        if found is not None and not any(
            abs(found[1] - o) < 2.0 and float(found[0] @ n) > 0.9998 for n, o in zip(normal, offset, strict=True)
        ):
            normal.append(found[0])
            offset.append(found[1])
    n, o = np.array(normal).reshape(-1, 2), np.array(offset)
    shows, inside = _along_lines(edges, n, o, free, bins)
    return Lines(n, o, shows, inside)


def _votes(edges: EdgePixels, reach: float, bins: int) -> Array:
    """(360, bins) edge pixels by the direction of the line's normal in degrees and its offset."""
    towards = np.rint(np.degrees(np.arctan2(edges.towards[:, 1], edges.towards[:, 0]))).astype(np.int64)
    votes = np.zeros(360 * bins)
    for turn in range(-_SPREAD_DEG, _SPREAD_DEG + 1):
        angle = (towards + turn) % 360
        c, s = np.cos(np.deg2rad(np.arange(360))), np.sin(np.deg2rad(np.arange(360)))
        place = ((edges.xy[:, 0] * c[angle] + edges.xy[:, 1] * s[angle] + reach) / _BIN_PX).astype(np.int64)
        votes += np.bincount(angle * bins + place, minlength=len(votes))
    return votes.reshape(360, bins)


def _peaks(votes: Array, most: int) -> list[tuple[int, float]]:
    """Largest sums over three neighbouring offsets, in degrees and bins; best first, one for each neighbourhood and
    no more than eight in 20 degrees: the grain of a table has many."""
    import cv2

    wide = np.concatenate([votes[-2:], votes, votes[:2]]).astype(np.float32)
    summed = cv2.blur(wide, (3, 1)) * 3
    top = cv2.dilate(summed, np.ones((5, 5), np.uint8))
    crest = ((summed >= top) & (summed > 12))[2:-2]
    angle, place = np.nonzero(crest)
    order = np.argsort(-summed[2:-2][angle, place], kind="stable")
    chosen: list[tuple[int, float]] = []
    taken = [0] * 18
    for k in order:
        sector = int(angle[k]) // 20
        if taken[sector] < 8 and len(chosen) < most:
            chosen.append((int(angle[k]), float(place[k])))
            taken[sector] += 1
    return chosen


def _refined(edges: EdgePixels, angle: float, offset: float) -> tuple[Array, float] | None:
    """The line again, by least squares through the edge pixels along it, the strong ones more (a table's grain runs
    along it too)."""
    normal = np.array([np.cos(angle), np.sin(angle)])
    around = np.flatnonzero(np.abs(edges.xy @ normal - offset) < 10.0)
    xy, towards, strength = edges.xy[around], edges.towards[around], edges.strength[around]
    for reach in (4.0, 2.5, 2.0):
        near = (np.abs(xy @ normal - offset) < reach) & (towards @ normal > 0.985)
        if near.sum() < 12:
            return None
        points, weight = xy[near], strength[near] ** 2
        weight /= weight.sum()
        centre = weight @ points
        ahead = np.linalg.eigh((points - centre).T @ ((points - centre) * weight[:, None]))[1][:, 1]
        turned = np.array([-ahead[1], ahead[0]])
        normal = turned if turned @ normal > 0 else -turned
        offset = float(centre @ normal)
    return normal, offset


def _along_lines(
    edges: EdgePixels, normal: Array, offset: Array, free: BoolArray, bins: int
) -> tuple[IntArray, IntArray]:
    """Running counts (L, bins + 1) along each line: where it shows as an edge, and where it may."""
    shows = np.zeros((len(normal), bins), bool)
    at = (np.arange(bins) + 0.5 - bins / 2) * _BIN_PX
    size = np.array(free.shape[::-1])
    inside = np.zeros((len(normal), bins), bool)
    for k, (n, o) in enumerate(zip(normal, offset, strict=True)):
        ahead = np.array([-n[1], n[0]])
        near = (np.abs(edges.xy @ n - o) < 2.5) & (edges.towards @ n > 0.96)
        place = np.floor(edges.xy[near] @ ahead / _BIN_PX + bins / 2).astype(np.int64)
        shows[k, np.clip(place, 0, bins - 1)] = True
        x, y = np.rint(n * o + at[:, None] * ahead + (size - 1) / 2).astype(np.int64).T
        within = (x >= 0) & (y >= 0) & (x < size[0]) & (y < size[1])
        inside[k] = within & free[np.where(within, y, 0), np.where(within, x, 0)]
    shows[:, 1:-1] |= shows[:, :-2] & shows[:, 2:]  # a step across the pixel raster leaves single gaps
    zero = np.zeros((len(normal), 1), np.int64)
    counts = [np.concatenate([zero, np.cumsum(a, 1)], 1) for a in (shows & inside, inside)]
    return counts[0], counts[1]


def quadrilaterals(lines: Lines, size: tuple[int, int]) -> Quads:
    """Quadrilaterals of two pairs of facing lines, convex, none of the sides cut short by the photo's edge."""
    facing = _facing_pairs(lines, 0.08 * min(size))
    angle = np.degrees(np.arctan2(lines.normal[facing[:, 0], 1], lines.normal[facing[:, 0], 0]))
    first, second = np.nonzero(np.abs(np.remainder(angle[None, :] - angle[:, None], 180.0) - 90.0) < 35.0)
    once = first < second
    one, two = facing[first[once]], facing[second[once]]
    order = np.stack([one[:, 0], two[:, 0], one[:, 1], two[:, 1]], 1)
    corners = np.stack([_crossing(lines, order[:, k - 1], order[:, k]) for k in range(4)], 1)
    # Side k lies on line order[k] and runs from corner k to corner k + 1.
    size_px = np.array(size)
    good = np.isfinite(corners).all((1, 2)) & (np.abs(corners) < 0.75 * size_px).all((1, 2))
    good &= _convex_area(corners) > 0.03 * size_px.prod()
    order, corners = order[good], corners[good]
    support, beyond = _support(lines, order, corners)
    quads = Quads(corners, support, support.mean(1) - 0.5 * beyond.mean(1))
    return _clockwise(quads.pick((support.min(1) >= LEAST_SIDE) & (support.mean(1) >= LEAST_MEAN)))


def _facing_pairs(lines: Lines, least_px: float) -> IntArray:
    """(P, 2) pairs of lines whose bright sides face each other, at least least_px apart."""
    opposite = lines.normal @ lines.normal.T < -np.cos(np.deg2rad(30.0))
    apart = -(lines.offset[:, None] + lines.offset[None, :])
    one, two = np.nonzero(np.triu(opposite & (apart > least_px), 1))
    return np.stack([one, two], 1)


def _crossing(lines: Lines, one: IntArray, two: IntArray) -> Array:
    """(Q, 2) crossing points of lines; far away for parallel ones."""
    a, b = lines.normal[one], lines.normal[two]
    p, q = lines.offset[one], lines.offset[two]
    det = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    det = np.where(np.abs(det) < 1e-6, 1e-6, det)
    return np.stack([p * b[:, 1] - q * a[:, 1], a[:, 0] * q - b[:, 0] * p], 1) / det[:, None]


def _convex_area(corners: Array) -> Array:
    """(Q,) area of quadrilaterals, 0 where not convex."""
    ahead = np.roll(corners, -1, 1) - corners
    after = np.roll(ahead, -1, 1)
    turn = ahead[..., 0] * after[..., 1] - ahead[..., 1] * after[..., 0]
    diagonals = corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1]
    area = 0.5 * np.abs(diagonals[0][:, 0] * diagonals[1][:, 1] - diagonals[0][:, 1] * diagonals[1][:, 0])
    return np.where((turn > 0).all(1) | (turn < 0).all(1), area, 0.0)


def _support(lines: Lines, order: IntArray, corners: Array) -> tuple[Array, Array]:
    """(Q, 4) share of what can be seen of each side that shows as an edge, and the same of its prolongation by a tenth
    at either end, where a sheet has none."""
    n = lines.normal[order]
    ahead = np.stack([-n[..., 1], n[..., 0]], -1)
    a, b = (np.sum(p * ahead, -1) for p in (corners, np.roll(corners, -1, 1)))
    low, high = np.minimum(a, b), np.maximum(a, b)
    reach = 0.1 * (high - low)
    ends = (low - reach - 4, low - 4, low + 4, high - 4, high + 4, high + reach + 4)
    bins = lines.shows.shape[1] - 1
    at = [np.clip(np.rint(e / _BIN_PX + bins / 2).astype(np.int64), 0, bins) for e in ends]
    shown, seen = ([run[order, k] for k in at] for run in (lines.shows, lines.inside))
    within = (shown[3] - shown[2]) / np.maximum(seen[3] - seen[2], 1)
    # A side of which nearly nothing can be seen decides nothing.
    within = np.where((seen[3] - seen[2]) * _BIN_PX < 0.2 * (high - low), 0.0, within)
    outside = (shown[1] - shown[0] + shown[5] - shown[4]) / np.maximum(seen[1] - seen[0] + seen[5] - seen[4], 1)
    return within, outside


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

"""Straight edges in a reduced photo: what sheets and cards are put together from.

Every edge pixel votes for the straight lines that run across its gradient (Hough transform with gradient direction:
Ballard, Pattern Recognition 13 (1981) 111 [from memory]).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array, apply_homography
from foldtrue.handover import BoolArray, IntArray, Photo
from foldtrue.rectify.look import Small, to_small_matrix
from foldtrue.subpixel import Image

MOST_LINES = 48
BIN_PX = 2.0
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

    def pick(self, index: IntArray | BoolArray) -> Lines:
        return Lines(self.normal[index], self.offset[index], self.shows[index], self.inside[index])


def full_px(corners: Array, photo: Photo, factor: int) -> Array:
    """(..., 2) px about the small photo's middle -> px of the full photo."""
    height, width = photo.pixels.shape[:2]
    middle = (np.array([width // factor, height // factor]) - 1) / 2
    flat = corners.reshape(-1, 2) + middle
    return apply_homography(np.linalg.inv(to_small_matrix(factor)), flat).reshape(corners.shape)


def free_pixels(outline: Array | None, shape: tuple[int, int], border: int = 3) -> BoolArray:
    """(h, w) pixels that may show the sheet: off the photo's border and off what is covered, and its blur."""
    import cv2

    free = np.zeros(shape, np.uint8)
    free[border:-border, border:-border] = 1
    if outline is not None:
        polygon = np.rint(np.clip(outline, -4 * max(shape), 4 * max(shape))).astype(np.int32)
        cv2.fillConvexPoly(free, polygon, 0)
        cv2.polylines(free, [polygon], True, 0, 2 * border + 1)
    return free > 0


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


def find_lines(
    edges: EdgePixels, free: BoolArray, most: int = MOST_LINES, each: int = 8, weight: Array | None = None
) -> Lines:
    """The straight edges with the most edge pixels on them, at most `most`, and `each` in 20 degrees: the grain of a
    table has many. free: (h, w) where there may be any. weight: (E,) votes of each edge pixel, None = one each."""
    reach = float(np.hypot(*free.shape)) / 2 + 4
    bins = int(np.ceil(2 * reach / BIN_PX))
    votes = _votes(edges, reach, bins, weight)
    best = _peaks(votes, most, each)
    normal: list[Array] = []
    offset: list[float] = []
    for angle, place in best:
        found = _refined(edges, np.deg2rad(float(angle)), (place + 0.5) * BIN_PX - reach)
        if found is not None and not any(
            abs(found[1] - o) < 2.0 and float(found[0] @ n) > 0.9998 for n, o in zip(normal, offset, strict=True)
        ):
            normal.append(found[0])
            offset.append(found[1])
    n, o = np.array(normal).reshape(-1, 2), np.array(offset)
    shows, inside = _along_lines(edges, n, o, free, bins)
    return Lines(n, o, shows, inside)


def _votes(edges: EdgePixels, reach: float, bins: int, weight: Array | None) -> Array:
    """(360, bins) edge pixels by the direction of the line's normal in degrees and its offset."""
    towards = np.rint(np.degrees(np.arctan2(edges.towards[:, 1], edges.towards[:, 0]))).astype(np.int64)
    votes = np.zeros(360 * bins)
    for turn in range(-_SPREAD_DEG, _SPREAD_DEG + 1):
        angle = (towards + turn) % 360
        c, s = np.cos(np.deg2rad(np.arange(360))), np.sin(np.deg2rad(np.arange(360)))
        place = ((edges.xy[:, 0] * c[angle] + edges.xy[:, 1] * s[angle] + reach) / BIN_PX).astype(np.int64)
        votes += np.bincount(angle * bins + place, weight, minlength=len(votes))
    return votes.reshape(360, bins)


def _peaks(votes: Array, most: int, each: int) -> list[tuple[int, float]]:
    """Largest sums over three neighbouring offsets, in degrees and bins; best first, one for each neighbourhood and
    no more than `each` in 20 degrees."""
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
        if taken[sector] < each and len(chosen) < most:
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
    at = (np.arange(bins) + 0.5 - bins / 2) * BIN_PX
    size = np.array(free.shape[::-1])
    inside = np.zeros((len(normal), bins), bool)
    for k, (n, o) in enumerate(zip(normal, offset, strict=True)):
        ahead = np.array([-n[1], n[0]])
        near = (np.abs(edges.xy @ n - o) < 2.5) & (edges.towards @ n > 0.96)
        place = np.floor(edges.xy[near] @ ahead / BIN_PX + bins / 2).astype(np.int64)
        shows[k, np.clip(place, 0, bins - 1)] = True
        x, y = np.rint(n * o + at[:, None] * ahead + (size - 1) / 2).astype(np.int64).T
        within = (x >= 0) & (y >= 0) & (x < size[0]) & (y < size[1])
        inside[k] = within & free[np.where(within, y, 0), np.where(within, x, 0)]
    shows[:, 1:-1] |= shows[:, :-2] & shows[:, 2:]  # a step across the pixel raster leaves single gaps
    zero = np.zeros((len(normal), 1), np.int64)
    counts = [np.concatenate([zero, np.cumsum(a, 1)], 1) for a in (shows & inside, inside)]
    return counts[0], counts[1]


def crossing(lines: Lines, one: IntArray, two: IntArray) -> Array:
    """(Q, 2) crossing points of lines; far away for parallel ones."""
    a, b = lines.normal[one], lines.normal[two]
    p, q = lines.offset[one], lines.offset[two]
    det = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    det = np.where(np.abs(det) < 1e-6, 1e-6, det)
    return np.stack([p * b[:, 1] - q * a[:, 1], a[:, 0] * q - b[:, 0] * p], 1) / det[:, None]


def side_support(lines: Lines, order: IntArray, corners: Array) -> tuple[Array, Array]:
    """(Q, 4) share of what can be seen of each side that shows as an edge, and the same of its prolongation by a tenth
    at either end, where a sheet has none."""
    n = lines.normal[order]
    ahead = np.stack([-n[..., 1], n[..., 0]], -1)
    a, b = (np.sum(p * ahead, -1) for p in (corners, np.roll(corners, -1, 1)))
    low, high = np.minimum(a, b), np.maximum(a, b)
    reach = 0.1 * (high - low)
    ends = (low - reach - 4, low - 4, low + 4, high - 4, high + 4, high + reach + 4)
    bins = lines.shows.shape[1] - 1
    at = [np.clip(np.rint(e / BIN_PX + bins / 2).astype(np.int64), 0, bins) for e in ends]
    shown, seen = ([run[order, k] for k in at] for run in (lines.shows, lines.inside))
    within = (shown[3] - shown[2]) / np.maximum(seen[3] - seen[2], 1)
    # A side of which nearly nothing can be seen decides nothing.
    within = np.where((seen[3] - seen[2]) * BIN_PX < 0.2 * (high - low), 0.0, within)
    outside = (shown[1] - shown[0] + shown[5] - shown[4]) / np.maximum(seen[1] - seen[0] + seen[5] - seen[4], 1)
    return within, outside

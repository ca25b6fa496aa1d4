"""Straight sides located on the photo's own pixels in linear light: of a sheet under the piece, of a card beside it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import BoolArray, IntArray, Photo
from foldtrue.subpixel import GREY_WEIGHTS, fit_steps, robust_line, step_kernel

LINES = 160
"""Cross-lines per side."""
LEAST_SEEN = 0.2
LEAST_SPAN = 0.4
"""Share of a side that must be measured, and how far apart, of its length, what was measured must reach."""


@dataclass(frozen=True)
class Line:
    """A side in plan mm: point, unit direction, and its bow: how far its middle lies to the left of its ends, the line
    being its mean (0 where it was taken for straight). cov: (3, 3) covariance of its offset (mm, across) at the middle
    of the side, of its turn (rad, ccw) and of its bow. blur_mm: Gaussian blur of the edge. clipped: share of the
    measured places where the bright side is over-exposed; dark: where it is darker inside. dip: 0 a clean step, towards
    1 a thin line that is clearer than the step from one side of it to the other."""

    point: Array
    ahead: Array
    bow_mm: float
    cov: Array
    blur_mm: float
    clipped: float
    dark: float
    dip: float


@dataclass(frozen=True, kw_only=True)
class Search:
    """How a side is looked for: covered_px (K, 2), a convex outline within which and near which nothing is a side's;
    reach_px to either side; trim, share of the side left out at both ends; either: dark inside counts as well; bowed:
    the side may be bowed, as a lens or a curl bows it."""

    covered_px: Array
    reach_px: float
    trim: float = 0.0
    either: bool = False
    bowed: bool = False


@dataclass(frozen=True)
class Sides:
    """A rectangle's outline, side k from corner k to the next, clockwise as the photo shows it.

    corners_px, corners_mm: (4, 2) where the sides meet, mm in the plan's frame. lengths_mm: (4,). bow_mm: (4,) and
    line_cov: (4, 3, 3) as Line's, nan for a side that is covered; dark, dip: (4,) as Line's; seen: (4,). blur_mm,
    clipped: means.
    """

    corners_px: Array
    corners_mm: Array
    lengths_mm: Array
    bow_mm: Array
    line_cov: Array
    dark: Array
    dip: Array
    seen: BoolArray
    blur_mm: float
    clipped: float


def outline(lines: list[Line], seen: BoolArray, plane_map: PlaneMap) -> Sides:
    """Four sides, the unseen ones where they were supposed, put together."""
    corners = np.stack([_meeting(lines[k - 1], lines[k]) for k in range(4)])
    shown = [line for line, there in zip(lines, seen, strict=True) if there]
    return Sides(
        plane_map.to_px(corners),
        corners,
        np.hypot(*(np.roll(corners, -1, 0) - corners).T),
        np.array([line.bow_mm for line in lines]),
        np.stack([line.cov for line in lines]),
        np.array([line.dark for line in lines]),
        np.array([line.dip for line in lines]),
        seen,
        float(np.mean([line.blur_mm for line in shown])),
        float(np.mean([line.clipped for line in shown])),
    )


def supposed_line(ends_mm: Array) -> Line:
    """A side of which nothing is known but where it should be."""
    ahead = ends_mm[1] - ends_mm[0]
    return Line(ends_mm[0], ahead / np.hypot(*ahead), np.nan, np.full((3, 3), np.nan), 0.0, 0.0, 0.0, 0.0)


def measure_side(photo: Photo, plane_map: PlaneMap, ends_mm: Array, middle_mm: Array, search: Search) -> Line | None:
    """Measure one side from its supposed ends (2, 2) mm; middle_mm: a point inside. None where too little shows."""
    t = search.trim + (1 - 2 * search.trim) * (np.arange(LINES) + 0.5) / LINES
    base = ends_mm[0] + t[:, None] * (ends_mm[1] - ends_mm[0])
    px, inward = _across(plane_map, base, ends_mm[1] - ends_mm[0], middle_mm)
    free = ~_near(px, search.covered_px, search.reach_px)
    t, base, px, inward = t[free], base[free], px[free], inward[free]
    if len(t) < LEAST_SEEN * LINES:
        return None
    place, sign, height, likely = _strongest(photo, px, inward, t, search)
    if likely.sum() < LEAST_SEEN * LINES:
        return None
    found = _fine(photo, px[likely], inward[likely], place[likely], sign[likely])
    t, at = t[likely], px[likely] + found.place[:, None] * inward[likely]
    length = float(np.hypot(*(ends_mm[1] - ends_mm[0])))
    ahead = (ends_mm[1] - ends_mm[0]) / length
    left = np.array([-ahead[1], ahead[0]])
    offset = (plane_map.to_mm(at) - ends_mm[0]) @ left
    mm_per_px = float(np.median(np.abs(np.linalg.inv(plane_map.jacobian(base)) @ inward[:, :, None]).max((1, 2))))
    (middle, slope, bow), trust = _bowed_line(t, offset, found.weight, 0.03 * mm_per_px, search.bowed)
    used = (trust > 0.1) & (found.weight > 0)
    if used.sum() < LEAST_SEEN * LINES or float(np.ptp(t[used])) < LEAST_SPAN:
        return None
    rest = (offset - middle - slope * (t - 0.5) - bow * bow_shape(t))[used]
    low, high = (ends_mm[k] + left * (middle + slope * (k - 0.5)) for k in (0, 1))
    per_turn = np.array([1.0, 1 / length, 1.0])
    cov = _line_covariance(t[used], rest, search.bowed) * np.outer(per_turn, per_turn)
    clipped, dark = (float(np.mean(share[used])) for share in (found.clipped, sign[likely] < 0))
    dip = float(np.clip(1 - np.median(found.rise[used]) / np.median(height[likely][used]), 0.0, 1.0))
    ahead = (high - low) / np.hypot(*(high - low))
    return Line(low, ahead, bow, cov, found.blur_px * mm_per_px, clipped, dark, dip)


def bow_shape(t: Array) -> Array:
    """A bow of 1 from the ends, t = 0 and 1, to the middle, its mean 0: a parabola, as a lens's term bends a side and a
    sheet that curls up evenly."""
    return np.asarray(1 / 3 - 4 * (t - 0.5) ** 2)


def _near(px: Array, outline: Array, reach: float) -> BoolArray:
    """(N,) points within a convex outline (K, 2) or up to `reach` from it."""
    ahead = np.roll(outline, -1, 0) - outline
    to = px[:, None] - outline[None]
    side = (ahead[:, 0] * to[..., 1] - ahead[:, 1] * to[..., 0]) / np.hypot(*ahead.T)
    after = np.roll(ahead, -1, 0)
    turning = float(np.sum(ahead[:, 0] * after[:, 1] - ahead[:, 1] * after[:, 0]))
    return np.asarray((side * np.sign(turning) > -reach).all(1))


def _across(plane_map: PlaneMap, base_mm: Array, ahead_mm: Array, middle_mm: Array) -> tuple[Array, Array]:
    """Places (N, 2) px along a side, and unit vectors (N, 2) px across it, into the sheet."""
    px = plane_map.to_px(base_mm)
    ahead = plane_map.jacobian(base_mm) @ ahead_mm
    across = np.stack([-ahead[:, 1], ahead[:, 0]], 1) / np.hypot(*ahead.T)[:, None]
    inside = plane_map.to_px(middle_mm[None])[0] - px
    return px, across * np.sign(np.sum(across * inside, 1))[:, None]


def linear_samples(photo: Photo, x: Array, y: Array) -> tuple[Array, BoolArray]:
    """Linear grey light at (x, y), any equal shapes, bilinear between the four pixels around; nan outside. And whether
    a pixel there is over-exposed in any channel. Reads only the pixels it needs."""
    height, width = photo.pixels.shape[:2]
    inside = (x >= 0) & (y >= 0) & (x < width - 1) & (y < height - 1)
    x0, y0 = (np.floor(np.where(inside, v, 0)).astype(np.int64) for v in (x, y))
    fx, fy = x - x0, y - y0
    top = int(np.iinfo(photo.pixels.dtype).max)
    value, clipped = np.zeros(x.shape), np.zeros(x.shape, bool)
    table = [photo.linear * np.float32(w) for w in GREY_WEIGHTS]
    for dy, wy in ((0, 1 - fy), (1, fy)):
        for dx, wx in ((0, 1 - fx), (1, fx)):
            code = photo.pixels[y0 + dy, x0 + dx]
            value += wx * wy * sum(table[k][code[..., k]] for k in range(3))
            clipped |= code.max(-1) == top
    value[~inside] = np.nan
    return value, clipped


def _profiles(photo: Photo, px: Array, inward: Array, u: Array) -> tuple[Array, BoolArray]:
    at = px[:, None] + u[None, :, None] * inward[:, None]
    return linear_samples(photo, at[..., 0], at[..., 1])


def _strongest(
    photo: Photo, px: Array, inward: Array, t: Array, search: Search
) -> tuple[Array, IntArray, Array, BoolArray]:
    """Place (N,) px of the clearest step of light on every cross-line, its sign (1 = brighter inside) and height, and
    which of them lie on the straight side that most of them agree on."""
    kernel = step_kernel(1.5)
    half = int(np.ceil(search.reach_px))
    u = np.arange(-half - len(kernel) // 2, half + len(kernel) // 2 + 1, dtype=float)
    light, _ = _profiles(photo, px, inward, u)
    rise = np.einsum("nku,u->nk", np.lib.stride_tricks.sliding_window_view(light, len(kernel), 1), kernel)
    rise = np.where(np.isfinite(rise), rise, -1.0 if not search.either else 0.0)
    size = np.abs(rise) if search.either else rise
    best = size.argmax(1)
    height = size.max(1)
    sign = np.where(rise[np.arange(len(best)), best] < 0, -1, 1) if search.either else np.ones(len(best), np.int64)
    strong = height > max(0.3 * float(np.percentile(height, 90)), 1e-4)
    place = np.arange(-half, half + 1, dtype=float)[best]
    return place, sign, height, strong & (np.abs(place - _agreed(t[strong], place[strong], t, half)) < 3.0)


def _agreed(t: Array, place: Array, at: Array, half: int) -> Array:
    """The straight line through the most places (M,) at t (M,), evaluated at `at`: a vote over slopes and offsets, as
    what covers a side may give more wrong places than right ones."""
    slopes = np.linspace(-half, half, 2 * half + 1)
    level = place[:, None] - slopes[None] * (t[:, None] - 0.5)
    offsets = np.arange(-1.5 * half, 1.5 * half + 1)
    near = np.abs(level[:, :, None] - offsets[None, None]) < 1.5
    votes = near.sum(0)
    slope, offset = np.unravel_index(int(votes.argmax()), votes.shape)
    return np.asarray(offsets[offset] + slopes[slope] * (at - 0.5))


@dataclass(frozen=True)
class _Fine:
    """place: (N,) px along the cross-lines. weight: (N,) 1 where it is a clear step, else 0. clipped: (N,) over-exposed
    beside the edge. rise: (N,) light from one end of the profile to the other."""

    place: Array
    weight: Array
    clipped: BoolArray
    rise: Array
    blur_px: float


def _fine(photo: Photo, px: Array, inward: Array, place: Array, sign: IntArray) -> _Fine:
    """Maximum-likelihood places of the step, brighter inside where sign (N,) is 1, the blur common to the side."""
    blur = 1.5
    at = place.copy()
    for _ in range(4):
        u = np.linspace(-1.0, 1.0, 17) * (3.5 * blur + 1.5)
        start = px + at[:, None] * inward
        light, clipped = _profiles(photo, start, inward, u)
        fit = fit_steps(light * sign[:, None], u, np.zeros(len(at)), np.full(len(at), blur))
        noise = np.sqrt(fit.rss / np.maximum(fit.dof, 1.0))
        clear = np.isfinite(light).all(1) & (fit.contrast > 4 * noise * np.sqrt(fit.contrast_var))
        clear &= fit.contrast > 0.4 * max(float(np.median(fit.contrast)), 1e-6)
        at = at + np.where(clear, np.clip(fit.shift, -blur, blur), 0.0)
        if clear.any():
            blur = float(np.clip(blur * (1 + np.clip(np.median(fit.blur_change[clear]), -0.4, 0.6)), 0.5, 12.0))
    steady = clear & (np.abs(fit.shift) < 0.5 * blur)
    rise = sign * (light[:, -3:].mean(1) - light[:, :3].mean(1))
    return _Fine(at, steady.astype(float), np.asarray(clipped.any(1)), rise, blur)


def _bowed_line(
    t: Array, offset: Array, weight: Array, spread: float, bowed: bool, rounds: int = 3
) -> tuple[tuple[float, float, float], Array]:
    """Offset at t = 0.5, slope in t and bow of a side, and how far each of its places is trusted (as robust_line)."""
    zero, bow, shape = np.zeros(len(t), np.int64), 0.0, bow_shape(t)
    for done in range(rounds + 1):
        a, b, trust = robust_line(t, offset - bow * shape, weight, zero, 1, spread)
        if not bowed or done == rounds:
            break
        root = np.sqrt(weight * trust)
        bow = float(np.linalg.lstsq(root[:, None] * _design(t, bowed), root * offset, rcond=None)[0][2])
    return (float(a[0]), float(b[0]), bow), trust


def _design(t: Array, bowed: bool) -> Array:
    """(N, 2 or 3): what offset, slope and bow of a side add at t."""
    columns = [np.ones(len(t)), t - 0.5, bow_shape(t)]
    return np.stack(columns if bowed else columns[:2], 1)


def _line_covariance(t: Array, rest: Array, bowed: bool, parts: int = 8) -> Array:
    """Covariance (3, 3) of a side's offset at t = 0.5, of its slope in t and of its bow from its residuals; where the
    means of its parts scatter more than independent residuals' would (a wavy edge), by that much more."""
    design = _design(t, bowed)
    count, freedoms = design.shape
    variance = float(np.sum(rest**2)) / max(count - freedoms, 1)
    means = np.array([part.mean() for part in np.array_split(rest, parts)])
    excess = float(np.sum(means**2)) / max(parts - freedoms, 1) / (variance * parts / count)
    cov = np.zeros((3, 3))
    cov[:freedoms, :freedoms] = variance * max(excess, 1.0) * np.linalg.inv(design.T @ design)
    return cov


def _meeting(one: Line, two: Line) -> Array:
    """Where two sides meet, (2,) mm."""
    along = np.linalg.solve(np.stack([one.ahead, -two.ahead], 1), two.point - one.point)[0]
    return np.asarray(one.point + along * one.ahead)

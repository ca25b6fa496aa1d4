"""The four sides of a sheet under the piece, located on the photo's own pixels in linear light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.errors import PhotoTooPoor
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import BoolArray, Nominal, Photo
from foldtrue.rectify.by_outline import convex_hull
from foldtrue.rectify.sheet import Quads, full_px, sheet_candidates
from foldtrue.subpixel import GREY_WEIGHTS, fit_steps, robust_line, step_kernel

LINES = 160
"""Cross-lines per side."""
LEAST_SEEN = 0.2
LEAST_SPAN = 0.4
"""Share of a side that must be measured, and how far apart, of its length, what was measured must reach."""
_ASPECTS = (1.235, 1.49)
"""5 % beyond Letter's and A4's, for choosing; the kind is told from the measured sides."""
_ADVICE = (
    "Lay the piece on a blank A4 or Letter sheet, on a table of clearly darker tone, with all four sides of the sheet "
    "in view and little of them covered."
)


@dataclass(frozen=True)
class Sides:
    """The sheet's outline, side k from corner k to the next, clockwise as the photo shows it.

    corners_px, corners_mm: (4, 2) where the sides meet, mm in the plan's frame. lengths_mm: (4,). offset_std_mm: (4,)
    standard uncertainty of each side's place at its middle. blur_mm: Gaussian blur of the edges. clipped: share of the
    measured places where the paper is over-exposed.
    """

    corners_px: Array
    corners_mm: Array
    lengths_mm: Array
    offset_std_mm: Array
    blur_mm: float
    clipped: float


@dataclass(frozen=True)
class _Line:
    """A side in plan mm: point, unit direction, offset_std_mm at the middle; blur_px, blur_mm, clipped as in Sides."""

    point: Array
    ahead: Array
    offset_std_mm: float
    blur_mm: float
    clipped: float


def locate_sides(photo: Photo, nominal: Nominal, plane_map: PlaneMap) -> Sides:
    """Find the sheet and measure its sides. Raises PhotoTooPoor when it cannot be found for certain."""
    piece_px = plane_map.to_px(convex_hull(nominal.outline_mm))
    quads, small = sheet_candidates(photo, piece_px)
    corners = plane_map.to_mm(_chosen(quads, photo, small.factor, nominal, plane_map))
    middle, reach = corners.mean(0), 3.0 * small.factor + 4
    lines = [_side(photo, plane_map, corners[[k, (k + 1) % 4]], middle, piece_px, reach) for k in range(4)]
    meeting = np.stack([_meeting(lines[k - 1], lines[k]) for k in range(4)])
    ahead = np.roll(meeting, -1, 0) - meeting
    return Sides(
        plane_map.to_px(meeting),
        meeting,
        np.hypot(*ahead.T),
        np.array([line.offset_std_mm for line in lines]),
        float(np.mean([line.blur_mm for line in lines])),
        float(np.mean([line.clipped for line in lines])),
    )


def _chosen(quads: Quads, photo: Photo, factor: int, nominal: Nominal, plane_map: PlaneMap) -> Array:
    """Corners (4, 2) px of the one quadrilateral that the map makes a rectangle of the right shape about the piece.

    Raises PhotoTooPoor when there is none, or when another of a different size shows nearly as well.
    """
    px = full_px(quads.corners, photo, factor)
    mm = plane_map.to_mm(px.reshape(-1, 2)).reshape(px.shape)
    fits = _like_a_sheet(mm) & _holds(mm, nominal.outline_mm.mean(0))
    if not fits.any():
        raise PhotoTooPoor("No sheet of standard size can be made out under the piece.", _ADVICE)
    px, mm, score, worst = px[fits], mm[fits], quads.score[fits], quads.support[fits].min(1)
    best = int(np.argmax(score))
    size = np.sqrt(np.prod(_lengths(mm)[:, :2], 1))
    other = np.abs(np.log(size / size[best])) > 0.015
    if (other & (score > score[best] - 0.15) & (worst > worst[best] - 0.25)).any():
        raise PhotoTooPoor(
            "More than one outline under the piece could be the sheet.", "Use one blank sheet, and nothing under it."
        )
    return np.asarray(px[best])


def _lengths(mm: Array) -> Array:
    """(Q, 4): mean lengths of sides 0 and 2, of 1 and 3, and the relative differences within the two pairs."""
    ahead = np.roll(mm, -1, 1) - mm
    sides = np.hypot(ahead[..., 0], ahead[..., 1])
    mean = 0.5 * (sides[:, :2] + sides[:, 2:])
    return np.concatenate([mean, (sides[:, :2] - sides[:, 2:]) / mean], 1)


def _like_a_sheet(mm: Array, facing: float = 0.05) -> BoolArray:
    """Right angles within 3 degrees, opposite sides alike, shape between Letter's and A4's."""
    ahead = np.roll(mm, -1, 1) - mm
    after = np.roll(ahead, -1, 1)
    sides = np.hypot(ahead[..., 0], ahead[..., 1])
    square = np.abs(np.sum(ahead * after, 2)) < np.sin(np.deg2rad(3.0)) * sides * np.roll(sides, -1, 1)
    found = _lengths(mm)
    aspect = found[:, :2].max(1) / found[:, :2].min(1)
    alike = np.abs(found[:, 2:]).max(1) < facing
    return np.asarray(square.all(1) & alike & (aspect > _ASPECTS[0]) & (aspect < _ASPECTS[1]))


def _holds(mm: Array, point: Array) -> BoolArray:
    """(Q,) whether the point lies inside."""
    ahead, to = np.roll(mm, -1, 1) - mm, point - mm
    turn = ahead[..., 0] * to[..., 1] - ahead[..., 1] * to[..., 0]
    return np.asarray((turn > 0).all(1) | (turn < 0).all(1))


def _side(
    photo: Photo, plane_map: PlaneMap, ends_mm: Array, middle_mm: Array, piece_px: Array, reach_px: float
) -> _Line:
    """Measure one side from its ends (2, 2) mm, right to reach_px; middle_mm: a point inside the sheet; piece_px:
    the piece's outline (K, 2), within and near which nothing is the sheet's."""
    t = (np.arange(LINES) + 0.5) / LINES
    base = ends_mm[0] + t[:, None] * (ends_mm[1] - ends_mm[0])
    px, inward = _across(plane_map, base, ends_mm[1] - ends_mm[0], middle_mm)
    free = ~_near(px, piece_px, reach_px)
    t, base, px, inward = t[free], base[free], px[free], inward[free]
    if len(t) < LEAST_SEEN * LINES:
        raise _unseen()
    place, likely = _strongest(photo, px, inward, t, reach_px)
    if likely.sum() < LEAST_SEEN * LINES:
        raise _unseen()
    found = _fine(photo, px[likely], inward[likely], place[likely])
    t, at = t[likely], px[likely] + found.place[:, None] * inward[likely]
    ahead = (ends_mm[1] - ends_mm[0]) / np.hypot(*(ends_mm[1] - ends_mm[0]))
    left = np.array([-ahead[1], ahead[0]])
    offset = (plane_map.to_mm(at) - ends_mm[0]) @ left
    zero = np.zeros(len(t), np.int64)
    mm_per_px = float(np.median(np.abs(np.linalg.inv(plane_map.jacobian(base)) @ inward[:, :, None]).max((1, 2))))
    a, b, trust = robust_line(t, offset, found.weight, zero, 1, 0.03 * mm_per_px)
    used = (trust > 0.1) & (found.weight > 0)
    if used.sum() < LEAST_SEEN * LINES or float(np.ptp(t[used])) < LEAST_SPAN:
        raise _unseen()
    rest = (offset - a[0] - b[0] * (t - 0.5))[used]
    low, high = (ends_mm[k] + left * float(a[0] + b[0] * (k - 0.5)) for k in (0, 1))
    std = _middle_std(t[used], rest)
    clipped = float(np.mean(found.clipped[used]))
    return _Line(low, (high - low) / np.hypot(*(high - low)), std, found.blur_px * mm_per_px, clipped)


def _near(px: Array, outline: Array, reach: float) -> BoolArray:
    """(N,) points within a convex outline (K, 2) or up to `reach` from it."""
    ahead = np.roll(outline, -1, 0) - outline
    to = px[:, None] - outline[None]
    side = (ahead[:, 0] * to[..., 1] - ahead[:, 1] * to[..., 0]) / np.hypot(*ahead.T)
    after = np.roll(ahead, -1, 0)
    turning = float(np.sum(ahead[:, 0] * after[:, 1] - ahead[:, 1] * after[:, 0]))
    return np.asarray((side * np.sign(turning) > -reach).all(1))


def _unseen() -> PhotoTooPoor:
    return PhotoTooPoor("A side of the sheet under the piece shows too little to be measured.", _ADVICE)


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


def _strongest(photo: Photo, px: Array, inward: Array, t: Array, reach_px: float) -> tuple[Array, BoolArray]:
    """Place (N,) px of the clearest rise of light into the sheet on every cross-line, and which of them lie on the
    straight side that most of them agree on."""
    kernel = step_kernel(1.5)
    half = int(np.ceil(reach_px))
    u = np.arange(-half - len(kernel) // 2, half + len(kernel) // 2 + 1, dtype=float)
    light, _ = _profiles(photo, px, inward, u)
    rise = np.einsum("nku,u->nk", np.lib.stride_tricks.sliding_window_view(light, len(kernel), 1), kernel)
    rise = np.where(np.isfinite(rise), rise, -1.0)
    best = rise.argmax(1)
    height = rise.max(1)
    strong = height > max(0.3 * float(np.percentile(height, 90)), 1e-4)
    place = np.arange(-half, half + 1, dtype=float)[best]
    return place, strong & (np.abs(place - _agreed(t[strong], place[strong], t, half)) < 3.0)


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
    beside the edge."""

    place: Array
    weight: Array
    clipped: BoolArray
    blur_px: float


def _fine(photo: Photo, px: Array, inward: Array, place: Array) -> _Fine:
    """Maximum-likelihood places of the step, the blur common to the side."""
    blur = 1.5
    at = place.copy()
    for _ in range(4):
        u = np.linspace(-1.0, 1.0, 17) * (3.5 * blur + 1.5)
        start = px + at[:, None] * inward
        light, clipped = _profiles(photo, start, inward, u)
        fit = fit_steps(light, u, np.zeros(len(at)), np.full(len(at), blur))
        noise = np.sqrt(fit.rss / np.maximum(fit.dof, 1.0))
        clear = np.isfinite(light).all(1) & (fit.contrast > 4 * noise * np.sqrt(fit.contrast_var))
        clear &= fit.contrast > 0.4 * max(float(np.median(fit.contrast)), 1e-6)
        at = at + np.where(clear, np.clip(fit.shift, -blur, blur), 0.0)
        if clear.any():
            blur = float(np.clip(blur * (1 + np.clip(np.median(fit.blur_change[clear]), -0.4, 0.6)), 0.5, 12.0))
    steady = clear & (np.abs(fit.shift) < 0.5 * blur)
    return _Fine(at, steady.astype(float), np.asarray(clipped.any(1)), blur)


def _middle_std(t: Array, rest: Array, parts: int = 8) -> float:
    """Standard uncertainty of a line's offset at t = 0.5 from its residuals; where the means of its parts scatter more
    than independent residuals' would (a wavy edge), by that much more."""
    count = len(t)
    variance = float(np.sum(rest**2)) / max(count - 2, 1)
    means = np.array([part.mean() for part in np.array_split(rest, parts)])
    excess = float(np.sum(means**2)) / max(parts - 2, 1) / (variance * parts / count)
    middle = t.mean()
    lever = 1 / count + (0.5 - middle) ** 2 / float(np.sum((t - middle) ** 2))
    return float(np.sqrt(variance * max(excess, 1.0) * lever))


def _meeting(one: _Line, two: _Line) -> Array:
    """Where two sides meet, (2,) mm."""
    along = np.linalg.solve(np.stack([one.ahead, -two.ahead], 1), two.point - one.point)[0]
    return np.asarray(one.point + along * one.ahead)

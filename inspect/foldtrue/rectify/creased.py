"""Find an unfolded sheet by its cut edges: the outline roughly, then each side to a fraction of a pixel."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from foldtrue.errors import NotThisPiece, PhotoTooPoor
from foldtrue.frames import Array, PlaneMap, apply_homography, warp_design, warped
from foldtrue.handover import Photo, Reference
from foldtrue.handover_grid import SheetPlace, SheetSides
from foldtrue.rectify.by_outline import OutlineFit, outline_candidates
from foldtrue.rectify.look import reduce_photo, to_small_matrix
from foldtrue.subpixel import Image, cross_lines, fit_steps, linear_grey, robust_line, step_kernel

CROSS_LINES = 240
"""Cross-lines per side."""
REFERENCE_REACH_PX = 25.0
LEAST_SEEN = 0.25
"""Share of a side's cross-lines that must agree on one straight edge."""
WORST_MISFIT = 0.012
"""A cut sheet's outline lies within this share of its size of the planned one in some perspective (a side of a 200 mm
sheet cut off by 4 mm still does); a folded piece's or another shape does not."""
_ADVICE = "Lay the whole sheet on a table of another tone, or on a lit pane, with its edges inside the picture."


def find_sheet(photo: Photo, outline_mm: Array) -> SheetPlace:
    """Find the sheet and measure its sides. outline_mm: (K, 2) planned, counter-clockwise, around the origin.

    Raises NotThisPiece when no region has this outline, PhotoTooPoor when its edges cannot be measured.
    """
    small = reduce_photo(photo)
    fit = _most_upright([f for f in outline_candidates(small, outline_mm, False) if f.misfit < WORST_MISFIT])
    if fit is None:
        raise NotThisPiece("No unfolded sheet of the planned outline can be made out in the picture.", _ADVICE)
    height, width = photo.pixels.shape[:2]
    matrix = np.linalg.inv(to_small_matrix(small.factor)) @ fit.matrix
    plane = PlaneMap(
        matrix / matrix[2, 2],
        0.0,
        np.array([(width - 1) / 2, (height - 1) / 2]),
        26.0 / 43.2666 * float(np.hypot(height, width)),
    )
    grey = linear_grey(photo.pixels, photo.linear)
    reach = 3.0 * small.factor + 6.0
    sides = measure_sides(grey, plane, outline_mm, reach)
    for _ in range(2):
        plane = laid_on_sides(plane, sides)
        sides = measure_sides(grey, plane, outline_mm, reach)
    centre = plane.jacobian(np.zeros((1, 2)))[0]
    turn = float(np.degrees(np.arctan2(-centre[1, 0], centre[0, 0])))
    rest = np.concatenate([sides.offset_error_mm, np.deg2rad(sides.angle_error_deg) * sides.half_mm / np.sqrt(3)])
    return SheetPlace(plane, turn, sides, float(np.sqrt(np.mean(rest**2)) * 2**0.5))


def _most_upright(fits: list[OutlineFit]) -> OutlineFit | None:
    """Of the fits about as good as the best, the one least turned: an outline may look alike in several turns."""
    if not fits:
        return None
    good = [f for f in fits if f.misfit < 1.3 * fits[0].misfit + 0.001]

    def turn(fit: OutlineFit) -> float:
        x, o = apply_homography(fit.matrix, np.array([[1.0, 0.0], [0.0, 0.0]]))
        return abs(float(np.arctan2(-(x - o)[1], (x - o)[0])))

    return min(good, key=turn)


def _darker(grey: Image, plane: PlaneMap, outline_mm: Array) -> bool:
    """Whether the sheet is darker than what lies just outside of it."""
    middle = outline_mm.mean(0)
    t = np.linspace(0.1, 0.9, 60)[:, None]
    inside: list[Array] = []
    outside: list[Array] = []
    for a, b in zip(outline_mm, np.roll(outline_mm, -1, 0), strict=True):
        edge = a + t * (b - a) - middle
        for share, into in ((0.95, inside), (1.05, outside)):
            px = plane.to_px(middle + share * edge)
            into.append(cross_lines(grey, px, px, 1)[:, 0])
    return bool(np.nanmedian(np.concatenate(inside)) < np.nanmedian(np.concatenate(outside)))


def measure_sides(grey: Image, plane: PlaneMap, outline_mm: Array, reach_px: float) -> SheetSides:
    """Every side as a straight line, from the clearest steps within reach_px of its planned place.

    Raises PhotoTooPoor when fewer than four sides (three of a triangle) can be measured.
    """
    ahead = np.roll(outline_mm, -1, 0) - outline_mm
    length = np.hypot(*ahead.T)
    normal = np.stack([ahead[:, 1], -ahead[:, 0]], 1) / length[:, None]
    planned = np.sum(normal * outline_mm, 1)
    darker = _darker(grey, plane, outline_mm)
    count = len(outline_mm)
    error, cov, rms = np.zeros((count, 2)), np.zeros((count, 2, 2)), np.full(count, np.nan)
    for k in range(count):
        found = _side(grey, plane, outline_mm[k], ahead[k], normal[k], 1.0 if darker else -1.0, reach_px)
        if found is not None:
            error[k], cov[k], rms[k] = found
    seen = np.isfinite(rms)
    if seen.sum() < min(4, count):
        raise PhotoTooPoor("The sheet's edges cannot be measured.", _ADVICE)
    return SheetSides(
        np.degrees(np.arctan2(normal[:, 1], normal[:, 0])),
        planned,
        length / 2,
        error[:, 0],
        np.degrees(error[:, 1]),
        cov,
        rms,
        seen,
        darker,
    )


def remeasured_sides(photo: Photo, plane: PlaneMap, outline_mm: Array, reach_px: float) -> SheetSides:
    """The sides anew, with a better map. Raises PhotoTooPoor as measure_sides does."""
    return measure_sides(linear_grey(photo.pixels, photo.linear), plane, outline_mm, reach_px)


def _side(
    grey: Image, plane: PlaneMap, start: Array, ahead: Array, normal: Array, rising: float, reach_px: float
) -> tuple[Array, Array, float] | None:
    """(offset error mm at the foot, angle error rad), their covariance, and the RMS about the line; None = not seen.

    rising: +1 where light rises outward, -1 inward."""
    t = 0.03 + 0.94 * (np.arange(CROSS_LINES) + 0.5) / CROSS_LINES
    base = start + t[:, None] * ahead
    px = plane.to_px(base)
    outward = (plane.jacobian(base) @ normal[:, None])[:, :, 0]
    scale = np.hypot(*outward.T)
    place = _steps(grey, px, outward / scale[:, None] * rising, t, reach_px)
    good = np.isfinite(place)
    if good.sum() < LEAST_SEEN * CROSS_LINES or np.ptp(t[good]) < 0.5:
        return None
    shift_mm = place * rising / scale
    zero = np.zeros(int(good.sum()), np.int64)
    spread = 0.03 / float(np.median(scale))
    a, b, trust = robust_line(t[good], shift_mm[good], np.ones(int(good.sum())), zero, 1, spread)
    used = trust > 0.1
    if used.sum() < LEAST_SEEN * CROSS_LINES:
        return None
    rest = (shift_mm[good] - a[0] - b[0] * (t[good] - 0.5))[used]
    return _at_foot(start, ahead, normal, t[good][used], a[0], b[0], rest)


def _at_foot(
    start: Array, ahead: Array, normal: Array, t: Array, a: float, b: float, rest: Array
) -> tuple[Array, Array, float]:
    """The line a + b (t - 1/2), outward mm, as offset at the foot point and ccw angle, with their covariance.

    Neighbouring points share the edge's waves: the scatter of the means of eight parts counts as well."""
    length = float(np.hypot(*ahead))
    foot_t = -float(start @ ahead) / length**2
    variance = float(np.sum(rest**2)) / max(len(t) - 2, 1)
    means = np.array([part.mean() for part in np.array_split(rest, 8)])
    variance = max(variance, float(np.sum(means**2)) / 6 * len(t) / 8)
    design = np.stack([np.ones_like(t), t - foot_t], 1)
    cov_ab = variance * np.linalg.inv(design.T @ design)
    to_figures = np.diag([1.0, 1.0 / length])
    # Counter-clockwise along the outline the outward normal lies to the right: a rise outward turns the side clockwise.
    error = np.array([a + b * (foot_t - 0.5), -b / length])
    flip = np.diag([1.0, -1.0])
    return error, flip @ to_figures @ cov_ab @ to_figures @ flip, float(np.sqrt(np.mean(rest**2)))


def _steps(grey: Image, px: Array, toward: Array, t: Array, reach_px: float) -> Array:
    """Places (N,) px along `toward` of the clearest rise of light, nan where none agrees with the others."""
    kernel = step_kernel(1.5)
    half = int(np.ceil(reach_px)) + len(kernel) // 2
    light = cross_lines(grey, px - half * toward, px + half * toward, 2 * half + 1)
    rise = np.einsum("nku,u->nk", np.lib.stride_tricks.sliding_window_view(light, len(kernel), 1), kernel)
    rise = np.where(np.isfinite(rise), rise, -1.0)
    centre = rise.shape[1] // 2
    height = rise.max(1)
    strong = height > max(0.3 * float(np.percentile(height, 90)), 1e-4)
    coarse = rise.argmax(1) - float(centre)
    if strong.sum() < 8:
        return np.full(len(px), np.nan)
    zero = np.zeros(int(strong.sum()), np.int64)
    a, b, _ = robust_line(t[strong], coarse[strong], np.ones(int(strong.sum())), zero, 1, 0.7)
    near = strong & (np.abs(coarse - a[0] - b[0] * (t - 0.5)) < 3.0)
    place, blur = coarse.copy(), 1.5
    u = np.linspace(-1.0, 1.0, 17)
    for _ in range(4):
        at = px + place[:, None] * toward
        span = 3.5 * blur + 1.5
        fit = fit_steps(
            cross_lines(grey, at - span * toward, at + span * toward, 17), span * u, 0 * place, 0 * place + blur
        )
        noise = np.sqrt(fit.rss / np.maximum(fit.dof, 1.0))
        near &= fit.contrast > 4 * noise * np.sqrt(fit.contrast_var)
        place = place + np.where(near, np.clip(fit.shift, -blur, blur), 0.0)
        if near.any():
            blur = float(np.clip(blur * (1 + np.clip(np.median(fit.blur_change[near]), -0.4, 0.6)), 0.5, 12.0))
    return np.where(near & (np.abs(fit.shift) < 0.5 * blur), place, np.nan)


def laid_on_sides(plane: PlaneMap, sides: SheetSides, slack_mm: float = 0.15) -> PlaneMap:
    """The map whose homography lays the measured sides on the planned ones as well as one can, robustly (Huber).

    A homography step is written in the sheet's frame; perspective is held by a weak prior where few sides leave it
    open."""
    angle = np.deg2rad(sides.normal_deg[sides.seen])
    normal = np.stack([np.cos(angle), np.sin(angle)], 1)
    along = np.stack([-normal[:, 1], normal[:, 0]], 1)
    size = float(np.mean(sides.planned_mm))
    points, shifts, normals = [], [], []
    for s in (-0.7, 0.7):
        reach = s * sides.half_mm[sides.seen]
        points.append(sides.planned_mm[sides.seen, None] * normal + reach[:, None] * along)
        shifts.append(sides.offset_error_mm[sides.seen] - np.deg2rad(sides.angle_error_deg[sides.seen]) * reach)
        normals.append(normal)
    design = warp_design(np.concatenate(points), np.concatenate(normals), size)
    value = np.concatenate(shifts)
    weight = np.ones(len(value))
    for _ in range(20):
        wd = design * weight[:, None]
        coef = np.linalg.solve(wd.T @ design + np.diag([1e-9] * 6 + [1e-4] * 2), wd.T @ value)
        weight = 1.0 / np.maximum(1.0, np.abs(value - design @ coef) / slack_mm)
    return warped(plane, coef, size)


def carrying_design(sides: SheetSides, reach: float) -> Array:
    """(2K, 8) effect of a homography on the seen sides' places at -reach and +reach of their half lengths."""
    angle = np.deg2rad(sides.normal_deg[sides.seen])
    normal = np.stack([np.cos(angle), np.sin(angle)], 1)
    along = np.stack([-normal[:, 1], normal[:, 0]], 1)
    ends = [
        sides.planned_mm[sides.seen, None] * normal + sign * reach * sides.half_mm[sides.seen, None] * along
        for sign in (-1.0, 1.0)
    ]
    size = float(np.mean(sides.planned_mm))
    return warp_design(np.concatenate(ends), np.concatenate([normal, normal]), size)


def in_reference(
    photo: Photo, place: SheetPlace, outline_mm: Array, reference: Reference
) -> tuple[PlaneMap, SheetSides]:
    """The sheet's map with the reference's plane and lens, its frame laid on the sheet by a similarity, and the sides
    measured in it, true mm. Raises PhotoTooPoor when sides are not seen."""
    seen = reference.map.to_mm(place.map.to_px(outline_mm))
    a, b = outline_mm @ [1.0, 1.0j], seen @ [1.0, 1.0j]
    turn = np.vdot(a - a.mean(), b - b.mean())
    turn, centre = turn / abs(turn), b.mean()
    shift = centre - turn * a.mean()
    step = np.array([[turn.real, -turn.imag, shift.real], [turn.imag, turn.real, shift.imag], [0, 0, 1.0]])
    matrix = reference.map.homography @ step
    plane = PlaneMap(matrix / matrix[2, 2], reference.map.k1, reference.map.centre_px, reference.map.focal_px)
    # The cut sheet may differ from the planned size by more than an edge is looked for: meet it half-way first.
    grown = outline_mm * float(np.mean(np.abs(b - centre)) / np.mean(np.abs(a - a.mean())))
    sides = remeasured_sides(photo, plane, grown, REFERENCE_REACH_PX)
    normal = np.stack([np.cos(np.deg2rad(sides.normal_deg)), np.sin(np.deg2rad(sides.normal_deg))], 1)
    planned = np.sum(normal * outline_mm, 1)
    error = sides.offset_error_mm + sides.planned_mm - planned
    return plane, replace(sides, planned_mm=planned, offset_error_mm=error)

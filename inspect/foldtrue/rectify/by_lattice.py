"""Find the piece through its lattice alone: tilt from edge directions, scale from edge spacing, place by correlation.

All fold edges run at multiples of 30 degrees through lattice points (lattice theorem, docs/plan-file.md), so (1) the
plane's tilt is the one that makes the edges' directions agree modulo 30 degrees; (2) in that plane the edges' offsets
along the three normals repeat with the row height: their spectrum matches the plan's at one scale; (3) what is left is
a turn and a shift.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array, apply_homography, homography_jacobian
from foldtrue.handover import Nominal
from foldtrue.rectify.look import Small
from foldtrue.stretches import stretch_ends


@dataclass(frozen=True)
class EdgePoints:
    """Strong edge pixels: xy (N, 2) small px, tangent (N, 2) unit, weight (N,)."""

    xy: Array
    tangent: Array
    weight: Array


def edge_points(small: Small, most: int = 9000) -> EdgePoints:
    """Gradient maxima of the small photo, strongest first."""
    import cv2

    smooth = cv2.GaussianBlur(small.log, (0, 0), 1.2)
    gx, gy = cv2.Scharr(smooth, cv2.CV_32F, 1, 0), cv2.Scharr(smooth, cv2.CV_32F, 0, 1)
    size = np.hypot(gx, gy)
    h, w = size.shape
    yy, xx = np.mgrid[2 : h - 2, 2 : w - 2]
    nx, ny = gx[2:-2, 2:-2] / (size[2:-2, 2:-2] + 1e-9), gy[2:-2, 2:-2] / (size[2:-2, 2:-2] + 1e-9)
    dx, dy = np.rint(nx).astype(int), np.rint(ny).astype(int)
    inner = size[2:-2, 2:-2]
    peak = (inner >= size[yy + dy, xx + dx]) & (inner > size[yy - dy, xx - dx])
    y, x = np.nonzero(peak)
    strength = inner[y, x]
    if len(strength) > most:
        keep = np.argpartition(-strength, most)[:most]
        y, x, strength = y[keep], x[keep], strength[keep]
    tangent = np.stack([-ny[y, x], nx[y, x]], 1).astype(float)
    # The square root keeps the strong rim from drowning the many weaker folds.
    return EdgePoints(np.stack([x, y], 1) + 2.0, tangent, np.sqrt(strength).astype(float))


def _level(tilt: Array, focal: float, centre: Array) -> Array:
    """Homography small px -> a plane seen straight on (px-like units, y up), for plane slopes tilt (2,) = tan of the
    tilt."""
    from_px = np.array([[1 / focal, 0, -centre[0] / focal], [0, -1 / focal, centre[1] / focal], [0, 0, 1.0]])
    normal = np.array([tilt[0], tilt[1], 1.0])
    normal = normal / np.linalg.norm(normal)
    axis: Array = np.cross(normal, np.array([0, 0, 1.0]))
    s, c = float(np.hypot(axis[0], axis[1])), float(normal[2])
    k: Array = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]], float)
    turn: Array = np.eye(3) + k + (k @ k) * ((1 - c) / s**2 if s > 1e-9 else 0.0)
    scale: Array = np.array([[focal, 0, 0], [0, focal, 0], [0, 0, 1.0]])
    return np.asarray(scale @ turn @ from_px)


def _directions(points: EdgePoints, matrix: Array) -> Array:
    v = np.einsum("nij,nj->ni", homography_jacobian(matrix, points.xy), points.tangent)
    return np.asarray(np.arctan2(v[:, 1], v[:, 0]))


def level_plane(points: EdgePoints, shape: tuple[int, int], focal_guess: float | None) -> tuple[Array, float, float]:
    """Most likely levelling homography (small px -> level plane), base direction (rad, modulo 30 deg) and sharpness
    0..1 of the edge directions in it."""
    from scipy.optimize import minimize

    h, w = shape
    centre = np.array([(w - 1) / 2, (h - 1) / 2])
    diagonal = float(np.hypot(h, w))
    total = points.weight.sum()

    def phasor(tilt: Array, focal: float) -> complex:
        return complex(np.sum(points.weight * np.exp(12j * _directions(points, _level(tilt, focal, centre)))) / total)

    focals = [focal_guess] if focal_guess else [0.75 * diagonal, 1.3 * diagonal]
    starts = [np.zeros(2)] + [
        np.tan(np.deg2rad(t)) * np.array([np.cos(a), np.sin(a)])
        for t in (11, 21)
        for a in np.arange(0, 2 * np.pi, np.pi / 4)
    ]
    best = max(((abs(phasor(s, f)), i, j) for i, s in enumerate(starts) for j, f in enumerate(focals)))
    start, focal = starts[best[1]], focals[best[2]]
    found = minimize(
        lambda p: -abs(phasor(p[:2], focal * np.exp(p[2]))) + 0.02 * p[2] ** 2,
        [*start, 0.0],
        method="Nelder-Mead",
        options={
            "initial_simplex": np.array(
                [[*start, 0.0], [start[0] + 0.07, start[1], 0], [start[0], start[1] + 0.07, 0], [*start, 0.25]]
            ),
            "maxfev": 120,
            "xatol": 1e-4,
            "fatol": 1e-5,
        },
    )
    focal *= float(np.exp(found.x[2]))
    value = phasor(found.x[:2], focal)
    return _level(found.x[:2], focal, centre), float(np.angle(value) / 12), abs(value)


def _spectra(xy: Array, direction: Array, weight: Array, base: float, frequencies: Array) -> Array:
    """Power (2, F) of the edges' offsets along their normals: [0] edges at base + k 60 deg, [1] at base + 30 + k 60
    deg."""
    out = np.zeros((2, len(frequencies)))
    for family in (0, 1):
        for k in range(3):
            angle = base + np.deg2rad(30 * family + 60 * k)
            near = np.abs(np.angle(np.exp(2j * (direction - angle)))) < np.deg2rad(14)
            if near.sum() < 12:
                continue
            c = xy[near] @ np.array([-np.sin(angle), np.cos(angle)])
            w = weight[near]
            wave = np.exp(2j * np.pi * np.outer(frequencies, c - c.mean())) @ w
            out[family] += np.maximum(np.abs(wave) ** 2 - np.sum(w * w), 0.0) / np.sum(w * w)
    return out


def plan_edge_points(nominal: Nominal, view: str, step_mm: float) -> tuple[Array, Array]:
    """Points (N, 2) mm and directions (N,) rad along the plan's edges that show: against the light those with a step
    across them, else all."""
    s = nominal.views[view]
    use = ((s.layers_left != s.layers_right) | (view != "backlit")) & (s.t1 > s.t0)
    a, b = (ends[use] for ends in stretch_ends(nominal, view))
    d = b - a
    count = np.maximum(1, np.ceil(np.hypot(*(b - a).T) / step_mm)).astype(int)
    which = np.repeat(np.arange(len(a)), count)
    running = np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count)
    f = (running + 0.5) / count[which]
    return a[which] + d[which] * f[:, None], np.arctan2(d[which, 1], d[which, 0])


def lattice_candidates(
    small: Small, nominal: Nominal, view: str, focal_guess: float | None, most: int = 4
) -> tuple[list[Array], float]:
    """Homographies plan mm -> small px, right up to a turn by multiples of 60 deg and a shift, and the sharpness of
    the directions."""
    points = edge_points(small)
    if len(points.xy) < 100:
        return [], 0.0
    level, base, sharp = level_plane(points, small.log.shape, focal_guess)
    xy, direction = apply_homography(level, points.xy), _directions(points, level)
    size = float(np.hypot(*small.log.shape))
    grow = 1.006
    n_image = int(np.log(size / 5.0) / np.log(grow))
    image_f = grow ** np.arange(n_image) / size
    image = _spectra(xy, direction, points.weight, base, image_f)
    plan_xy, plan_dir = plan_edge_points(nominal, view, 0.1 * nominal.pitch_mm)
    n_plan = int(np.log(12.0) / np.log(grow))
    plan_f = 0.35 / nominal.row_mm * grow ** np.arange(n_plan)
    plan = _spectra(plan_xy, plan_dir, np.ones(len(plan_xy)), 0.0, plan_f)
    out = []
    for _, swap, lag in _best_lags(image, plan, most):
        scale = plan_f[0] / image_f[0] * grow ** (-lag)  # level px per mm
        turn = base + (np.deg2rad(30) if swap else 0.0)
        c, s = scale * np.cos(turn), scale * np.sin(turn)
        middle = np.average(xy, axis=0, weights=points.weight)
        out.append(np.linalg.inv(level) @ np.array([[c, -s, middle[0]], [s, c, middle[1]], [0, 0, 1.0]]))
    return out, sharp


def _best_lags(image: Array, plan: Array, most: int) -> list[tuple[float, bool, int]]:
    """Shifts of the logarithmic frequency axis at which the image's two spectra look like the plan's, best first; swap
    tells that the families are exchanged (the base direction is 30 deg off)."""
    from scipy.ndimage import gaussian_filter1d

    a, b = (gaussian_filter1d(np.sqrt(power), 2.0, axis=1) for power in (image, plan))
    n = b.shape[1]
    found = []
    for swap in (False, True):
        model = b[::-1] if swap else b
        padded = np.pad(a, ((0, 0), (n, n)))
        windows = np.lib.stride_tricks.sliding_window_view(padded, n, axis=1)
        centred = model - model.mean()
        mean = windows.mean(axis=(0, 2))
        cross = np.einsum("fln,fn->l", windows, centred)
        power = np.einsum("fln,fln->l", windows, windows) - 2 * n * mean**2
        score = cross / np.sqrt(np.maximum(power, 1e-3 * power.max()) * np.sum(centred**2))
        for _ in range(most):
            k = int(score.argmax())
            found.append((float(score[k]), swap, k - n))
            score[max(0, k - 6) : k + 7] = -1
    found.sort(reverse=True)
    return found[:most]

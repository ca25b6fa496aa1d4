"""Find the piece by its outline: the region that differs from the background, fitted by the plan's convex outline."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from foldtrue.frames import Array, apply_homography
from foldtrue.rectify.look import Small


@dataclass(frozen=True)
class OutlineFit:
    """matrix: folded mm -> small px; misfit: RMS distance of the found hull from the plan's, relative to the plan's
    size."""

    matrix: Array
    misfit: float


def outline_candidates(small: Small, outline_mm: Array, mirrored: bool, nested: bool = False) -> list[OutlineFit]:
    """Placements whose convex outline matches a region that differs from the background, best first, distinct turns of
    an outline that looks alike turned (a hexagon) included.

    nested: look for such regions inside the first region too, for a piece that lies on a sheet of paper.
    """
    plan_hull = convex_hull(outline_mm * ([-1.0, 1.0] if mirrored else [1.0, 1.0]))
    regions = _regions(_difference(small.rgb, _frame(small.log.shape)))
    if nested and regions:
        # Of the thresholds' outlines the middle one: a shadow widens the first, and tone breaks up the last.
        regions = regions + _regions_within(small.rgb, regions[len(regions) // 2])
    found: list[OutlineFit] = []
    for region in regions:
        fits = _fit_hull(region, plan_hull)
        found += [f for f in fits if f.misfit < 0.04]
    flip = np.diag([-1.0, 1.0, 1.0]) if mirrored else np.eye(3)
    found.sort(key=lambda f: f.misfit)
    return [OutlineFit(f.matrix @ flip, f.misfit) for f in found]


def convex_hull(points: Array) -> Array:
    """Convex hull (K, 2), counter-clockwise in the points' own axes."""
    from scipy.spatial import ConvexHull

    return np.asarray(points[ConvexHull(points).vertices])


def _difference(rgb: NDArray[np.float32], border: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Colour distance (h, w) of every pixel from a smooth background fitted to the pixels of `border`."""
    h, w = rgb.shape[:2]
    yy, xx = np.mgrid[0:h, 0:w].astype(np.float32)
    u, v = xx / w - 0.5, yy / h - 0.5
    terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], 2)
    design, values = terms[border].astype(float), rgb[border].astype(float)
    weight = np.ones(len(design))
    coef = np.zeros((6, 3))
    for _ in range(4):
        wd = design * weight[:, None]
        coef = np.linalg.solve(wd.T @ design + 1e-6 * np.eye(6), wd.T @ values)
        off = np.abs(values - design @ coef).sum(1)
        weight = 1.0 / np.maximum(1.0, off / (2.0 * np.median(off) + 0.01)) ** 2
    return np.asarray(np.abs(rgb - terms @ coef.astype(np.float32)).sum(2), np.float32)


def _frame(shape: tuple[int, int]) -> NDArray[np.bool_]:
    """The band along the picture's edge."""
    band = max(3, min(shape) // 40)
    border = np.ones(shape, bool)
    border[band:-band, band:-band] = False
    return border


def _regions(difference: NDArray[np.float32], least: float = 0.004) -> list[Array]:
    """Convex hulls (K, 2) px of the largest region at several thresholds, those cut by the picture's edge left out;
    least: its share of the picture."""
    import cv2
    from skimage.filters import threshold_otsu

    h, w = difference.shape
    middle = float(threshold_otsu(difference))  # type: ignore[no-untyped-call]
    out: list[Array] = []
    for level in (0.3, 0.5, 0.75, 1.0, 1.3):
        raw = (difference > max(middle * level, 0.02)).astype(np.uint8)
        mask = cv2.morphologyEx(raw, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
        count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
        if count < 2:
            continue
        best = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
        x, y, bw, bh, area = stats[best]
        if area < least * h * w or x <= 0 or y <= 0 or x + bw >= w or y + bh >= h:
            continue
        region = (labels[y : y + bh, x : x + bw] == best).astype(np.uint8)
        contours, _ = cv2.findContours(region, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        points = max(contours, key=len)[:, 0, :].astype(float) + np.array([x, y])
        out.append(cv2.convexHull(points.astype(np.float32))[:, 0, :].astype(float))
    return out


def _regions_within(rgb: NDArray[np.float32], outer: Array) -> list[Array]:
    """Hulls (K, 2) px of regions that differ from the edge of a larger one: a piece on a sheet of paper."""
    import cv2

    edge = np.rint(outer).astype(np.int32)
    (x0, y0), (x1, y1) = edge.min(0), edge.max(0) + 1
    inside = np.zeros((y1 - y0, x1 - x0), np.uint8)
    cv2.fillConvexPoly(inside, edge - [x0, y0], 1)
    margin = max(2, min(inside.shape) // 50)
    inside = cv2.erode(inside, np.ones((2 * margin + 1, 2 * margin + 1), np.uint8), borderValue=0)
    deep = cv2.erode(inside, np.ones((4 * margin + 1, 4 * margin + 1), np.uint8), borderValue=0)
    if not deep.any():
        return []
    difference = _difference(rgb[y0:y1, x0:x1], (inside > 0) & (deep == 0))
    difference[inside == 0] = 0.0
    return [hull + np.array([x0, y0], float) for hull in _regions(difference, 0.01)]


def _along(polygon: Array, count: int) -> Array:
    """count points spread evenly along a closed polygon."""
    closed = np.concatenate([polygon, polygon[:1]])
    s = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    at = np.linspace(0, s[-1], count, endpoint=False)
    return np.stack([np.interp(at, s, closed[:, k]) for k in (0, 1)], 1)


def _whiten(polygon: Array) -> tuple[Array, Array]:
    """Centre (2,) and matrix (2, 2) that bring a convex polygon's area moments to unit covariance."""
    a, b = polygon, np.roll(polygon, -1, 0)
    cross = a[:, 0] * b[:, 1] - b[:, 0] * a[:, 1]
    area = cross.sum() / 2
    centre = ((a + b) * cross[:, None]).sum(0) / (6 * area)
    a, b = a - centre, b - centre
    cross = a[:, 0] * b[:, 1] - b[:, 0] * a[:, 1]
    second = np.einsum("n,ni,nj->ij", cross, a, a) + np.einsum("n,ni,nj->ij", cross, b, b)
    mixed = np.einsum("n,ni,nj->ij", cross, a, b)
    cov = (2 * second + mixed + mixed.T) / 24 / area
    return centre, np.linalg.inv(np.linalg.cholesky(cov))


def _signature(points: Array, count: int = 120) -> Array:
    """Distance of a star-shaped closed curve from the origin at even angles."""
    angle = np.arctan2(points[:, 1], points[:, 0])
    order = np.argsort(angle)
    at = np.linspace(-np.pi, np.pi, count, endpoint=False)
    return np.interp(at, angle[order], np.hypot(*points[order].T), period=2 * np.pi)


def _fit_hull(hull_px: Array, plan_hull: Array) -> list[OutlineFit]:
    """Affine start from area moments, every turn whose signature fits, then a homography by closest points."""
    up = convex_hull(hull_px * [1.0, -1.0])
    c_px, w_px = _whiten(up)
    c_mm, w_mm = _whiten(plan_hull)
    a, b = _along((up - c_px) @ w_px.T, 360), _along((plan_hull - c_mm) @ w_mm.T, 360)
    sig_px, sig_mm = _signature(a), _signature(b)
    n = len(sig_px)
    misfit = np.array([np.sqrt(np.mean((sig_px - np.roll(sig_mm, k)) ** 2)) for k in range(n)])
    peaks = [
        k for k in range(n) if misfit[k] <= min(misfit[k - 1], misfit[(k + 1) % n]) and misfit[k] < misfit.min() + 0.03
    ]
    out = []
    for k in peaks:
        turn = 2 * np.pi * k / n
        rot = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        linear = np.linalg.inv(w_px) @ rot @ w_mm
        matrix = np.eye(3)
        matrix[:2, :2], matrix[:2, 2] = linear, c_px - linear @ c_mm
        fit = _closest_points(_along(up, 240), plan_hull, matrix)
        out.append(OutlineFit(np.diag([1.0, -1.0, 1.0]) @ fit.matrix, fit.misfit))
    return out


def _closest_points(points: Array, hull: Array, matrix: Array, rounds: int = 12) -> OutlineFit:
    """Homography that lays image points on the hull's sides: Gauss-Newton on point-to-side distances in mm, Huber
    weights."""
    size = float(np.sqrt(np.ptp(hull[:, 0]) * np.ptp(hull[:, 1])))
    sides = np.roll(hull, -1, 0) - hull
    normals = np.stack([sides[:, 1], -sides[:, 0]], 1) / np.hypot(*sides.T)[:, None]
    back = np.linalg.inv(matrix)
    distance = np.zeros(len(points))
    for _ in range(rounds):
        mm = apply_homography(back, points)
        depth = np.einsum("nkj,kj->nk", mm[:, None] - hull[None], normals)
        side = depth.argmax(1)
        distance = depth[np.arange(len(mm)), side]
        n = normals[side]
        x, y = (mm / size).T
        design = np.stack(
            [
                n[:, 0],
                n[:, 1],
                n[:, 0] * x,
                n[:, 0] * y,
                n[:, 1] * x,
                n[:, 1] * y,
                (n[:, 0] * x + n[:, 1] * y) * x,
                (n[:, 0] * x + n[:, 1] * y) * y,
            ],
            1,
        )
        w = 1.0 / np.maximum(1.0, np.abs(distance) / (2 * np.median(np.abs(distance)) + 1e-6 * size))
        wd = design * w[:, None]
        c = np.linalg.solve(wd.T @ design + 1e-6 * len(points) * np.diag([0, 0, 1, 1, 1, 1, 10, 10.0]), wd.T @ distance)
        step = np.array(
            [
                [1 - c[2] / size, -c[3] / size, -c[0]],
                [-c[4] / size, 1 - c[5] / size, -c[1]],
                [c[6] / size**2, c[7] / size**2, 1.0],
            ]
        )
        back = step @ back
    return OutlineFit(np.linalg.inv(back), float(np.sqrt(np.mean(distance**2))) / size)

"""Photographs of a printed triangular grid through the package's own edge, line and network code.

    FOLDTRUE_PHOTOS=FOLDER .venv/bin/python tests/accuracy/trigrid.py [--doc]

FOLDER/real/trigrid holds photographs of a grid of dark triangles, 20 mm a side, through a strongly distorting lens
(public Deltille data set: Ha et al., ICCV 2017, CC BY 4.0). There is no truth; the noise of a vertex is what is left of
the found vertices after a smooth map, a polynomial of degree 6 in the lattice index, per axis: sqrt(RSS / (2 (N - p))).
Finding the grid's vertices roughly, to a few pixels, and a map smooth enough for this lens are this script's own
affair; the edges are found, measured and joined to vertices by the package.
"""

from __future__ import annotations

import argparse
import os
import sys
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from tables import put, table

from foldtrue.detect.edges import DetectOptions, Light, find_features, remeasure_features
from foldtrue.detect.scan import find_targets, split_at_crossings
from foldtrue.fit.lines import edge_lines
from foldtrue.fit.network import solve_network
from foldtrue.fit.weak import Weak
from foldtrue.frames import PlaneMap
from foldtrue.handover import Creases, Nominal, Plane, Stretches
from foldtrue.photo import read_photo
from foldtrue.subpixel import linear_grey

PITCH_MM = 20.0
HEAD = (
    "photo", "vertices inside, of 110", "degree 5, px", "degree 6", "degree 7", "degree 6, the rim's vertices too",
    "cornerSubPix, degree 6, inside",
)  # fmt: skip
STEPS = [(1, 0), (0, 1), (-1, 1), (-1, 0), (0, -1), (1, -1)]


def seeds(grey):
    """Rough vertices (N, 2) px, strongest first: where the light changes six times around a point."""
    smooth = cv2.GaussianBlur(grey, (0, 0), 1.5)
    total = np.zeros(grey.shape, complex)
    for radius in (8, 11, 14):
        for k in range(24):
            angle = 2 * np.pi * k / 24
            shift = np.float32([[1, 0, -radius * np.cos(angle)], [0, 1, -radius * np.sin(angle)]])
            moved = cv2.warpAffine(smooth, shift, grey.shape[::-1], borderMode=cv2.BORDER_REPLICATE)
            total += moved * np.exp(-3j * angle)
    strength = np.abs(total)
    peak = (strength == cv2.dilate(strength, np.ones((21, 21)))) & (strength > 0.35 * strength.max())
    y, x = np.nonzero(peak)
    order = np.argsort(-strength[y, x])
    return np.stack([x, y], 1)[order].astype(float)


def index_lattice(points):
    """Lattice index (i, j) of the seeds that grow from the middle one by neighbourly steps: {(i, j): point number}."""
    start = int(np.hypot(*(points - np.median(points[:60], 0)).T)[:60].argmin())
    away = points - points[start]
    near = np.argsort(np.hypot(*away.T))[1:7]
    first = away[near[np.argmax(away[near, 0])]]
    second = away[near[np.argmin(np.hypot(*(away[near] - _turned(first, -60)).T))]]
    basis = {(0, 0): np.stack([first, second], 1)}
    found = {(0, 0): start}
    queue = [(0, 0)]
    while queue:
        i, j = queue.pop(0)
        for di, dj in STEPS:
            key = (i + di, j + dj)
            if key in found:
                continue
            wanted = points[found[i, j]] + basis[i, j] @ [di, dj]
            gap = np.hypot(*(points - wanted).T)
            k = int(gap.argmin())
            size = np.hypot(*basis[i, j][:, 0])
            if gap[k] < 0.35 * size and k not in found.values():
                found[key] = k
                step = points[k] - points[found[i, j]]
                b = basis[i, j].copy()
                b += 0.5 * np.outer(step - b @ [di, dj], [di, dj]) / (di * di + dj * dj)
                basis[key] = b
                queue.append(key)
    return found


def with_rim(found, points):
    """Index (N, 2) and px (N, 2) of the seeds and of their missing neighbours, whose places follow from three vertices
    in a row: the tips of the outermost triangles, where the light changes only twice, are no seeds."""
    places = {key: points[k] for key, k in found.items()}
    guesses: dict[tuple[int, int], list[np.ndarray]] = {}
    for i, j in places:
        for di, dj in STEPS:
            row = [places.get((i - n * di, j - n * dj)) for n in (0, 1, 2)]
            if (i + di, j + dj) not in places and all(p is not None for p in row):
                guesses.setdefault((i + di, j + dj), []).append(3 * row[0] - 3 * row[1] + row[2])
    places |= {key: np.mean(values, axis=0) for key, values in guesses.items()}
    return list(places), np.array(list(places.values()))


def _turned(v, angle_deg):
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    return np.array([c * v[0] - s * v[1], s * v[0] + c * v[1]])


def place_mm(index):
    """Folded-frame places (N, 2) of lattice indices, y up."""
    i, j = np.array(index, float).T
    return np.stack([PITCH_MM * (i + 0.5 * j), PITCH_MM * np.sqrt(0.75) * j], 1)


@dataclass(frozen=True)
class SmoothMap(PlaneMap):
    """mm -> px as a polynomial in place: this lens bends more than a homography and one radial term can follow.

    Takes the place of the package's map: homography carries only shifts of the photo's corner. terms: (K, 2) powers of
    x and y; coef: (K, 2) px; scale_mm: brings places to about -1..1.
    """

    terms: np.ndarray
    coef: np.ndarray
    scale_mm: float

    def to_px(self, xy_mm):
        return powers(xy_mm / self.scale_mm, self.terms) @ self.coef + self.homography[:2, 2]

    def jacobian(self, xy_mm):
        x = xy_mm / self.scale_mm
        out = []
        for axis in (0, 1):
            less = self.terms.copy()
            less[:, axis] = np.maximum(less[:, axis] - 1, 0)
            out.append((powers(x, less) * self.terms[:, axis]) @ self.coef / self.scale_mm)
        return np.stack(out, 2)


def powers(xy, terms):
    return xy[:, :1] ** terms[:, 0] * xy[:, 1:] ** terms[:, 1]


def smooth_map(mm, px, degree=6):
    """The polynomial of this degree that fits the vertices best, outliers (Tukey) left out."""
    terms = np.array([(a, b) for a in range(degree + 1) for b in range(degree + 1 - a)])
    scale = float(np.abs(mm).max())
    design = powers(mm / scale, terms)
    weight = np.ones(len(mm))
    for _ in range(6):
        coef = np.linalg.lstsq(design * weight[:, None], px * weight[:, None], rcond=None)[0]
        away = np.hypot(*(px - design @ coef).T)
        z = away / (6.0 * np.median(away) + 1e-3)
        weight = np.where(z < 1, 1 - z * z, 0.0)
    return SmoothMap(np.eye(3), 0.0, np.zeros(2), 1.0, terms, coef, scale)


def tiling(index, px, grey):
    """A plan's stand-in: the lattice's vertices and the sides of its dark triangles, dark = 3 layers, light = 1."""
    number = {key: k for k, key in enumerate(index)}
    mm = place_mm(index)
    level = {}
    for i, j in number:
        for corners in (((0, 0), (1, 0), (0, 1)), ((0, 0), (0, 1), (-1, 1))):
            keys = [(i + a, j + b) for a, b in corners]
            if all(key in number for key in keys):
                x, y = np.rint(px[[number[key] for key in keys]].mean(0)).astype(int)
                if 0 <= x < grey.shape[1] and 0 <= y < grey.shape[0]:
                    level[tuple(keys)] = float(grey[y, x])
    middle = 0.5 * (np.percentile(list(level.values()), 10) + np.percentile(list(level.values()), 90))
    ends = []
    for keys, value in level.items():
        if value < middle:  # counter-clockwise in mm, so the dark side lies left of each side
            ends += [(number[a], number[b]) for a, b in zip(keys, keys[1:] + keys[:1], strict=True)]
    ends = np.array(ends)
    count = len(ends)
    ones = np.ones(count, np.int64)
    stretches = Stretches(
        np.arange(count), np.zeros(count), np.ones(count), 3 * ones, ones, 0 * ones, ones, np.full(count, np.inf)
    )
    creases = Creases(tuple(map(str, range(count))), ends, np.full(count, "V"), np.full((count, 2), -1))
    return Nominal(
        "grid", "printed grid", PITCH_MM, PITCH_MM * np.sqrt(0.75), mm[:3], mm, mm, (), creases, (), mm,
        np.zeros((0, 2), np.int64), (), {"backlit": stretches}, {"backlit": (0.0,)},
    )  # fmt: skip


def vertices_px(photo, looks=3):
    """Index (N, 2), px (N, 2) and number of edges seen at each of the grid's vertices, by detection and network."""
    # A camera for measuring, not a phone: its codes are taken as light.
    grey = linear_grey(photo.pixels, np.linspace(0, 1, 256, dtype=np.float32))
    points = seeds(grey)
    index, px = with_rim(index_lattice(points), points)
    mm = place_mm(index)
    nominal = tiling(index, px, grey)
    light = Light(grey, np.zeros(2), 0.97, split_at_crossings(find_targets(nominal, "backlit"), nominal, "backlit"))
    edges = np.full(len(mm), 6)
    for _ in range(looks):
        plane = Plane(
            smooth_map(mm[edges >= 3], px[edges >= 3]), "backlit", "front", 0.0, "none", (), "given", 1.0, 0.0
        )
        features = find_features(light, plane, nominal, DetectOptions())
        for last in (False, True):
            lines = edge_lines(features, nominal, "backlit", np.zeros(len(features.t)))
            network = solve_network(lines, nominal, Weak(place_mm=0.2 * PITCH_MM, shift_mm=0.05, kind_shift_mm=0.05))
            vertices = nominal.vertices_mm + network.displacement_mm
            if not last:
                features = remeasure_features(light, plane, nominal, features, vertices)
        px = plane.map.to_px(vertices)
        edges = np.bincount(nominal.creases.ends[lines.crease].ravel(), minlength=len(index))
    return np.array(index), px, edges


def corner_px(photo, px):
    """The same vertices by OpenCV's gradient corner finder, window 10, for comparison."""
    grey = cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY)
    start = np.ascontiguousarray(px, np.float32).reshape(-1, 1, 2)
    return cv2.cornerSubPix(grey, start, (10, 10), (-1, -1), (3, 100, 1e-4))[:, 0].astype(float)


def smooth_noise_px(index, px, degree=6):
    """sqrt(RSS / (2 (N - p))) after a polynomial of this degree in the lattice index, both axes."""
    i, j = (index - index.mean(0)).T / np.abs(index - index.mean(0)).max()
    design = np.stack([i**a * j**b for a in range(degree + 1) for b in range(degree + 1 - a)], 1)
    rest = px - design @ np.linalg.lstsq(design, px, rcond=None)[0]
    return float(np.sqrt(np.sum(rest**2) / (2 * (len(px) - design.shape[1]))))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--doc", action="store_true", help="renew the table in docs/accuracy.md")
    options = parser.parse_args()
    root = os.environ.get("FOLDTRUE_PHOTOS")
    if not root:
        print("FOLDTRUE_PHOTOS is not set: nothing to measure.")
        return 0
    rows = []
    for path in sorted((Path(root) / "real" / "trigrid").glob("*.png")):
        photo = read_photo(path)
        index, px, edges = vertices_px(photo)
        inside, rim = edges >= 6, edges >= 3
        own = [smooth_noise_px(index[inside], px[inside], degree) for degree in (5, 6, 7)]
        rimmed = smooth_noise_px(index[rim], px[rim])
        other = smooth_noise_px(index[inside], corner_px(photo, px)[inside])
        rows.append((path.stem, int(inside.sum()), *own, rimmed, other))
        print(*rows[-1], file=sys.stderr, flush=True)
    rows.append(("median", int(np.median([r[1] for r in rows])), *np.median([r[2:] for r in rows], axis=0).tolist()))
    lines = table(HEAD, rows)
    print("\n".join(lines))
    if options.doc:
        put("grids", lines)
    return 0


if __name__ == "__main__":
    sys.exit(main())

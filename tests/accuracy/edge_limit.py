"""How near the place of a straight edge comes to the Cramer-Rao limit, from the photo's pixels to the fitted line.

    .venv/bin/python tests/accuracy/edge_limit.py [--doc] [--edges 150]

Straight edges at any angle and any place between pixels, each pixel the mean light over its own square, with white
normal noise, drawn by this script alone; found and measured as edges of a piece against the light are: search, step
fits, straight line, and the same again from there. The edge model is I = B + C Phi(d / blur), blur with the pixel's own
1/12 in it. The limit of a line over L rows, B and C known, with v = 2 sqrt(pi) blur (noise / C)^2 px^2: offset at its
middle sqrt(v / L), angle sqrt(12 v / (L (L^2 - 1))) rad (Fisher information of the model; numbers for one row in
tests/test_subpixel.py). Whoever does not know B must pay for it: see `unknown_level`.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass

import numpy as np
from edge_plot import draw_picture
from scipy.special import ndtr
from tables import put, table

from foldtrue.detect.edges import AGAIN, FIRST, Light, find_features, remeasure_features
from foldtrue.detect.refine import LONG_REACH
from foldtrue.detect.scan import find_targets, split_at_crossings
from foldtrue.fit.lines import edge_lines
from foldtrue.frames import PlaneMap
from foldtrue.handover import Creases, Nominal, Plane, Stretches
from foldtrue.subpixel import cramer_rao_place_px

PITCH_PX = 40.0
"""One px of the picture is one mm of the plan; the pitch sets how far around the plan is searched."""
LEVEL, STEP = 0.3, 0.4
BLURS = (0.5, 0.7, 1.0, 1.5, 2.0, 3.0)
RATIOS = (10.0, 30.0, 100.0)
LENGTHS = (30, 100, 300)
TARGET = 1.5
HEAD = (
    "blur px", "contrast / noise", "length px", "limit, offset px", "RMS / limit", "bias / limit", "limit, angle deg",
    "RMS / limit", "level unknown", "chi² offset", "chi² angle", "not found",
)  # fmt: skip


@dataclass(frozen=True)
class Case:
    """Edges alike but for place and angle. blur: px, the pixel's own in it. ratio: contrast / noise. length: px of
    every edge that are clear of its ends by what the package keeps clear, 1.5 blurs."""

    blur: float
    ratio: float
    length: int

    @property
    def margin_px(self) -> float:
        return 1.5 * sampled_blur(self.blur)

    def limits(self) -> tuple[float, float]:
        """Least standard deviation of the offset (px) and of the angle (deg), base and contrast known."""
        row = cramer_rao_place_px(self.blur, 1.0, self.ratio)
        lever = 12 / (self.length * (self.length**2 - 1))
        return row / np.sqrt(self.length), float(np.degrees(row * np.sqrt(lever)))


@dataclass(frozen=True)
class Outcome:
    """Errors (N,) over the limits and over what was claimed, of offset and angle; lost: edges not found."""

    offset: np.ndarray
    angle: np.ndarray
    offset_claimed: np.ndarray
    angle_claimed: np.ndarray
    lost: int


def sampled_blur(blur):
    """Blur of the profiles that the package reads between pixels: linear interpolation at even phases adds 1/6."""
    return np.sqrt(blur**2 + 1 / 6)


def unknown_level(blur):
    """By how much the limit of a row rises when base and contrast are not known, in the longest window that the package
    fits over: Fisher information with the two taken out."""
    half = np.ceil(LONG_REACH[0] * sampled_blur(blur) + LONG_REACH[1])
    u = np.arange(-half, half + 1)
    bell = np.exp(-0.5 * (u / blur) ** 2)
    basis = np.linalg.qr(np.stack([np.ones_like(u), ndtr(u / blur)], 1))[0]
    return float(np.sqrt(bell @ bell / (bell @ bell - np.sum((basis.T @ bell) ** 2))))


def drawn_edge(size, point, direction, blur):
    """(size, size): light 0..1 of an ideal edge through point (x, y) along direction, brighter on its left as y runs
    down. Each pixel is the mean over its square, by Gauss-Legendre points (error below 1e-6)."""
    node, weight = np.polynomial.legendre.leggauss(4)
    normal = np.array([direction[1], -direction[0]])
    y, x = np.mgrid[:size, :size]
    distance = (x - point[0]) * normal[0] + (y - point[1]) * normal[1]
    optics = np.sqrt(blur**2 - 1 / 12)
    out = np.where(distance > 0, 1.0, 0.0)
    near = np.abs(distance) < 7 * optics + 1
    fine = (node[:, None] * normal[0] + node[None, :] * normal[1]).ravel() / 2
    out[near] = ndtr((distance[near][:, None] + fine) / optics) @ (np.outer(weight, weight).ravel() / 4)
    return out


def scene(case, count, rng):
    """A picture of many edges, each in a square of its own: light (H, W), planned ends (N, 2, 2) px, true offset (N,)
    px along the left normal and angle (N,) rad against the plan."""
    whole = case.length + 2 * case.margin_px
    size = int(np.ceil(whole + 2 * (4 * case.blur + 12)))
    columns = int(np.ceil(np.sqrt(count)))
    rows = -(-count // columns)
    light = np.zeros((rows * size, columns * size), np.float32)
    ends, offset, turn = np.empty((count, 2, 2)), rng.uniform(-1.5, 1.5, count), rng.uniform(-0.015, 0.015, count)
    for k in range(count):
        corner = np.array([k % columns, k // columns]) * size
        middle = (size - 1) / 2 + rng.uniform(-0.5, 0.5, 2)
        way = rng.uniform(0, 2 * np.pi)
        along, left = unit(way), unit(way + np.pi / 2)  # in the plan's axes, y up
        ends[k] = corner + middle + down(np.stack([-along, along]) * whole / 2)
        tile = drawn_edge(size, middle + down(left * offset[k]), down(unit(way + turn[k])), case.blur)
        light[corner[1] : corner[1] + size, corner[0] : corner[0] + size] = tile
    return light, ends, offset, turn


def unit(angle):
    return np.array([np.cos(angle), np.sin(angle)])


def down(vector):
    """Plan's axes (y up) -> picture's (y down)."""
    return vector * [1, -1]


def plan_of(ends_px, height):
    """A plan's stand-in of single edges: one layer on the left, two on the right."""
    mm = np.stack([ends_px[..., 0], height - ends_px[..., 1]], -1).reshape(-1, 2)
    count = len(ends_px)
    one, zero = np.ones(count, np.int64), np.zeros(count)
    clear = np.full(count, np.inf)
    stretches = Stretches(np.arange(count), zero, zero + 1, one, 2 * one, 0 * one, one, clear)
    ends = np.arange(2 * count).reshape(-1, 2)
    creases = Creases(tuple(map(str, range(count))), ends, np.full(count, "V"), np.full((count, 2), -1))
    return Nominal(
        "edges", "single edges", PITCH_PX, PITCH_PX, mm[:3], mm, mm, (), creases, (), mm, np.zeros((0, 2), np.int64),
        (), {"backlit": stretches}, {"backlit": (0.0,)},
    )  # fmt: skip


def measured(picture, ends_px):
    """The package's lines: edge (K,), offset at the middle and angle against the plan with their stds, px and rad."""
    height = picture.shape[0]
    nominal = plan_of(ends_px, height)
    flip = PlaneMap(np.array([[1.0, 0, 0], [0, -1, height], [0, 0, 1]]), 0.0, np.zeros(2), 1000.0)
    plane = Plane(flip, "backlit", "front", 0.0, "none", (), "given", 1.0, 0.0)
    targets = split_at_crossings(find_targets(nominal, "backlit"), nominal, "backlit")
    light = Light(picture, np.zeros(2), np.inf, targets)
    features = find_features(light, plane, nominal, FIRST)
    for last in (False, True):
        lines = edge_lines(features, nominal, "backlit", np.zeros(len(features.t)))
        if not last:
            features = remeasure_features(light, plane, nominal, features, moved(nominal, lines), AGAIN)
    length = np.hypot(*(ends_px[:, 1] - ends_px[:, 0]).T)[lines.crease]
    offset = lines.offset_mm + lines.slope_mm * (0.5 - lines.t_mid)
    std = np.hypot(lines.offset_std_mm, lines.slope_std_mm * (0.5 - lines.t_mid))
    return lines.crease, offset, std, np.arctan2(lines.slope_mm, length), lines.slope_std_mm / length


def moved(nominal, lines):
    """The plan's vertices with every edge's two on the line that was fitted to it."""
    out = nominal.vertices_mm.copy()
    for k, t in enumerate((0.0, 1.0)):
        shift = lines.offset_mm + lines.slope_mm * (t - lines.t_mid)
        out[nominal.creases.ends[lines.crease, k]] += lines.normal * shift[:, None]
    return out


def run(case, count=150, seed=1):
    """Draw, measure and compare."""
    rng = np.random.default_rng([seed, int(10 * case.blur), int(case.ratio), case.length])
    light, ends, offset, turn = scene(case, count, rng)
    picture = LEVEL + STEP * light + rng.normal(0, STEP / case.ratio, light.shape).astype(np.float32)
    edge, found, std, angle, angle_std = measured(picture.astype(np.float32), ends)
    limit, angle_limit = case.limits()
    error, angle_error = found - offset[edge], angle - turn[edge]
    lost = count - len(edge)
    return Outcome(error / limit, np.degrees(angle_error) / angle_limit, error / std, angle_error / angle_std, lost)


def rms(values):
    return float(np.sqrt(np.mean(values**2)))


def row(case, outcome):
    limit, angle_limit = case.limits()
    return (
        f"{case.blur:g}", f"{case.ratio:g}", case.length, f"{limit:.4f}", f"{rms(outcome.offset):.2f}",
        f"{outcome.offset.mean():+.2f}", f"{angle_limit:.4f}", f"{rms(outcome.angle):.2f}",
        f"{unknown_level(case.blur):.2f}", f"{np.mean(outcome.offset_claimed**2):.2f}",
        f"{np.mean(outcome.angle_claimed**2):.2f}", outcome.lost,
    )  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--doc", action="store_true", help="renew table and picture in docs/accuracy.md")
    parser.add_argument("--edges", type=int, default=150, help="edges for each condition")
    options = parser.parse_args()
    rows = []
    for case in (Case(b, r, n) for b in BLURS for r in RATIOS for n in LENGTHS):
        outcome = run(case, options.edges)
        rows.append((case, outcome))
        print(*row(case, outcome), file=sys.stderr, flush=True)
    lines = table(HEAD, [row(*r) for r in rows])
    print("\n".join(lines))
    if options.doc:
        put("edges", lines)
        pairs = {(r, b): [] for r in RATIOS for b in BLURS}
        for case, outcome in rows:
            pairs[case.ratio, case.blur].append((rms(outcome.offset), rms(outcome.angle)))
        draw_picture(pairs, {b: unknown_level(b) for b in BLURS}, TARGET)
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""Compare where a photo from above shows edges with where the plan expects them: every turn and shift at once.

From the front or the back brightness says little about a plan; edges do, whether they show as a shadow, a bright ridge
or a change of tone. The photo, seen in the plan's frame, is turned into six maps of edge energy, one for each
direction in steps of 30 degrees (all fold edges run so, lattice theorem, docs/plan-file.md); each is compared with the
plan's edges of that direction by correlation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from foldtrue.frames import Array, rotation
from foldtrue.handover import IntArray, Nominal
from foldtrue.rectify.place import Canvas, Place, find_peaks
from foldtrue.stretches import place_numbers, stretch_ends

DIRECTIONS = 6


@dataclass(frozen=True)
class Edges:
    """Visible edges of a plan in one view, each place once. start_mm, end_mm: (S, 2). direction: (S,) class in steps
    of 30 degrees, 0..5. rim: (S,) the paper ends there."""

    start_mm: Array
    end_mm: Array
    direction: IntArray
    rim: NDArray[np.bool_]


def visible_edges(nominal: Nominal, view: str) -> Edges:
    """The stretches of a front or back view as segments, as the camera sees them (x mirrored for the back); those that
    lie on one another count once."""
    s = nominal.views[view]
    show = np.flatnonzero(s.t1 > s.t0)
    one = show[np.unique(place_numbers(nominal, view)[show], return_index=True)[1]]
    a, b = (ends[one] * [-1.0 if view == "back" else 1.0, 1.0] for ends in stretch_ends(nominal, view))
    angle = np.degrees(np.arctan2(*(b - a).T[::-1]))
    rim = np.minimum(s.layers_left, s.layers_right)[one] == 0
    return Edges(a, b, np.rint(angle / 30.0).astype(np.int64) % DIRECTIONS, rim)


def edge_energy(field: Canvas) -> NDArray[np.float32]:
    """(6, h, w) energy of lines and steps along 0, 30, ... 150 degrees (y up), 0..1.

    Made even over the picture: each pixel's energy is divided by what is usual around it, so that one strong rim does
    not outshout the folds.
    """
    import cv2

    value, mask = field.value, field.mask
    usual = cv2.GaussianBlur(value, (0, 0), 6.0)
    weight = np.maximum(cv2.GaussianBlur(mask, (0, 0), 6.0), 1e-3)
    flat = np.where(mask > 0, value - usual / weight, 0.0).astype(np.float32)
    inner = cv2.erode(mask, np.ones((9, 9), np.uint8))
    energy = np.empty((DIRECTIONS, *value.shape), np.float32)
    for k in range(DIRECTIONS):
        even, odd = _oriented_pair(30.0 * k)
        energy[k] = np.abs(cv2.filter2D(flat, cv2.CV_32F, even))
        energy[k] += np.abs(cv2.filter2D(flat, cv2.CV_32F, odd))
    energy *= inner
    around = cv2.GaussianBlur(energy.mean(0), (0, 0), 10.0) / np.maximum(cv2.GaussianBlur(inner, (0, 0), 10.0), 0.05)
    energy /= energy + 2.0 * around[None] + np.float32(1e-4)
    return energy


def _oriented_pair(angle_deg: float, across: float = 1.3, along: float = 4.0) -> tuple[Array, Array]:
    """A line filter (second derivative) and a step filter (first derivative), elongated along the angle, unit norm."""
    half = 9
    y, x = np.mgrid[half : -half - 1 : -1, -half : half + 1].astype(float)
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    u, v = -s * x + c * y, c * x + s * y
    bell = np.exp(-0.5 * (u / across) ** 2 - 0.5 * (v / along) ** 2)
    even = bell * (1 - (u / across) ** 2)
    odd = bell * u
    even -= bell * even.sum() / bell.sum()
    return even / np.sqrt(np.sum(even**2)), odd / np.sqrt(np.sum(odd**2))


def edge_template(
    edges: Edges, turn_deg: float, px_per_mm: float, reach_mm: float
) -> tuple[NDArray[np.float32], Array]:
    """(6, n, n) maps of the plan's edges turned by turn_deg (a multiple of 30), blurred lines, and the origin's px."""
    import cv2

    half = int(np.ceil(reach_mm * px_per_mm))
    size = 2 * half + 1
    matrix = np.diag([1.0, -1.0]) @ rotation(turn_deg) * px_per_mm
    a, b = edges.start_mm @ matrix.T + half, edges.end_mm @ matrix.T + half
    direction = edges.direction + round(turn_deg / 30.0)
    out = np.zeros((DIRECTIONS, size, size), np.float32)
    for p, q, k in zip(np.rint(a * 16).astype(int), np.rint(b * 16).astype(int), direction % DIRECTIONS, strict=True):
        cv2.line(out[k], (int(p[0]), int(p[1])), (int(q[0]), int(q[1])), 1.0, 1, cv2.LINE_AA, 4)
    return np.stack([cv2.GaussianBlur(channel, (0, 0), 1.2) for channel in out]), np.array([half, half], float)


class EdgeSearch:
    """The edge energy of a canvas and its spectra, for comparing it with the plan's edges in several turns.

    reach_mm: the plan's radius. The canvas must reach farther by the largest shift that is asked for.
    """

    def __init__(self, field: Canvas, reach_mm: float) -> None:
        from scipy.fft import next_fast_len, rfft2

        self.field, self.reach_mm, self.energy = field, reach_mm, edge_energy(field)
        inside = field.mask > 0
        if not inside.any():  # no part of the photo lies here
            inside = np.ones_like(inside)
        self._shape = [next_fast_len(n, True) for n in field.mask.shape]
        self._mask = rfft2(field.mask, self._shape)
        self._spectra = []
        for e in self.energy:
            mean, spread = float(e[inside].mean()), max(float(e[inside].std()), 1e-6)
            self._spectra.append(rfft2((e - np.float32(mean)) * inside / np.float32(spread), self._shape))

    def surface(self, template: NDArray[np.float32]) -> NDArray[np.float64]:
        """Mean edge energy on the template's edges above the usual, in units of its spread, by shift (y, x) of the
        template's first pixel on the canvas, modulo the array's shape. Only what lies on the photo counts; 0 where
        under a third of the plan does."""
        from scipy.fft import irfft2, rfft2

        on, length = 0.0, 0.0
        for spectrum, t in zip(self._spectra, template, strict=True):
            if t.any():
                seen = np.conj(rfft2(t, self._shape))
                on, length = on + spectrum * seen, length + seen
        total, count = irfft2(on, self._shape), irfft2(length * self._mask, self._shape)
        return np.where(count > float(template.sum()) / 3, total / np.maximum(count, 1e-3), 0.0)

    def places(self, edges: Edges, alike_deg: tuple[float, ...], most_mm: float) -> list[Place]:
        """The best shift, up to most_mm each way from the canvas' middle, of every turn by 60 degrees that the turns
        that look alike leave distinct, best first."""
        period = min([a for a in alike_deg if a > 1e-6], default=360.0)
        scale, size = self.field.px_per_mm, self.field.mask.shape[0]
        out: list[Place] = []
        for turn in np.arange(0.0, min(period, 360.0) - 1e-6, 60.0):
            template, centre = edge_template(edges, float(turn), scale, self.reach_mm)
            surface = self.surface(template)
            middle = (size - 1) // 2 - (template.shape[1] - 1) // 2
            reach = min(int(np.ceil(most_mm * scale)), min(self._shape) // 2 - 1)
            around = np.roll(surface, (reach - middle, reach - middle), (0, 1))[: 2 * reach + 1, : 2 * reach + 1]
            for y, x in find_peaks(around, 2, 1):
                at = np.array([x, y], float) - reach + middle + centre
                shift = (at - self.field.origin_px) / scale * [1.0, -1.0]
                out.append(Place(float(turn), shift, float(around[y, x])))
        return sorted(out, key=lambda p: -p.correlation)

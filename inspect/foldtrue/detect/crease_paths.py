"""Straight paths through bands: where a line answers most, and how much answers where there is no line."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from foldtrue.detect.crease_bands import Bands
from foldtrue.detect.crease_looks import Look, responses
from foldtrue.frames import Array
from foldtrue.handover_grid import PlannedGrid

Looks = tuple[Look, Look, Look]


@dataclass(frozen=True)
class Peaks:
    """The best straight path of every line in its band: response (L,), offset_mm (L,) and angle_rad (L,)
    relative to the band's own path, at the place pivot_mm (L,) along the line. blocks: (L,) how many."""

    response: Array
    offset_mm: Array
    angle_rad: Array
    pivot_mm: Array
    blocks: Array


def best_paths(bands: Bands, response: Array, window_mm: float, count: int, turn_deg: float) -> Peaks:
    """The straight path of the largest summed response in every line's band."""
    out = np.zeros((5, count))
    for k in np.unique(bands.line):
        own = bands.line == k
        s = bands.s_mm[own]
        summed, slopes = sheared(response[own], s, bands.step_mm, turn_deg)
        columns = np.flatnonzero(np.abs(bands.u_mm) <= window_mm)
        part = summed[:, columns]
        row, column = np.unravel_index(int(part.argmax()), part.shape)
        out[:, k] = part[row, column], bands.u_mm[columns[column]], slopes[row], 0.5 * (s[0] + s[-1]), len(s)
    return Peaks(*out)


def path_noise(bands: Bands, response: Array, grid: PlannedGrid, window_mm: float, turn_deg: float) -> Array:
    """(L,) standard deviation of a path's summed response where there is no line: from the median absolute one over all
    paths of the bands beside the lines of the same direction."""
    samples: list[list[Array]] = [[], [], []]
    for k in np.unique(bands.line):
        own = bands.line == k
        summed, _ = sheared(response[own], bands.s_mm[own], bands.step_mm, turn_deg)
        samples[grid.family[k]].append(summed[:, np.abs(bands.u_mm) <= window_mm][::2, ::3].ravel())
    return np.array([deviation(np.concatenate(part)) for part in samples])[grid.family]


def deviation(values: Array) -> float:
    """Standard deviation of values about zero, from their median absolute size."""
    return 1.4826 * float(np.median(np.abs(values)))


def sheared(response: Array, s_mm: Array, step_mm: float, turn_deg: float) -> tuple[Array, Array]:
    """(A, U) responses (B, U) of the blocks summed along straight paths, divided by sqrt(B), for slopes (A,) rad; the
    path through column u passes it at the line's middle."""
    from_middle = s_mm - 0.5 * (s_mm[0] + s_mm[-1])
    half = max(float(from_middle[-1]), step_mm)
    turns = max(1, int(np.ceil(np.deg2rad(turn_deg) * half / step_mm)))
    slopes = np.linspace(-1, 1, 2 * turns + 1) * np.deg2rad(turn_deg)
    width = response.shape[1]
    reach = turns + 1
    padded = np.pad(response, ((0, 0), (reach, reach)))
    summed = np.empty((len(slopes), width))
    columns = np.arange(width) + reach
    for a, slope in enumerate(slopes):
        shift = np.rint(-slope * from_middle / step_mm).astype(np.int64)
        summed[a] = padded[np.arange(len(s_mm))[:, None], columns + shift[:, None]].sum(0)
    return summed / np.sqrt(len(s_mm)), slopes


def best_sense(bands: Bands, looks: Looks, grid: PlannedGrid, window: float, turn_deg: float) -> tuple[Peaks, Array]:
    """Every line's best path, by the look of the sense that answers more, with that sense as the response's sign; and
    the responses (B, U) to that look, positive where the crease is."""
    count = len(grid.number)
    both = []
    for sense in ("plus", "minus"):
        answer = np.zeros_like(bands.light)
        for family, look in enumerate(looks):
            own = grid.family[bands.line] == family
            answer[own] = responses(bands.light[own], getattr(look, sense))
        both.append((best_paths(bands, answer, window, count, turn_deg), answer))
    (plus, up), (minus, down) = both
    take = minus.response > plus.response
    chosen = [np.where(take, getattr(minus, f.name), getattr(plus, f.name)) for f in fields(Peaks)]
    chosen[0] = np.where(take, -minus.response, plus.response)
    return Peaks(*chosen), np.where(take[bands.line][:, None], down, up)

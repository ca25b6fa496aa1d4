"""Look for every line of the planned grid on the photo's own pixels, and say where it lies or that it does not show."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from foldtrue.detect.crease_bands import Bands, Paths, Sheet, sample_bands
from foldtrue.detect.crease_looks import WIDTHS_PX, Look, learn_look, more_odd, plain_look, responses
from foldtrue.frames import Array
from foldtrue.handover import BoolArray, Photo
from foldtrue.handover_grid import CreaseScan, PlannedGrid, SheetPlace
from foldtrue.subpixel import linear_grey

WINDOW_ROWS = 0.3
WIDEST_MM = 3.0
TURN_DEG = 0.6
"""How far from its planned place, in rows and in mm, and how far turned a line is looked for."""
SEEN = 5.5
"""Least signal-to-noise of a whole line at first, where about 200 independent places are looked at for each."""


@dataclass(frozen=True)
class Peaks:
    """The best straight path of every line in its band: response (L,) with its sign, offset_mm (L,) and angle_rad (L,)
    relative to the band's own path, at the place pivot_mm (L,) along the line. blocks: (L,) how many."""

    response: Array
    offset_mm: Array
    angle_rad: Array
    pivot_mm: Array
    blocks: Array


def scan_creases(photo: Photo, grid: PlannedGrid, place: SheetPlace) -> CreaseScan:
    """Every planned line in the photo. Flags nothing and refuses nothing: evidence and places only."""
    from foldtrue.detect.crease_places import follow_lines, lens_from_bows

    sheet = Sheet(linear_grey(photo.pixels, photo.linear), place.map, grid, place.sides)
    step = 1.0 / float(np.sqrt(abs(np.linalg.det(place.map.jacobian(np.zeros((1, 2)))[0]))))
    count = len(grid.number)
    nothing = Paths(np.zeros(count), np.zeros(count), np.zeros(count, bool))
    window = min(WINDOW_ROWS * grid.row_mm, WIDEST_MM)
    coarse, looks = _first_look(sheet, nothing, window, step)
    straight, k1_std = lens_from_bows(sheet, coarse, looks, step)
    sheet = replace(sheet, map=straight)
    for _ in range(2):
        expected = expected_paths(grid, coarse)
        coarse, looks, scan = follow_lines(sheet, expected, looks, step)
    return replace(scan, k1_std=k1_std)


def _first_look(sheet: Sheet, nothing: Paths, window: float, step: float) -> tuple[Paths, tuple[Look, Look, Look]]:
    """Lines found with plain looks, and the plain look that serves each direction best."""
    margin = 5 * max(WIDTHS_PX) * step
    real = sample_bands(sheet, nothing, window + margin, step, beside=False, clip=6.0)
    beside = sample_bands(sheet, nothing, window + margin, step, beside=True, clip=6.0)
    grid = sheet.grid
    trials = {(w, odd): plain_look(w, odd) for w in WIDTHS_PX for odd in (False, True)}
    peaks, ratio = {}, {}
    for key, look in trials.items():
        peaks[key] = best_paths(real, responses(real.light, look), window, len(grid.number))
        noise = path_noise(beside, responses(beside.light, look), window, len(grid.number))
        ratio[key] = np.abs(peaks[key].response) / noise
    offset, angle, known = np.zeros(len(grid.number)), np.zeros(len(grid.number)), np.zeros(len(grid.number), bool)
    looks = []
    for family in range(3):
        own = grid.family == family
        strong = own & (np.max([ratio[key] for key in trials], axis=0) > SEEN)
        best = [max(np.abs(peaks[w, odd].response[strong]).sum() for w in WIDTHS_PX) for odd in (True, False)]
        odd = bool(strong.any()) and best[0] > best[1]
        width = max(WIDTHS_PX, key=lambda w: float(np.median(ratio[w, odd][own])))
        found = peaks[width, odd]
        good = own & (ratio[width, odd] > SEEN)
        offset[good] = (found.offset_mm + found.angle_rad * found.pivot_mm)[good]
        angle[good], known[good] = found.angle_rad[good], True
        looks.append(trials[width, odd])
    return Paths(offset, angle, known), (looks[0], looks[1], looks[2])


def best_paths(bands: Bands, response: Array, window_mm: float, count: int, turn_deg: float = TURN_DEG) -> Peaks:
    """The straight path of the largest summed response in every line's band."""
    out = np.zeros((5, count))
    for k in np.unique(bands.line):
        own = bands.line == k
        s = bands.s_mm[own]
        summed, slopes = sheared(response[own], s, bands.step_mm, turn_deg)
        columns = np.flatnonzero(np.abs(bands.u_mm) <= window_mm)
        part = summed[:, columns]
        row, column = np.unravel_index(int(np.abs(part).argmax()), part.shape)
        out[:, k] = part[row, column], bands.u_mm[columns[column]], slopes[row], 0.5 * (s[0] + s[-1]), len(s)
    return Peaks(*out)


def path_noise(bands: Bands, response: Array, window_mm: float, count: int) -> Array:
    """(L,) standard deviation of a path's summed response where there is no line: the median absolute one over all
    paths of all bands beside lines."""
    del count
    samples = []
    for k in np.unique(bands.line):
        own = bands.line == k
        summed, _ = sheared(response[own], bands.s_mm[own], bands.step_mm, TURN_DEG)
        samples.append(summed[:, np.abs(bands.u_mm) <= window_mm][::2, ::3].ravel())
    return np.asarray(1.4826 * np.median(np.abs(np.concatenate(samples))))


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


def expected_paths(grid: PlannedGrid, found: Paths) -> Paths:
    """Where lines are to be expected: the found ones where they are, the others by their neighbours in the family."""
    offset, angle = found.offset_mm.copy(), found.angle_rad.copy()
    for k in np.flatnonzero(~found.known):
        near = np.flatnonzero((grid.family == grid.family[k]) & found.known)
        near = near[np.argsort(np.abs(grid.number[near] - grid.number[k]))[:6]]
        if len(near) < 2:
            offset[k], angle[k] = 0.0, 0.0
            continue
        offset[k], angle[k] = np.median(found.offset_mm[near]), np.median(found.angle_rad[near])
        if len(near) >= 4:
            slope, at = np.polyfit(grid.number[near] - grid.number[k], found.offset_mm[near], 1)
            offset[k] = at if abs(slope) * grid.row_mm < grid.row_mm else offset[k]
    return Paths(offset, angle, found.known)



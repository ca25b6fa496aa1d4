"""Look for every line of the planned grid on the photo's own pixels, and say where it lies or that it does not show."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np

from foldtrue.detect.crease_bands import Paths, Sheet, sample_bands
from foldtrue.detect.crease_lens import lens_from_bows
from foldtrue.detect.crease_looks import WIDTHS_PX, plain_look, responses
from foldtrue.detect.crease_paths import Looks, best_sense, path_noise
from foldtrue.detect.crease_places import follow_lines
from foldtrue.handover import Photo
from foldtrue.handover_grid import CreaseScan, GridView, PlannedGrid, SheetPlace
from foldtrue.subpixel import linear_grey

WINDOW_ROWS = 0.3
WIDEST_MM = 3.0
TURN_DEG = 1.0
"""How far from its planned place, in rows and in mm, and how far turned a line is looked for."""
SEEN = 5.5
"""Least signal-to-noise of a whole line at first, where about 200 independent places are looked at for each."""


def scan_creases(
    photo: Photo, grid: PlannedGrid, place: SheetPlace, view: GridView | Literal["auto"] = "auto"
) -> CreaseScan:
    """Every planned line in the photo. Flags nothing and refuses nothing: evidence and places only.

    view: against the light only bright or dark lines are looked for, else pairs of light and shade too."""
    sheet = Sheet(linear_grey(photo.pixels, photo.linear), place.map, grid, place.sides)
    step = 1.0 / float(np.sqrt(abs(np.linalg.det(place.map.jacobian(np.zeros((1, 2)))[0]))))
    count = len(grid.number)
    nothing = Paths(np.zeros(count), np.zeros(count), np.zeros(count, bool))
    window = min(WINDOW_ROWS * grid.row_mm, WIDEST_MM)
    coarse, looks = _first_look(sheet, nothing, window, step, view == "backlit")
    coarse, looks, scan = follow_lines(sheet, expected_paths(grid, coarse), looks, step)
    straight, k1_std = lens_from_bows(grid, scan)
    sheet = replace(sheet, map=straight)
    _, _, scan = follow_lines(sheet, expected_paths(grid, coarse), looks, step)
    return replace(scan, k1_std=k1_std)


def _first_look(sheet: Sheet, nothing: Paths, window: float, step: float, even_only: bool) -> tuple[Paths, Looks]:
    """Lines found with plain looks, and the plain look that serves each direction best."""
    margin = 5 * max(WIDTHS_PX) * step
    real = sample_bands(sheet, nothing, window + margin, step, beside=False, clip=6.0)
    beside = sample_bands(sheet, nothing, window + margin, step, beside=True, clip=6.0)
    grid = sheet.grid
    trials = {(w, odd): plain_look(w, odd) for w in WIDTHS_PX for odd in (False, True)}
    peaks, ratio = {}, {}
    for key, look in trials.items():
        peaks[key], _ = best_sense(real, (look, look, look), grid, window, TURN_DEG)
        noise = path_noise(beside, responses(beside.light, look.plus), grid, window, TURN_DEG)
        ratio[key] = np.abs(peaks[key].response) / noise
    offset, angle, known = np.zeros(len(grid.number)), np.zeros(len(grid.number)), np.zeros(len(grid.number), bool)
    looks = []
    for family in range(3):
        own = grid.family == family
        strong = own & (np.max([ratio[key] for key in trials], axis=0) > SEEN)
        # Looks of one width and of unit length: the one more like the creases answers more. A look far narrower than
        # the crease answers to its flanks, one far wider to the paper's clouds.
        odd_answer, even_answer = (
            sum(float(np.abs(peaks[w, odd].response[strong]).sum()) for w in WIDTHS_PX[1:-1]) for odd in (True, False)
        )
        odd = not even_only and odd_answer > even_answer
        width = max(WIDTHS_PX, key=lambda w: float(np.median(ratio[w, odd][own])))
        found = peaks[width, odd]
        good = own & (ratio[width, odd] > SEEN)
        offset[good] = (found.offset_mm + found.angle_rad * found.pivot_mm)[good]
        angle[good], known[good] = found.angle_rad[good], True
        looks.append(trials[width, odd])
    return Paths(offset, angle, known), (looks[0], looks[1], looks[2])


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

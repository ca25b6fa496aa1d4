"""The four sides of a sheet under the piece, located on the photo's own pixels in linear light."""

from __future__ import annotations

import numpy as np

from foldtrue.errors import PhotoTooPoor
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import BoolArray, Nominal, Photo
from foldtrue.rectify.by_outline import convex_hull
from foldtrue.rectify.sheet import Quads, sheet_candidates
from foldtrue.rectify.sides import Search, Sides, measure_side, outline
from foldtrue.rectify.straight import full_px

_ASPECTS = (1.235, 1.49)
"""5 % beyond Letter's and A4's, for choosing; the kind is told from the measured sides."""
_ADVICE = (
    "Lay the piece on a blank A4 or Letter sheet, on a table of clearly darker tone, with all four sides of the sheet "
    "in view and little of them covered."
)


def locate_sides(photo: Photo, nominal: Nominal, plane_map: PlaneMap) -> Sides:
    """Find the sheet and measure its sides. Raises PhotoTooPoor when it cannot be found for certain."""
    piece_px = plane_map.to_px(convex_hull(nominal.outline_mm))
    quads, small = sheet_candidates(photo, piece_px)
    corners = plane_map.to_mm(_chosen(quads, photo, small.factor, nominal, plane_map))
    search = Search(covered_px=piece_px, reach_px=3.0 * small.factor + 4, bowed=True)
    lines = []
    for k in range(4):
        line = measure_side(photo, plane_map, corners[[k, (k + 1) % 4]], corners.mean(0), search)
        if line is None:
            raise PhotoTooPoor("A side of the sheet under the piece shows too little to be measured.", _ADVICE)
        lines.append(line)
    return outline(lines, np.ones(4, bool), plane_map)


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

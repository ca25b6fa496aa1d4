"""Find a card of ID-1 size (ISO/IEC 7810) beside the piece, printed or blank, lighter or darker than the table.

The map from plan to photo is known, so straight edges are compared in plan millimetres: two pairs of parallel edges, as
far apart as a card's, at right angles. An edge may be bright on either side, and change that along its way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array, PlaneMap, apply_homography
from foldtrue.handover import BoolArray, IntArray, Nominal, Photo
from foldtrue.rectify.by_outline import convex_hull
from foldtrue.rectify.look import reduce_photo, to_small_matrix
from foldtrue.rectify.straight import (
    BIN_PX,
    EdgePixels,
    Lines,
    crossing,
    edge_pixels,
    find_lines,
    free_pixels,
    full_px,
    side_support,
)
from foldtrue.sizes import ID1_MM

LONG_MM, SHORT_MM = ID1_MM
LARGEST_SCALE = 1.28
"""True mm per plan mm, or its inverse, that is looked for."""
_LONG_SMALL_PX = 220
"""Length of a card's long side in the reduced photo."""
_LOOSE = 0.12
"""How far a card that leans out of the plane may depart in shape and still be measured, to say that it leans."""
_MOST = 16
_CLEAR = 0.7
_LEAST_SIDE, _LEAST_MEAN = 0.25, 0.5
_LEAST_MEAN_OF_THREE = 0.6


@dataclass(frozen=True)
class Outline:
    """Where a card may lie. corners_mm: (4, 2) plan mm, clockwise as the photo shows them, the side from corner 0 to 1
    a long one. score: 0..1. reach_px: how far off its sides may be."""

    corners_mm: Array
    score: float
    reach_px: float


@dataclass(frozen=True)
class Beside:
    """Straight edges beside the piece: the lines, the factor by which the photo was reduced for them, and its size then
    (width, height)."""

    lines: Lines
    factor: int
    size: tuple[int, int]


def card_outlines(
    photo: Photo, nominal: Nominal, plane_map: PlaneMap, *, three: bool = False, beside: Beside | None = None
) -> list[Outline]:
    """Up to sixteen outlines beside the piece that may be a card's, the clearest first; empty where there is none.

    three: those of which one side is covered, instead of those that show all four. beside: the edges, where they are
    known already.
    """
    seen = beside or edges_beside(photo, nominal, plane_map)
    lines, factor, size = seen.lines, seen.factor, seen.size
    if len(lines.offset) < 3:
        return []
    ends = _ends_mm(lines, photo, factor, plane_map)
    short, long = (_pairs(ends, width) for width in (SHORT_MM, LONG_MM))
    find = _three_sided if three else _four_sided
    order, corners, hidden = find(lines, ends, short, long)
    px = full_px(corners, photo, factor)
    mm = plane_map.to_mm(px.reshape(-1, 2)).reshape(px.shape)
    if three:
        mm = _completed(mm, hidden)
        px = plane_map.to_px(mm.reshape(-1, 2)).reshape(px.shape)
        corners = _small_px(px, factor, size)
    good = _like_a_card(mm) & _beside(mm, convex_hull(nominal.outline_mm))
    good &= (np.abs(corners) < (0.75 if three else 0.55) * np.array(size)).all((1, 2))
    order, corners, mm, hidden = order[good], corners[good], mm[good], hidden[good]
    support, beyond = side_support(lines, order, corners)
    shown = hidden[:, None] != np.arange(4)
    mean = (support * shown).sum(1) / shown.sum(1)
    score = mean - 0.3 * (beyond * shown).sum(1) / shown.sum(1)
    least = _LEAST_MEAN_OF_THREE if three else _LEAST_MEAN
    score[(np.where(shown, support, 1.0).min(1) < _LEAST_SIDE) | (mean < least)] = -1
    return [Outline(_clockwise(mm[k], plane_map), float(score[k]), 1.5 * factor + 3) for k in _distinct(mm, score)]


def card_faces(photo: Photo, nominal: Nominal, plane_map: PlaneMap, beside: Beside | None = None) -> tuple[Array, ...]:
    """Outlines (4, 2) px of all that looks like a card beside the piece, measured or not: no picture may show them."""
    beside = beside or edges_beside(photo, nominal, plane_map)
    whole = card_outlines(photo, nominal, plane_map, beside=beside)
    partly = [one for one in card_outlines(photo, nominal, plane_map, three=True, beside=beside) if one.score > _CLEAR]
    return tuple(plane_map.to_px(one.corners_mm) for one in whole or partly)


def edges_beside(photo: Photo, nominal: Nominal, plane_map: PlaneMap) -> Beside:
    """Straight edges off the piece, whichever side of them is bright."""
    piece_px = plane_map.to_px(convex_hull(nominal.outline_mm))
    centre = nominal.outline_mm.mean(0, keepdims=True)
    px_per_mm = float(np.sqrt(abs(np.linalg.det(plane_map.jacobian(centre)[0]))))
    longest = max(photo.pixels.shape[:2]) * _LONG_SMALL_PX / (LONG_MM * px_per_mm)
    small = reduce_photo(photo, int(np.clip(longest, 400, 1600)))
    h, w = small.log.shape
    free = free_pixels(apply_homography(to_small_matrix(small.factor), piece_px), (h, w))
    found = edge_pixels(small, free)
    both = EdgePixels(
        *(np.concatenate(v) for v in ((found.xy,) * 2, (found.towards, -found.towards), (found.strength,) * 2))
    )
    # A card is small, and the grain of a table long: strong edges count more, so that it does not crowd out the card's.
    usual = float(np.median(both.strength)) if len(both.strength) else 1.0
    weight = np.minimum(both.strength / max(usual, 1e-9), 4.0)
    lines = find_lines(both, free, most=200, each=20, weight=weight)
    # Every edge came out twice, with opposite normals.
    turn = np.arctan2(lines.normal[:, 1], lines.normal[:, 0])
    return Beside(lines.pick((turn >= 0) & (turn < np.pi)), small.factor, (w, h))


def _ends_mm(lines: Lines, photo: Photo, factor: int, plane_map: PlaneMap) -> Array:
    """(L, 2, 2) plan mm of two points of each line, between which most of it shows."""
    bins = lines.shows.shape[1] - 1
    total = lines.shows[:, -1:]
    at = np.stack([(lines.shows < share * total).sum(1) for share in (0.1, 0.9)], 1) + np.array([-1, 1])
    ahead = np.stack([-lines.normal[:, 1], lines.normal[:, 0]], 1)
    along = (at - bins / 2) * BIN_PX
    small = (lines.normal * lines.offset[:, None])[:, None] + along[..., None] * ahead[:, None]
    px = full_px(small, photo, factor)
    return plane_map.to_mm(px.reshape(-1, 2)).reshape(px.shape)


def _pairs(ends: Array, apart_mm: float) -> IntArray:
    """(P, 2) pairs of parallel lines as far apart as apart_mm at any scale that is looked for."""
    ahead = ends[:, 1] - ends[:, 0]
    ahead /= np.hypot(*ahead.T)[:, None]
    middle = ends.mean(1)
    left = np.stack([-ahead[:, 1], ahead[:, 0]], 1)
    parallel = np.abs(ahead @ ahead.T) > np.cos(np.deg2rad(6.0))
    apart = np.abs(np.einsum("ik,ijk->ij", left, middle[None] - middle[:, None]))
    apart = 0.5 * (apart + apart.T)
    fits = (apart > apart_mm / LARGEST_SCALE) & (apart < apart_mm * LARGEST_SCALE)
    return np.stack(np.nonzero(np.triu(parallel & fits, 1)), 1)


def _square_to(ends: Array, one: IntArray, other: IntArray) -> BoolArray:
    """(P, Q) whether lines one (P,) and other (Q,) are about perpendicular in the plan."""
    ahead = ends[:, 1] - ends[:, 0]
    ahead /= np.hypot(*ahead.T)[:, None]
    return np.asarray(np.abs(ahead[one] @ ahead[other].T) < np.sin(np.deg2rad(9.0)))


def _four_sided(lines: Lines, ends: Array, short: IntArray, long: IntArray) -> tuple[IntArray, Array, IntArray]:
    """Lines (Q, 4) of sides 0 to 3, corners (Q, 4, 2) px about the small photo's middle, and -1 (Q,), none hidden."""
    one, two = np.nonzero(_square_to(ends, short[:, 0], long[:, 0]))
    order = np.stack([short[one, 0], long[two, 0], short[one, 1], long[two, 1]], 1)
    corners = np.stack([crossing(lines, order[:, k - 1], order[:, k]) for k in range(4)], 1)
    return order, corners, np.full(len(order), -1)


def _three_sided(lines: Lines, ends: Array, short: IntArray, long: IntArray) -> tuple[IntArray, Array, IntArray]:
    """As _four_sided; sides 1 or 2 are hidden, and stand on the lines of their opposites until they are completed."""
    every = np.arange(len(lines.offset))
    orders, hidden = [], []
    for pairs, covered in ((short, 1), (long, 2)):
        one, two = np.nonzero(_square_to(ends, pairs[:, 0], every))
        for first, second in ((0, 1), (1, 0)):
            sides = np.stack([pairs[one, first], every[two], pairs[one, second], every[two]], 1)
            orders.append(sides if covered == 1 else np.roll(sides, 1, 1))
            hidden.append(np.full(len(sides), covered))
    order, gone = np.concatenate(orders), np.concatenate(hidden)
    corners = np.stack([crossing(lines, order[:, k - 1], order[:, k]) for k in range(4)], 1)
    return order, corners, gone


def _completed(mm: Array, hidden: IntArray) -> Array:
    """The same outlines (Q, 4, 2) with the hidden side moved out to where a card of the seen width has it."""
    out = mm.copy()
    for side, ratio in ((1, LONG_MM / SHORT_MM), (2, SHORT_MM / LONG_MM)):
        at = hidden == side
        near, far = (side + 2) % 4, side
        # The side opposite runs from corner `near` to the next; its ends lie across from the hidden side's.
        ahead = mm[at][:, (near + 1) % 4] - mm[at][:, near]
        into = np.stack([ahead[:, 1], -ahead[:, 0]], 1) * ratio
        out[np.flatnonzero(at), (far + 1) % 4] = mm[at][:, near] + into
        out[np.flatnonzero(at), far] = mm[at][:, (near + 1) % 4] + into
    return out


def _small_px(px: Array, factor: int, size: tuple[int, int]) -> Array:
    small = apply_homography(to_small_matrix(factor), px.reshape(-1, 2)) - (np.array(size) - 1) / 2
    return small.reshape(px.shape)


def _like_a_card(mm: Array) -> BoolArray:
    """Convex, right angles within 8 degrees, opposite sides alike and the shape a card's within _LOOSE."""
    ahead = np.roll(mm, -1, 1) - mm
    after = np.roll(ahead, -1, 1)
    sides = np.hypot(ahead[..., 0], ahead[..., 1])
    turn = (ahead[..., 0] * after[..., 1] - ahead[..., 1] * after[..., 0]) / (sides * np.roll(sides, -1, 1))
    square = (np.abs(turn) > np.cos(np.deg2rad(8.0))).all(1) & (np.abs(np.sign(turn).sum(1)) == 4)
    mean = 0.5 * (sides[:, :2] + sides[:, 2:])
    alike = (np.abs(sides[:, :2] - sides[:, 2:]) < _LOOSE * mean).all(1)
    shape = np.abs(np.log(mean[:, 0] / mean[:, 1] / (LONG_MM / SHORT_MM))) < _LOOSE
    return np.asarray(square & alike & shape)


def _beside(mm: Array, piece_mm: Array) -> BoolArray:
    """(Q,) whether the middle lies outside the piece's convex outline (K, 2), counter-clockwise."""
    ahead = np.roll(piece_mm, -1, 0) - piece_mm
    to = mm.mean(1)[:, None] - piece_mm[None]
    turn = ahead[:, 0] * to[..., 1] - ahead[:, 1] * to[..., 0]
    return np.asarray(~((turn > 0).all(1) | (turn < 0).all(1)))


def _distinct(mm: Array, score: Array) -> list[int]:
    """The best of each heap of outlines that differ by less than a millimetre."""
    chosen: list[int] = []
    for k in np.argsort(-score, kind="stable").tolist():
        if score[k] < 0 or len(chosen) == _MOST:
            break
        if all(_apart(mm[k], mm[other]) > 1.0 for other in chosen):
            chosen.append(k)
    return chosen


def _apart(one: Array, other: Array) -> float:
    """Largest distance of a corner from the nearest one of the other outline."""
    return float(np.hypot(*(one[:, None] - other[None]).transpose(2, 0, 1)).min(1).max())


def _clockwise(mm: Array, plane_map: PlaneMap) -> Array:
    """The same corners in the order that runs clockwise in the photo; sides 0 and 2 stay, 1 and 3 change places."""
    px = plane_map.to_px(mm)
    ahead, after = px[1] - px[0], px[2] - px[1]
    return mm if ahead[0] * after[1] - ahead[1] * after[0] > 0 else mm[[1, 0, 3, 2]]

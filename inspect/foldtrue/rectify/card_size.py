"""The scale of a piece from a card of ID-1 size beside it (ISO/IEC 7810): any card of that size, blank side up.

The straight parts of its sides are located as those of a sheet are. A card lies beside the piece, where a small error
of the map's tilt tells, but it is cut so well that its own shape says what the error is: five figures of the shape,
with the covariance of everything that acts on them, give the scale of least variance and the test that it is a card and
lies flat (docs/scale.md).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.camera_place import CameraPlace, camera_place
from foldtrue.errors import PhotoTooPoor
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import BoolArray, IntArray, Nominal, Photo
from foldtrue.rectify.by_outline import convex_hull
from foldtrue.rectify.card import LONG_MM, SHORT_MM, Beside, Outline, card_outlines, edges_beside
from foldtrue.rectify.card_tone import one_tone
from foldtrue.rectify.sides import Line, Search, Sides, linear_samples, measure_side, outline, supposed_line
from foldtrue.rectify.size_budget import (
    K1_STD,
    TWIST_STD,
    ReferenceScale,
    Shape,
    edge_covariance,
    fields,
    height_mm,
    lens_covariance,
    of_lengths,
    outer,
    places,
    plane_covariance,
    too_odd,
    waves_covariance,
)
from foldtrue.sizes import ID1_RADIUS_MM, ID1_THICKNESS_MM, ID1_THICKNESS_TOLERANCE_MM
from foldtrue.subpixel import step_kernel

THICKNESS_MM, THICKNESS_TOLERANCE_MM = ID1_THICKNESS_MM, ID1_THICKNESS_TOLERANCE_MM
LONG_TOLERANCE_MM, SHORT_TOLERANCE_MM = 0.125, 0.055
"""ISO/IEC 7810: 85.47 to 85.72 mm and 53.92 to 54.03 mm [from memory]: half-widths of rectangular errors."""
SHIFT_MM = 0.08
"""How far the rounded rim of a card and its shadow may shift each side (common practice, no source)."""
COMMON_STD = 0.001
"""What light and unseen edges do to all of the piece alike: relative error of the map's scale and shape, and of its
tilt at the piece's rim (four simulated photos, fitted as any other: stretched by 0.03 to 0.2 %, scale off by 0.04 to
0.12 %)."""
SHADOW_MEAN, SHADOW_STD = 0.70, 0.47
"""Width of the shadow beside two opposite sides together, in thicknesses: cot(h) |cos a| of a lamp anywhere around, a
between 0 and 360 degrees, and h = 25 to 65 degrees high, all alike likely. Folds show under low lamps (common practice,
no source)."""
BOW_MM = 0.5
"""How far a card's rim may stand off the table (common practice, no source)."""
_STRAIGHT_MM = 4.2
"""From a corner to where the side is straight for certain: the largest radius, 3.48 mm, and some blur."""
_LEAST_PX_PER_MM = 1.5
_SURE_MM = 0.3
_ADVICE = (
    "Lay any card of that size (85.60 x 53.98 mm), blank side up, flat beside the piece, all of it in the picture, on "
    "a table of clearly lighter or darker tone."
)


class _SharpCorners(PhotoTooPoor):
    """This is another thing than a card, which may still lie elsewhere."""


@dataclass(frozen=True)
class _Found:
    """A card that passed: its sides, the scale, its standard uncertainty, budget and limits, and how clearly it
    shows."""

    sides: Sides
    scale: float
    std: float
    budget: dict[str, float]
    limits: tuple[float, ...]
    score: float


def card_scale(
    photo: Photo,
    nominal: Nominal,
    plane_map: PlaneMap,
    *,
    k1_std: float = K1_STD,
    twist_std_mm: float | None = None,
    waves_mm: Array | None = None,
    named: bool = True,
    beside: Beside | None = None,
) -> ReferenceScale:
    """Measure the scale of the piece that plane_map was fitted to from a card that lies beside it.

    k1_std, twist_std_mm, waves_mm: as for sheet_scale. named: the person said that there is a card; then one with one
    side covered will do, of which the shape cannot be tested in full. beside: the edges there, where they are known
    already.
    Raises PhotoTooPoor with the reason: no card found, more than one, covered, blurred, not flat or not of that size.
    """
    spread = TWIST_STD * nominal.pitch_mm if twist_std_mm is None else twist_std_mm
    known = _Known(photo, nominal, plane_map, camera_place(photo, plane_map), k1_std, spread, waves_mm)
    beside = beside or edges_beside(photo, nominal, plane_map)
    outlines = card_outlines(photo, nominal, plane_map, beside=beside)
    found, reason = _passing(known, outlines)
    if not found and (reason is None or isinstance(reason, _SharpCorners)):
        outlines = card_outlines(photo, nominal, plane_map, three=True, beside=beside)
        found, other = _passing(known, outlines)
        reason = reason or other
    if not found:
        raise reason or PhotoTooPoor("No card of 85.60 x 53.98 mm can be made out beside the piece.", _ADVICE)
    whole = [card for card in found if card.sides.seen.all()]
    if not whole and not named:
        raise _covered(found[0])
    found = whole or found
    best = _one_card(found)
    if abs(np.log(best.scale)) > 0.25 * np.log(2.0):
        raise PhotoTooPoor(
            f"By the card the piece would have {best.scale:.2f} times its planned size.",
            "Check the sheet size in the plan, and that the card is 85.60 x 53.98 mm.",
        )
    sides = best.sides
    face = sides.corners_mm if sides.seen.all() else _face(sides.corners_mm, [one.corners_mm for one in outlines])
    told = best.scale, best.std, sides.corners_px, sides.lengths_mm, best.budget, best.limits
    return ReferenceScale("card", *told, plane_map.to_px(face))


def _face(corners_mm: Array, others_mm: list[Array]) -> Array:
    """The least rectangle (4, 2) mm along the card's sides that holds it, and whatever else was taken for it there."""
    along = corners_mm[1] - corners_mm[0]
    along /= np.hypot(*along)
    axes = np.stack([along, [-along[1], along[0]]])
    middle = corners_mm.mean(0)
    near = [one for one in others_mm if np.hypot(*(one.mean(0) - middle)) < 0.5 * LONG_MM]
    held = (np.concatenate([corners_mm, *near]) - middle) @ axes.T
    low, high = held.min(0), held.max(0)
    corners = np.array([[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]])
    return np.asarray(middle + corners @ axes)


@dataclass(frozen=True)
class _Known:
    photo: Photo
    nominal: Nominal
    plane_map: PlaneMap
    stand: CameraPlace
    k1_std: float
    spread_mm: float
    waves_mm: Array | None = None


def _passing(known: _Known, outlines: list[Outline]) -> tuple[list[_Found], PhotoTooPoor | None]:
    """All outlines that measure as cards, clearest first, and why the clearest that did not was declined."""
    found: list[_Found] = []
    reason: PhotoTooPoor | None = None
    for one in outlines:
        try:
            sides = _located(known, one)
            found.append(_scaled(known, sides, one.score))
        except PhotoTooPoor as error:
            reason = error if reason is None or isinstance(reason, _SharpCorners) else reason
    return found, reason


def _one_card(found: list[_Found]) -> _Found:
    """The clearest; the outermost of those that lie in one another, since what is printed on a card lies inside it."""
    best = found[0]
    for other in found[1:]:
        apart = float(np.hypot(*(other.sides.corners_mm.mean(0) - best.sides.corners_mm.mean(0))))
        if apart > 0.5 * SHORT_MM:
            raise PhotoTooPoor("More than one card lies beside the piece.", "Leave one, and take the others away.")
        larger = np.prod(other.sides.lengths_mm[:2]) > np.prod(best.sides.lengths_mm[:2])
        if larger and other.score > found[0].score - 0.15:
            best = other
    return best


_SIDE_NAMES = ("long", "short", "long", "short")


def _covered(found: _Found) -> PhotoTooPoor:
    hidden = _SIDE_NAMES[int(np.flatnonzero(~found.sides.seen)[0])]
    return PhotoTooPoor(f"One {hidden} side of the card is covered.", _ADVICE)


def _located(known: _Known, one: Outline) -> Sides:
    """The sides of a supposed card. Raises PhotoTooPoor where less than a whole pair of opposite sides and one more
    shows, where it is too small or too blurred, or where its corners are not a card's."""
    centre = one.corners_mm.mean(0, keepdims=True)
    px_per_mm = float(np.sqrt(abs(np.linalg.det(known.plane_map.jacobian(centre)[0]))))
    if px_per_mm < _LEAST_PX_PER_MM:
        raise PhotoTooPoor("The card is too small in the picture to be measured.", "Step closer, or use more pixels.")
    piece_px = known.plane_map.to_px(convex_hull(known.nominal.outline_mm))
    lines, seen = [], np.zeros(4, bool)
    for k in range(4):
        ends = one.corners_mm[[k, (k + 1) % 4]]
        trim = _STRAIGHT_MM / (SHORT_MM if k % 2 else LONG_MM)
        search = Search(covered_px=piece_px, reach_px=one.reach_px, trim=trim, either=True)
        line = measure_side(known.photo, known.plane_map, ends, centre[0], search)
        seen[k] = line is not None and _is_sure(line)
        lines.append(line if line is not None and seen[k] else supposed_line(ends))
    if seen.sum() < 3:
        gone = " and one ".join(f"{_SIDE_NAMES[k]} side" for k in np.flatnonzero(~seen).tolist())
        raise PhotoTooPoor(f"Of the card one {gone} show too little to be measured.", _ADVICE)
    sides = outline(lines, seen, known.plane_map)
    _check_corners(known, sides, px_per_mm)
    if not one_tone(known.photo, known.plane_map, sides):
        raise PhotoTooPoor("What looks like a card is not of one tone along its sides.", _ADVICE)
    return sides


def _is_sure(line: Line) -> bool:
    """Whether a side is known to a fraction of a millimetre all along: the grain of a table is not."""
    offset, turn, _ = np.sqrt(np.diag(line.cov))
    return bool(offset < _SURE_MM and turn * LONG_MM / 2 < 2 * _SURE_MM)


def _check_corners(known: _Known, sides: Sides, px_per_mm: float) -> None:
    """A card's corners are rounded: along the diagonal its edge begins 0.41 radii inside of where the sides meet."""
    if sides.blur_mm > 0.25 * ID1_RADIUS_MM:
        raise PhotoTooPoor("The card's edges are too blurred.", "Hold the camera still and focus on the paper.")
    ahead = np.roll(sides.corners_mm, -1, 0) - sides.corners_mm
    ahead /= np.hypot(*ahead.T)[:, None]
    blur_px = max(sides.blur_mm * px_per_mm, 0.7)
    rounded: list[bool] = []
    for k in range(4):
        if sides.seen[k] and sides.seen[k - 1]:
            inward = (ahead[k] - ahead[k - 1]) / np.sqrt(2)
            rounded.append(_is_rounded(known, sides.corners_mm[k], inward, blur_px))
    if sum(rounded) <= len(rounded) / 2:
        what = "What looks like a card has no rounded corners: a card is covered in part, or it is something else."
        raise _SharpCorners(what, _ADVICE)


def _is_rounded(known: _Known, corner: Array, inward: Array, blur_px: float) -> bool:
    """Whether the clearest step on the way in from a corner (2,) mm lies nearer to a round corner's than a sharp
    one's."""
    kernel = step_kernel(blur_px)
    start, end = known.plane_map.to_px(corner + np.array([[-1.0], [1.0]]) * inward)
    along = (end - start) / 2  # px per mm
    step = float(np.hypot(*along))
    half = len(kernel) // 2
    u = np.arange(-half - int(step), half + int(3 * step) + 1) / step
    at = (start + end) / 2 + u[:, None] * along
    light, _ = linear_samples(known.photo, at[:, 0], at[:, 1])
    if not np.isfinite(light).all():
        return False
    rise = np.abs(np.convolve(light, kernel[::-1], "valid"))
    place = u[half : len(u) - half]
    cut = ID1_RADIUS_MM * (np.sqrt(2) - 1)
    sharp, round_ = (float(rise[np.abs(place - where) < cut / 2].max()) for where in (0.0, cut))
    return round_ > sharp


def _scaled(known: _Known, sides: Sides, score: float) -> _Found:
    """The scale of least variance from the figures that the seen sides give (Gauss-Markov; JCGM 100:2008, 5.2), and the
    test of the others. Raises PhotoTooPoor where they are no flat card's."""
    shape = Shape(sides)
    kept = _kept(sides.seen)
    known_mm = np.array([LONG_MM, SHORT_MM])
    rim, rim_std = _outward(shape, sides, known.stand)
    rest = -shape.figures + shape.change_of_sides(rim)
    rest[:2] += np.log(known_mm)
    tolerance = np.array([LONG_TOLERANCE_MM, SHORT_TOLERANCE_MM]) / known_mm
    sunk = height_mm(known.nominal) - THICKNESS_MM
    parts = {
        "card": np.diag(of_lengths(*tolerance**2 / 3)),
        "edges": edge_covariance(shape, sides, SHIFT_MM),
        "plane": plane_covariance(shape, known.nominal, known.spread_mm) + _common(shape, known.nominal),
        "lens": lens_covariance(shape, known.nominal, known.plane_map, known.k1_std),
        "waves": waves_covariance(shape, known.nominal, known.waves_mm),
        "rim": shape.effect[:, :4] @ np.diag(rim_std**2) @ shape.effect[:, :4].T,
        "height": outer(of_lengths(1, 1) * _sunk_std(known)),
    }
    parts = {name: part[np.ix_(kept, kept)] for name, part in parts.items()}
    weigh = np.linalg.inv(np.sum(list(parts.values()), axis=0))
    length = of_lengths(1, 1)[kept]
    variance = 1 / float(length @ weigh @ length)
    weight = variance * weigh @ length
    told = float(weight @ rest[kept])
    _check_shape(rest[kept] - told * length, weigh, kept, shape)
    scale = float(np.exp(told)) / (1 + sunk / known.stand.distance_mm)
    budget = {name: float(np.sqrt(max(float(weight @ part @ weight), 0.0))) for name, part in parts.items()}
    limits = tuple((scale * np.abs(weight[kept < 2] * tolerance[kept[kept < 2]])).tolist())
    return _Found(sides, scale, scale * float(np.sqrt(variance)), budget, limits, score)


def _common(shape: Shape, nominal: Nominal) -> Array:
    """(9, 9) from errors of the map that are not the twists' own: of scale, shape and tilt."""
    at = places(nominal)
    middle, reach = at.mean(0), float(np.hypot(*(at - at.mean(0)).T).max())
    bent = fields((shape.points - middle) / reach)[..., [2, 4, 5, 6, 7]]
    effect = COMMON_STD * reach * shape.change(bent)
    return np.asarray(effect @ effect.T)


def _kept(seen: BoolArray) -> IntArray:
    """Numbers of the figures of Shape that the seen sides give."""
    even, odd = seen[0] and seen[2], seen[1] and seen[3]
    return np.flatnonzero([odd, even, (seen[0] or seen[2]) and (seen[1] or seen[3]), even, odd])


def _outward(shape: Shape, sides: Sides, stand: CameraPlace) -> tuple[Array, Array]:
    """How far (4,) mm the edges that are seen lie outside of the upper face's, and the standard uncertainty.

    Wall: on the camera's side the lower edge lies farther out by the thickness times the way to the camera's foot / its
    distance; which of both is seen is not known: the mean is taken, rectangular. Shadow: an edge that is brighter
    inside is the card's for certain; one that is darker may be that of its shadow, which falls on one of two opposite
    sides and is wider than the card is thick under a low lamp. Line: a thin dark
    line of wall and shadow between two tones much alike pushes the edge inward by up to its blur.
    """
    ahead = np.roll(sides.corners_mm, -1, 0) - sides.corners_mm
    left = np.stack([-ahead[:, 1], ahead[:, 0]], 1) / np.hypot(*ahead.T)[:, None]
    beyond = shape.outward * np.sum(left * (stand.foot_mm - sides.corners_mm), 1)
    wall = THICKNESS_MM * np.maximum(beyond, 0.0) / stand.distance_mm
    shadow = THICKNESS_MM * sides.dark
    line = sides.dip * sides.blur_mm
    std = np.sqrt(wall**2 / 12 + (SHADOW_STD * shadow) ** 2 / 2 + line**2 / 4)
    return wall / 2 + SHADOW_MEAN * shadow / 2 - line / 2, std


def _sunk_std(known: _Known) -> float:
    """Relative standard uncertainty of the scale by heights: the piece's face may lie flat or stand up to twice as high
    as thought, the card may be thicker, bowed, and the camera's distance is not known well."""
    height, stand = height_mm(known.nominal), known.stand
    rise = np.array([height, BOW_MM, THICKNESS_TOLERANCE_MM]) / np.sqrt(3.0)
    far = (height - THICKNESS_MM) * stand.distance_std_mm / stand.distance_mm
    return float(np.hypot(np.linalg.norm(rise), far)) / stand.distance_mm


def _check_shape(off: Array, weigh: Array, kept: IntArray, shape: Shape) -> None:
    """Raise PhotoTooPoor where the figures (K,), the scale taken out, are not those of a flat card: their weighted
    square follows a chi-squared distribution of K - 1 degrees of freedom."""
    if not too_odd(float(off @ weigh @ off), len(off) - 1):
        return
    std = np.sqrt(np.diag(np.linalg.inv(weigh)))
    worst = int(kept[int(np.argmax(np.abs(off) / std))])
    aspect = float(shape.lengths_mm[0] / shape.lengths_mm[1])
    if worst < 2:
        why = f"The card's sides are as 1 to {aspect:.3f} (a card's 1 to {LONG_MM / SHORT_MM:.3f})"
    else:
        turn = float(np.degrees(np.abs(shape.figures[worst])))
        why = f"The card's sides are {turn:.1f} degrees off {'right angles' if worst == 2 else 'parallel'}"
    raise PhotoTooPoor(
        f"{why}: it is turned out of the piece's plane, or is no card of 85.60 x 53.98 mm.",
        "Lay the card flat on the same table as the piece.",
    )

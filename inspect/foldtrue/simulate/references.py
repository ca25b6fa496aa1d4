"""Things of known size as the camera sees them: the printed mat under or around the piece, a card beside it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np

from foldtrue.frames import Array, rotation
from foldtrue.handover import Side
from foldtrue.mat import dark_rectangles
from foldtrue.simulate.camera import Pinhole
from foldtrue.simulate.checked import Rgb
from foldtrue.simulate.laid import Card, MatSheet
from foldtrue.simulate.scene import Scene
from foldtrue.simulate.scenery import reference_corners, reference_seen_at
from foldtrue.simulate.shading import lamp_slices, towards_lamp
from foldtrue.simulate.shapes import Shape, beneath, outlines, shape_of

_STEP_MM = 1.5  # parts of a side that a lens or a bent sheet bends
_ROUND = 24  # parts of a card's round corner: 0.002 mm
_TRIPOD = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
# Seven strokes of a figure 2.2 x 4 mm: bottom, middle, top, then the sides; x0, y0, x1, y1, none over another.
_SEGMENTS = (
    (0.4, 0.0, 1.8, 0.4), (0.4, 1.8, 1.8, 2.2), (0.4, 3.6, 1.8, 4.0),
    (0.0, 0.3, 0.4, 1.9), (1.8, 0.3, 2.2, 1.9), (0.0, 2.1, 0.4, 3.7), (1.8, 2.1, 2.2, 3.7),
)  # fmt: skip


def things_on_table(pinhole: Pinhole, scene: Scene) -> list[Shape]:
    """What lies on the table in front and back views, from the bottom up."""
    shapes = []
    if scene.mat is not None:
        shapes += mat_under_lamp(scene.mat, pinhole, scene)
    if scene.card is not None:
        shapes += card_under_lamp(scene.card, pinhole, scene)
    return shapes


def mat_under_lamp(sheet: MatSheet, pinhole: Pinhole, scene: Scene) -> list[Shape]:
    """The sheet and the ink on it, in the colours they give back."""
    paper, ink, _ = _mat_rings(sheet, pinhole, scene)
    return [shape_of([paper], sheet.colour, scene), shape_of([ink], sheet.ink, scene)]


def mat_against_light(sheet: MatSheet, pinhole: Pinhole, scene: Scene) -> Shape:
    """What the sheet around its cut-out and the ink take of the table's light, as a shadow."""
    paper, ink, opening = _mat_rings(sheet, pinhole, scene)
    taken = 1 - sheet.paper_light
    return shape_of([paper, opening, ink], None, scene, [taken, -taken, sheet.paper_light - sheet.ink_light])


def _mat_rings(sheet: MatSheet, pinhole: Pinhole, scene: Scene) -> tuple[Array, Array, Array]:
    """Outlines in px: the paper (1, M, 2), all ink (R, M, 2) and the cut-out (1, M, 2)."""
    step = _STEP_MM if pinhole.k1 != 0 or sheet.bend_mm != 0 else math.inf
    free = np.array(sheet.mat.free_mm) - 2 * sheet.cut_mm
    paper = np.array(sheet.mat.paper_mm) / sheet.scale  # cut to size whatever the printer did
    figures = (_rectangle(paper), _boxes(dark_rectangles(sheet.mat)), _rectangle(free))
    rings = [outlines(corners, step) for corners in figures]

    def in_photo(ring: Array) -> Array:
        return pinhole.project(mat_seen_at(sheet, ring.reshape(-1, 2), pinhole, scene.side)).reshape(ring.shape)

    paper_px, ink_px, free_px = (in_photo(ring) for ring in rings)
    return paper_px, ink_px, free_px


def mat_seen_at(sheet: MatSheet, xy_mm: Array, pinhole: Pinhole, side: Side) -> Array:
    """Places (N, 2) of the mat in mm as designed -> (N, 2) mm of the piece's plane where they are seen, bent or not."""
    square = (2 * xy_mm / np.array(sheet.mat.paper_mm)) ** 2
    from_middle = 0.5 * square.sum(axis=1)
    height = sheet.bend_mm * (1 - from_middle) if sheet.bend_mm > 0 else -sheet.bend_mm * from_middle
    return pinhole.seen_at(_laid(xy_mm * sheet.scale, sheet.centre_mm, sheet.turn_deg, side), height)


def card_seen_at(card: Card, xy_mm: Array, height_mm: float, pinhole: Pinhole, side: Side) -> Array:
    """Places (N, 2) mm about the card's middle, at a height over the table -> (N, 2) mm of the plane, as seen."""
    plan = _laid(xy_mm, card.centre_mm, card.turn_deg, side)
    return pinhole.seen_at(plan, np.full(len(plan), height_mm))


def card_under_lamp(card: Card, pinhole: Pinhole, scene: Scene) -> list[Shape]:
    """The card's shadow, its cut edge as far as it is seen, its face and what is printed on that."""

    def in_photo(ring: Array, height_mm: float) -> Array:
        seen = card_seen_at(card, ring.reshape(-1, 2), height_mm, pinhole, scene.side)
        return pinhole.project(seen).reshape(ring.shape)

    outline = _round_rectangle(card)
    foot, face = in_photo(outline, 0.0), in_photo(outline, card.thickness_mm)
    prints = [(in_photo(outlines(corners, _STEP_MM), card.thickness_mm), ink) for corners, ink in _invented_print(card)]
    printed = [shape_of([ring], ink, scene) for ring, ink in prints] if card.printed else []
    whole = shape_of([face], card.colour, scene)
    top = whole
    for one in printed:
        top = beneath(top, one)
    if card.thickness_mm == 0:
        return [top, *printed]
    wall = shape_of([_hull(np.concatenate([foot, face]))], _shaded(card.colour), scene)
    shapes = [beneath(wall, whole), top, *printed]
    if scene.relief.shadow > 0:
        shapes.insert(0, _card_shadow(card, outline, wall, pinhole, scene))
    return shapes


def _card_shadow(card: Card, outline: Array, wall: Shape, pinhole: Pinhole, scene: Scene) -> Shape:
    """Where the card hides the lamp from the table, slice by slice of the lamp: the penumbra; and the card, as far as
    its wall reaches, the shadow."""
    plan = _laid(outline, card.centre_mm, card.turn_deg, scene.side)
    slices = lamp_slices(scene.lamp, card.thickness_mm, pinhole.scale_px_mm)
    rings = []
    for elevation in slices:
        throw = -card.thickness_mm / math.tan(elevation) * towards_lamp(scene)
        rings.append(_hull(pinhole.project(np.concatenate([plan, plan + throw]))))
    taken = scene.relief.shadow * (1 - scene.lamp.ambient)
    return beneath(shape_of(rings, None, scene, [taken / len(slices)] * len(slices)), wall, taken)


def references_truth(pinhole: Pinhole, scene: Scene) -> dict[str, Any]:
    """Where things of known size lie in the photo, as plain values; only what the scene has.

    reference_corners_px: of the blank sheet as it is seen, counter-clockwise in the piece's plane from its lower left
    corner.
    mat_homography: (3, 3) mat mm as designed -> undistorted px (lens: Truth.map), of the mat lying flat; mat_bars_mm:
    true lengths of its bars as printed.
    card_homography: the same for the card's face, from mm about its middle; card_corners_px: where the sides of its
    face, prolonged, meet, counter-clockwise as seen from its lower left corner.
    """
    truth: dict[str, Any] = {}
    sheet, card, lit = scene.mat, scene.card, scene.view != "backlit"
    if lit and scene.reference is not None:
        truth["reference_corners_px"] = _rows(pinhole.project(reference_seen_at(scene.reference, pinhole)))
    if sheet is not None:
        flat = _laid(_TRIPOD * sheet.scale, sheet.centre_mm, sheet.turn_deg, scene.side)
        truth["mat_homography"] = _rows(_homography(flat, pinhole))
        truth["mat_bars_mm"] = tuple(bar * share for bar, share in zip(sheet.mat.bars_mm, sheet.scale, strict=True))
    if lit and card is not None:
        face = card_seen_at(card, _TRIPOD, card.thickness_mm, pinhole, scene.side)
        truth["card_homography"] = _rows(_homography(face, pinhole))
        corners = _rectangle(np.array(card.size_mm))[0]
        at = card_seen_at(card, corners, card.thickness_mm, pinhole, scene.side)
        truth["card_corners_px"] = _rows(pinhole.project(at))
    return truth


def things_mm(scene: Scene) -> Array:
    """(N, 2) plan mm: corners of every thing of known size in the scene, where it lies."""
    found: list[Array] = [np.zeros((0, 2))]
    sheet, card, lit = scene.mat, scene.card, scene.view != "backlit"
    if lit and scene.reference is not None:
        found.append(reference_corners(scene.reference))
    if sheet is not None:
        corners = _rectangle(np.array(sheet.mat.paper_mm))[0]
        found.append(_laid(corners, sheet.centre_mm, sheet.turn_deg, scene.side))
    if lit and card is not None:
        corners = _rectangle(np.array(card.size_mm))[0]
        found.append(_laid(corners, card.centre_mm, card.turn_deg, scene.side))
    return np.concatenate(found)


def _homography(tripod_mm: Array, pinhole: Pinhole) -> Array:
    """(3, 3) of a thing's own mm -> undistorted px, from where its (0, 0), (1, 0) and (0, 1) lie in the plane."""
    affine = np.eye(3)
    affine[:2, :2] = (tripod_mm[1:] - tripod_mm[0]).T
    affine[:2, 2] = tripod_mm[0]
    homography = pinhole.plane_map().homography @ affine
    return np.asarray(homography / homography[2, 2])


def _laid(xy_mm: Array, centre_mm: tuple[float, float], turn_deg: float, side: Side) -> Array:
    """(N, 2) mm on the face of a thing -> (N, 2) mm in the plan's axes; from behind, x of the plan runs to the left."""
    seen = xy_mm @ rotation(turn_deg).T
    return np.asarray(seen * (1.0 if side == "front" else -1.0, 1.0) + centre_mm)


def _rectangle(size_mm: Array) -> Array:
    """(1, 4, 2) corners about the middle, counter-clockwise from the lower left one."""
    return _boxes(np.concatenate([-size_mm / 2, size_mm / 2])[None])


def _boxes(bounds: Array) -> Array:
    """(R, 4) x0, y0, x1, y1 -> (R, 4, 2) corners, counter-clockwise."""
    x0, y0, x1, y1 = bounds.T
    return np.stack([np.stack([x0, x1, x1, x0], 1), np.stack([y0, y0, y1, y1], 1)], axis=2)


def _round_rectangle(card: Card) -> Array:
    """(M, 2) the card's outline about its middle, counter-clockwise."""
    quarter = np.linspace(0, math.pi / 2, _ROUND + 1)
    middle = np.array(card.size_mm) / 2 - card.radius_mm
    parts = []
    for k, (x, y) in enumerate([(1, 1), (-1, 1), (-1, -1), (1, -1)]):
        angle = quarter + k * math.pi / 2
        parts.append(middle * (x, y) + card.radius_mm * np.column_stack([np.cos(angle), np.sin(angle)]))
    return np.asarray(outlines(np.concatenate(parts)[None], _STEP_MM)[0])


def _hull(points_px: Array) -> Array:
    """(M, 2) convex hull, running as a figure does that is counter-clockwise with y up."""
    from scipy.spatial import ConvexHull

    return np.asarray(points_px[ConvexHull(points_px).vertices[::-1]])


def _invented_print(card: Card) -> Iterator[tuple[Array, Rgb]]:
    """(R, 4, 2) corners in mm about the middle and their colour: a band from edge to edge, a block, made-up figures."""
    width, height = card.size_mm
    yield _boxes(np.array([[-width / 2, 0.14 * height, width / 2, 0.34 * height]])), card.ink
    yield _boxes(np.array([[-0.40 * width, -0.14 * height, -0.27 * width, 0.06 * height]])), card.pale
    strokes = []
    for k in range(16):
        left = -0.38 * width + (k + k // 4 * 0.7) * 0.041 * width
        for part in (s for s in range(7) if (k * 29 + 7) % 61 >> (s % 6) & 1 or s == k % 7):
            x0, y0, x1, y1 = _SEGMENTS[part]
            strokes.append([left + x0, -0.28 * height + y0, left + x1, -0.28 * height + y1])
    yield _boxes(np.array(strokes)), card.pale


def _shaded(colour: Rgb) -> Rgb:
    """A card's cut edge, darker than its face."""
    return (0.5 * colour[0], 0.5 * colour[1], 0.5 * colour[2])


def _rows(points: Array) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(float(value) for value in row) for row in points)

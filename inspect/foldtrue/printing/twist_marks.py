"""Names of the twists and the arc arrows that show their hands."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from foldtrue.frames import Array
from foldtrue.printing.drawing import SAMPLE_MM, WHITE, Area, KeyEntry, Mark, Stroke, Words
from foldtrue.printing.words import width_mm

_ARC_DEG = (-60.0, 170.0)
_ARC_MM = 0.15


def room(corners: Array) -> float:
    """Radius in mm of the circle about the middle of a polygon (K, 2) that reaches its nearest side."""
    a = corners - corners.mean(0)
    side = np.roll(a, -1, 0) - a
    return float(np.min(np.abs(a[:, 0] * side[:, 1] - a[:, 1] * side[:, 0]) / np.hypot(*side.T)))


def name_in(corners: Array, text: str) -> tuple[Mark, ...]:
    """A name in the middle of a twist's polygon, as large as it fits between 1 and 4 mm, lines behind it left out."""
    x, y = corners.mean(0)
    return label(float(x), float(y), text, float(np.clip(0.5 * room(corners), 1.0, 4.0)))


def label(x: float, y: float, text: str, size_mm: float) -> tuple[Mark, ...]:
    """Words centred on a point, on a white ground that keeps them clear of lines."""
    half = np.array([width_mm(text, size_mm) / 2 + 0.15 * size_mm, 0.55 * size_mm])
    ground = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half + [x, y]
    return Area((ground,), WHITE, "ground"), Words((x, y - 0.35 * size_mm), text, size_mm, "middle")


def hand_arrow(centre: Array, radius: float, hand: int) -> tuple[Mark, ...]:
    """An arc with a head at its end, running counter-clockwise for hand +1 and clockwise for -1."""
    angle = np.deg2rad(np.linspace(*_ARC_DEG, 24))
    arc = radius * np.stack([np.cos(angle), np.sin(angle)], 1)
    ahead = np.array([-np.sin(angle[-1]), np.cos(angle[-1])])
    outward = arc[-1] / radius
    size = max(0.3 * radius, min(0.9, 0.5 * radius))
    head = np.array([arc[-1] + size * ahead, arc[-1] + 0.5 * size * outward, arc[-1] - 0.5 * size * outward])
    mirror = np.array([1.0 if hand > 0 else -1.0, 1.0])
    shown = "ccw" if hand > 0 else "cw"
    return Stroke(centre + arc * mirror, shown, _ARC_MM), Area((centre + head * mirror,), 0.0, shown)


def twist_marks(polygons: Sequence[Array], names: Sequence[str], hands: Sequence[int] | None = None) -> Iterable[Mark]:
    """Names in the middles of polygons (K, 2) and, where hands are given, arrows around them."""
    for k, (corners, name) in enumerate(zip(polygons, names, strict=True)):
        yield from name_in(corners, name)
        if hands is not None:
            yield from hand_arrow(corners.mean(0), 0.8 * room(corners), hands[k])


def hand_key() -> tuple[KeyEntry, ...]:
    middle = np.array([SAMPLE_MM[0] / 2, 0.0])
    words = {1: "twist of hand ccw (counter-clockwise)", -1: "twist of hand cw (clockwise)"}
    return tuple(KeyEntry(hand_arrow(middle, 2.0, hand), meaning) for hand, meaning in words.items())

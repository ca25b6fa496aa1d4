"""What a flat rectangle of known size says of the scale, and how well: shared by sheets and cards.

Everything that acts on the measured shape is a small field of displacements along the sides, so that its effect on all
figures of the shape, and how these go together, is one matrix (docs/scale.md).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import Nominal
from foldtrue.rectify.sides import Sides, bow_shape

K1_STD = 0.004
"""Of a camera that corrects its own lens, for a 26 mm equivalent lens [from memory: a few px in the corners]."""
TWIST_STD = 0.02
"""Standard deviation of a twist's place, of the pitch (common practice, no source)."""
FIGURES = 9
"""Of a rectangle's shape, as in Shape."""
DOUBT = 0.001
"""What lies flat and has straight sides shows so odd a shape once in a thousand times."""
LAYER_MM = 0.16
"""Height of a folded layer: 0.1 mm of paper, the rest air (common practice, no source)."""


@dataclass(frozen=True)
class ReferenceScale:
    """The scale of the piece by a thing of known size that lies under or beside it; tilt is the piece's own.

    scale: measured size / planned size: true mm per plan mm of the given map. scale_std: its standard uncertainty, the
    whole budget. corners_px: (4, 2) where the sides, prolonged, meet; clockwise as the photo shows them; one that is
    out of the picture is out of it here too. sides_mm: (4,) plan mm from each corner to the next. budget: relative
    standard uncertainty of the scale by source. limits: half-widths of those errors of it that have hard limits, the
    tolerances of the thing's own sides. face_px: (4, 2) outline of a face that no picture may show, or None.
    """

    kind: Literal["card", "A4", "Letter"]
    scale: float
    scale_std: float
    corners_px: Array
    sides_mm: Array
    budget: Mapping[str, float]
    limits: tuple[float, ...] = ()
    face_px: Array | None = None


class Shape:
    """Nine figures of a rectangle and how a field of displacements changes them: the logarithms of its two lengths (of
    sides 0 and 2, of sides 1 and 3), the departure of its corners from right angles, by how much sides 0 and 2, and 1
    and 3, are not parallel, and the bows of its four sides (sides.Line); angles in rad, ccw, bows in mm.

    points: (N, 2) plan mm along all sides. lengths_mm: (2,). figures: (9,), the logarithms of mm first. effect: (9, 12)
    change per displacement (mm) of the four sides to the left of their direction, per turn (rad) and per bow (mm) of
    the four.
    """

    def __init__(self, sides: Sides, count: int = 40) -> None:
        a, b = sides.corners_mm, np.roll(sides.corners_mm, -1, 0)
        at = (np.arange(count) + 0.5) / count
        self.points = (a[:, None] + at[None, :, None] * (b - a)[:, None]).reshape(-1, 2)
        self.lengths_mm = 0.5 * (sides.lengths_mm[:2] + sides.lengths_mm[2:])
        ahead = (b - a) / sides.lengths_mm[:, None]
        self._left = np.repeat(np.stack([-ahead[:, 1], ahead[:, 0]], 1), count, 0)
        self._slope = (at - 0.5) / float(np.sum((at - 0.5) ** 2)) / sides.lengths_mm[:, None]
        self.outward = -float(np.sign(ahead[0, 0] * ahead[1, 1] - ahead[0, 1] * ahead[1, 0]))
        one, two = self.lengths_mm
        self._arch = bow_shape(at)
        self.effect = np.zeros((FIGURES, 12))
        self.effect[5:, 8:] = np.eye(4)
        # The length of sides 0 and 2 is the distance between sides 1 and 3.
        self.effect[0, [1, 3]], self.effect[1, [0, 2]] = self.outward / one, self.outward / two
        pair = [sides.seen[[k, k + 2]] / max(int(sides.seen[[k, k + 2]].sum()), 1) for k in (0, 1)]
        self.effect[2, [4, 6]], self.effect[2, [5, 7]] = pair[0], -pair[1]
        self.effect[3, [4, 6]], self.effect[4, [5, 7]] = (1, -1), (1, -1)
        angle = np.unwrap(np.arctan2(ahead[:, 1], ahead[:, 0])) + self.outward * np.arange(4) * np.pi / 2
        self.figures = np.concatenate([np.log(self.lengths_mm), self.effect[2:5, 4:8] @ angle, sides.bow_mm])

    def change(self, field: Array) -> Array:
        """Changes (9, ...) under displacements (N, 2, ...) of the points."""
        to_left = np.einsum("nk,nk...->n...", self._left, field)
        sides = to_left.reshape(4, -1, *to_left.shape[1:])
        bows = np.einsum("n,kn...->k...", self._arch / float(self._arch @ self._arch), sides)
        moved = np.concatenate([sides.mean(1), np.einsum("kn,kn...->k...", self._slope, sides), bows])
        return np.asarray(np.einsum("fp,p...->f...", self.effect, moved))

    def bowed(self, field: Array) -> Array:
        """A field (N, 2) of the points with nothing of it at the ends of each side and all of it in the middle, but for
        its mean."""
        return np.asarray(np.tile(self._arch, 4)[:, None] * field)

    def change_of_sides(self, outward_mm: Array) -> Array:
        """Changes (9,) when the four sides move outward by (4,) mm each."""
        return np.asarray(self.effect[:, :4] @ (self.outward * outward_mm))


def places(nominal: Nominal) -> Array:
    """(T, 2) what the map was fitted to: the twists' places; the piece's corners where a plan has fewer than four."""
    twists = np.array([t.planned_mm for t in nominal.twists])
    return twists if len(twists) >= 4 else nominal.outline_mm


def fields(xy: Array) -> Array:
    """(N, 2, 8) displacements of the plane that a homography near identity can make: two shifts, scale, turn, then two
    of shape and two of tilt."""
    x, y = xy.T
    zero, one = np.zeros_like(x), np.ones_like(x)
    columns = ((one, zero), (zero, one), (x, y), (-y, x), (x, -y), (y, x), (x * x, x * y), (x * y, y * y))
    return np.stack([np.stack(c, 1) for c in columns], 2)


def plane_covariance(shape: Shape, nominal: Nominal, spread_mm: float) -> Array:
    """(9, 9) from errors of folding that a homography takes for the camera's tilt and shape: what of them remains
    beside the scale.

    The scale in question is that of the similarity that fits the twists best, so the other four fields are freed of
    shift, scale and turn over the twists' places; each twist errs by spread_mm per axis, independently.
    """
    at = places(nominal)
    middle, reach = at.mean(0), float(np.hypot(*(at - at.mean(0)).T).max())
    at_twists = fields((at - middle) / reach).reshape(-1, 8)
    at_sides = fields((shape.points - middle) / reach)
    plain, bent = at_twists[:, :4], at_twists[:, 4:]
    share = np.linalg.lstsq(plain, bent, rcond=None)[0]
    free = bent - plain @ share
    effect = shape.change(at_sides[..., 4:] - at_sides[..., :4] @ share)
    return np.asarray(spread_mm**2 * effect @ np.linalg.pinv(free.T @ free) @ effect.T)


def lens_covariance(shape: Shape, nominal: Nominal, plane_map: PlaneMap, k1_std: float) -> Array:
    """(9, 9) from an error of the lens term, of which the map has taken up what it could within the piece."""
    at = places(nominal)
    middle, reach = at.mean(0), float(np.hypot(*(at - at.mean(0)).T).max())
    taken = np.linalg.lstsq(
        fields((at - middle) / reach).reshape(-1, 8), plane_map.radial_field(at).ravel(), rcond=None
    )
    left = plane_map.radial_field(shape.points) - fields((shape.points - middle) / reach) @ taken[0]
    return outer(k1_std * shape.change(left))


def waves_covariance(shape: Shape, nominal: Nominal, waves_mm: Array | None) -> Array:
    """(9, 9) from waves and a bulge of the piece's paper, which displace its twists together, so that the map takes
    them for its own size, shape and tilt and carries these out to the sides.

    waves_mm: (T, 2, q) what independent errors, one standard deviation each, do to `places`; None where they do
    nothing.
    """
    if waves_mm is None:
        return np.zeros((FIGURES, FIGURES))
    at = places(nominal)
    middle, reach = at.mean(0), float(np.hypot(*(at - at.mean(0)).T).max())
    design = fields((at - middle) / reach).reshape(-1, 8)
    taken = np.linalg.lstsq(design, waves_mm.reshape(len(design), -1), rcond=None)[0]
    effect = shape.change(fields((shape.points - middle) / reach) @ taken)
    return np.asarray(effect @ effect.T)


def edge_covariance(shape: Shape, sides: Sides, shift_mm: float) -> Array:
    """(9, 9) from each side's own error, and from what light, shadow (up to shift_mm, rectangular) and tone curve do to
    all four alike."""
    own = np.zeros((12, 12))
    for k in np.flatnonzero(sides.seen).tolist():
        own[k::4, k::4] = sides.line_cov[k]
    # A wrong tone curve shifts an edge by a share of its blur, an over-exposed side by more of it.
    shift = np.hypot(shift_mm / np.sqrt(3.0), (0.2 + 0.5 * sides.clipped) * sides.blur_mm)
    alike = shape.change_of_sides(np.full(4, shift))
    return np.asarray(shape.effect @ own @ shape.effect.T + outer(alike))


def of_lengths(one: float, two: float) -> Array:
    """(9,) figures that are nothing but the two lengths'."""
    return np.array([one, two, *[0.0] * (FIGURES - 2)])


def too_odd(square: float, freedoms: int) -> bool:
    """Whether a shape is odder than chance makes one in a thousand: square follows a chi-squared distribution."""
    from scipy.special import chdtri

    return square > float(chdtri(freedoms, DOUBT))


def outer(change: Array) -> Array:
    return np.asarray(np.outer(change, change))


def height_mm(nominal: Nominal) -> float:
    """Mean height of the piece's face over the table: sheet area / folded area = mean number of layers."""
    return LAYER_MM * _area(nominal.sheet_outline_mm) / _area(nominal.outline_mm)


def _area(polygon: Array) -> float:
    x, y = polygon.T
    return 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))

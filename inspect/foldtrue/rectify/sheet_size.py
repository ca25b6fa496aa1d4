"""The scale of a piece from a blank A4 or Letter sheet that lies under it: scale from the sheet, tilt from the lattice.

The sheet's four sides are located on the photo's own pixels in linear light, carried to plan millimetres by the map
that was fitted to the piece, and compared with the standard size. Everything that acts on the two lengths is treated as
a small field of displacements along the sides, so that its effect on both, and how the two go together, is one matrix
(docs/scale.md).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from foldtrue.camera_place import camera_place
from foldtrue.errors import PhotoTooPoor
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import Nominal, Photo
from foldtrue.rectify.sheet_sides import Sides, locate_sides

Kind = Literal["A4", "Letter"]
SIZES_MM: dict[Kind, tuple[float, float]] = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
"""Short and long side: ISO 216; ANSI/ASME Y14.1, 8.5 x 11 in."""
K1_STD = 0.004
"""Of a camera that corrects its own lens, for a 26 mm equivalent lens [from memory: a few px in the corners]."""
TWIST_STD = 0.02
"""Standard deviation of a twist's place, of the pitch (common practice, no source)."""
LAYER_MM = 0.16
"""Height of a folded layer: 0.1 mm of paper, the rest air (common practice, no source)."""
CURL_MM = 1.0
"""How far the edge of a sheet that lies free may rise (common practice, no source)."""
SHIFT_MM = 0.15
"""How far light and the sheet's own shadow may shift each side (common practice, no source)."""


@dataclass(frozen=True)
class SheetScale:
    """The scale of the piece by the sheet.

    scale: measured size / planned size: true mm per plan mm of the given map. scale_std: its standard uncertainty, the
    whole budget. corners_px: (4, 2) where the sides, prolonged, meet; clockwise as the photo shows them; one that is
    out of the picture is out of it here too. sides_mm: (4,) plan mm from each corner to the next. budget: relative
    standard uncertainty of the scale by source: paper, edges, plane, lens, height.
    """

    kind: Kind
    scale: float
    scale_std: float
    corners_px: Array
    sides_mm: Array
    budget: Mapping[str, float]


def tolerance_mm(side_mm: float) -> float:
    """Greatest deviation of a trimmed sheet's side: ISO 216 allows 1.5 mm up to 150 mm, 2 mm up to 600 mm, 3 mm above.

    Taken for Letter too, for which no published figure is known to us.
    """
    return 1.5 if side_mm <= 150 else 2.0 if side_mm <= 600 else 3.0


def sheet_scale(
    photo: Photo,
    nominal: Nominal,
    plane_map: PlaneMap,
    kind: Literal["A4", "Letter", "auto"],
    *,
    k1_std: float = K1_STD,
    twist_std_mm: float | None = None,
) -> SheetScale:
    """Measure the scale of the piece that plane_map was fitted to from the sheet it lies on.

    k1_std: standard uncertainty of the map's lens term. twist_std_mm: standard deviation, per axis, of the twists'
    places about the map's fit, None = 0.02 pitch; it says how well the map's tilt is known beyond the piece.
    Raises PhotoTooPoor with the reason when the sheet cannot be found for certain or is not of that kind.
    """
    sides = locate_sides(photo, nominal, plane_map)
    design = _Lengths(sides)
    edges = _edge_covariance(sides)
    spread = TWIST_STD * nominal.pitch_mm if twist_std_mm is None else twist_std_mm
    parts = {
        "edges": edges,
        "plane": _plane_covariance(design, nominal, spread) + _off_centre(sides, nominal),
        "lens": _lens_covariance(design, nominal, plane_map, k1_std),
        "height": _height_covariance(design, photo, nominal, plane_map),
    }
    found, sizes = _kind_by_shape(kind, design.lengths_mm, _sum(parts))
    paper = np.array([tolerance_mm(s) / s / np.sqrt(3.0) for s in sizes])
    parts = {"paper": np.diag(paper**2), **parts}
    total = _sum(parts)
    weight = _weights(total)
    # The sheet lies under the piece's face and so looks smaller.
    sunk = 1 + _height_mm(nominal) / camera_place(photo, plane_map).distance_mm
    scale = float(np.exp(weight @ np.log(np.array(sizes) / design.lengths_mm))) / sunk
    _check_scale(found, scale)
    budget = {name: float(np.sqrt(max(float(weight @ part @ weight), 0.0))) for name, part in parts.items()}
    std = scale * float(np.sqrt(weight @ total @ weight))
    return SheetScale(found, scale, std, sides.corners_px, sides.lengths_mm, budget)


def _check_scale(kind: Kind, scale: float) -> None:
    """A3, A4 and A5 have one shape: half the step between them is the most that a scale may differ from 1."""
    if abs(np.log(scale)) > 0.25 * np.log(2.0):
        raise PhotoTooPoor(
            f"By a sheet of {kind} the piece would have {scale:.2f} times its planned size.",
            "Check the kind of the sheet (A3 and A5 have A4's shape) and the sheet size in the plan.",
        )


class _Lengths:
    """The sheet's two lengths and how a field of displacements changes them.

    points: (N, 2) plan mm along all sides. lengths_mm: (2,), of sides 0 and 2, and of sides 1 and 3.
    """

    def __init__(self, sides: Sides, count: int = 40) -> None:
        a, b = sides.corners_mm, np.roll(sides.corners_mm, -1, 0)
        at = ((np.arange(count) + 0.5) / count)[None, :, None]
        self.points = (a[:, None] + at * (b - a)[:, None]).reshape(-1, 2)
        ahead = (b - a) / np.hypot(*(b - a).T)[:, None]
        out = np.stack([ahead[:, 1], -ahead[:, 0]], 1)
        middle = sides.corners_mm.mean(0)
        out *= np.sign(np.sum(out * (a - middle), 1))[:, None]
        self._out = np.repeat(out, count, 0)
        self._side = np.repeat(np.arange(4), count)
        self.lengths_mm = 0.5 * (sides.lengths_mm[:2] + sides.lengths_mm[2:])

    def change(self, field: Array) -> Array:
        """Relative change (2, ...) of the lengths under displacements (N, 2, ...) of the points."""
        outward = np.einsum("nk,nk...->n...", self._out, field)
        # The length of sides 0 and 2 is the distance between sides 1 and 3.
        moved = np.stack([outward[self._side == k].mean(0) for k in range(4)])
        change = np.stack([moved[1] + moved[3], moved[0] + moved[2]])
        return np.asarray(change / self.lengths_mm.reshape(2, *[1] * (change.ndim - 1)))


def _sum(parts: Mapping[str, Array]) -> Array:
    return np.asarray(np.sum(list(parts.values()), axis=0))


def _outer(change: Array) -> Array:
    return np.asarray(np.outer(change, change))


def _fields(xy: Array) -> Array:
    """(N, 2, 8) displacements of the plane that a homography near identity can make: two shifts, scale, turn, then two
    of shape and two of tilt."""
    x, y = xy.T
    zero, one = np.zeros_like(x), np.ones_like(x)
    columns = ((one, zero), (zero, one), (x, y), (-y, x), (x, -y), (y, x), (x * x, x * y), (x * y, y * y))
    return np.stack([np.stack(c, 1) for c in columns], 2)


def _places(nominal: Nominal) -> Array:
    """(T, 2) what the map was fitted to: the twists' places; the piece's corners where a plan has fewer than four."""
    twists = np.array([t.planned_mm for t in nominal.twists])
    return twists if len(twists) >= 4 else nominal.outline_mm


def _plane_covariance(design: _Lengths, nominal: Nominal, spread_mm: float) -> Array:
    """Errors of folding that a homography takes for the camera's tilt and shape: what of them remains beside the scale.

    The scale in question is that of the similarity that fits the twists best, so the other four fields are freed of
    shift, scale and turn over the twists' places; each twist errs by spread_mm per axis, independently.
    """
    places = _places(nominal)
    middle, reach = places.mean(0), float(np.hypot(*(places - places.mean(0)).T).max())
    at_twists = _fields((places - middle) / reach).reshape(-1, 8)
    at_sheet = _fields((design.points - middle) / reach)
    plain, shape = at_twists[:, :4], at_twists[:, 4:]
    share = np.linalg.lstsq(plain, shape, rcond=None)[0]
    free = shape - plain @ share
    effect = design.change(at_sheet[..., 4:] - at_sheet[..., :4] @ share)
    return np.asarray(spread_mm**2 * effect @ np.linalg.pinv(free.T @ free) @ effect.T)


def _off_centre(sides: Sides, nominal: Nominal) -> Array:
    """What the sides' own departure from parallel says of the map's tilt: its effect on the lengths, since the sheet
    does not lie with its middle under the piece's. Not corrected (a sheet may be cut or lie askew), but counted."""
    lengths = sides.lengths_mm
    one, two = 0.5 * (lengths[0] + lengths[2]), 0.5 * (lengths[1] + lengths[3])
    down = (lengths[2] - lengths[0]) / (one * two)
    across = (lengths[1] - lengths[3]) / (one * two)
    c = sides.corners_mm
    axis_one = ((c[1] + c[2]) - (c[0] + c[3])) / 2 / one
    axis_two = ((c[2] + c[3]) - (c[0] + c[1])) / 2 / two
    off = c.mean(0) - _places(nominal).mean(0)
    x, y = float(off @ axis_one), float(off @ axis_two)
    return _outer(np.array([2 * across * x + down * y, across * x + 2 * down * y]))


def _lens_covariance(design: _Lengths, nominal: Nominal, plane_map: PlaneMap, k1_std: float) -> Array:
    """An error of the lens term, of which the map has taken up what it could within the piece."""
    places = _places(nominal)
    middle, reach = places.mean(0), float(np.hypot(*(places - places.mean(0)).T).max())
    taken = np.linalg.lstsq(
        _fields((places - middle) / reach).reshape(-1, 8), plane_map.radial_field(places).ravel(), rcond=None
    )[0]
    left = plane_map.radial_field(design.points) - _fields((design.points - middle) / reach) @ taken
    return _outer(k1_std * design.change(left))


def _edge_covariance(sides: Sides) -> Array:
    """Each side's own error, and what light, shadow and tone curve do to all four alike."""
    one, two = 0.5 * (sides.lengths_mm[0] + sides.lengths_mm[2]), 0.5 * (sides.lengths_mm[1] + sides.lengths_mm[3])
    v = sides.offset_std_mm**2
    own = np.diag([(v[1] + v[3]) / one**2, (v[0] + v[2]) / two**2])
    # A wrong tone curve shifts an edge by a share of its blur, over-exposed paper by more of it.
    shift = np.hypot(SHIFT_MM / np.sqrt(3.0), (0.2 + 0.5 * sides.clipped) * sides.blur_mm)
    return np.asarray(own + _outer(2 * shift * np.array([1 / one, 1 / two])))


def _height_mm(nominal: Nominal) -> float:
    """Mean height of the piece's face over the sheet: sheet area / folded area = mean number of layers."""
    return LAYER_MM * _area(nominal.sheet_outline_mm) / _area(nominal.outline_mm)


def _area(polygon: Array) -> float:
    x, y = polygon.T
    return 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))


def _height_covariance(design: _Lengths, photo: Photo, nominal: Nominal, plane_map: PlaneMap) -> Array:
    """The piece's face may lie flat or stand up to twice as high as thought, and the sheet's edges may curl up."""
    camera = camera_place(photo, plane_map)
    distance, distance_std = camera.distance_mm, camera.distance_std_mm
    height = _height_mm(nominal)
    sunk = float(np.hypot(height / np.sqrt(3.0), height * distance_std / distance)) / distance
    # An edge raised by z moves away from the camera's foot by z / distance of its way there; about the sheet's middle.
    curl = design.change((design.points - design.points.mean(0)) * (CURL_MM / np.sqrt(3.0) / distance))
    return _outer(np.full(2, sunk)) + _outer(curl)


def _kind_by_shape(kind: Kind | Literal["auto"], lengths: Array, measured: Array) -> tuple[Kind, tuple[float, float]]:
    """The kind whose shape the lengths have, and its sizes in their order.

    Both sides may use up their tolerance in opposite senses; on top of that three standard deviations of what was
    measured, paper apart. Raises PhotoTooPoor where no kind, or not the one asked for, has that shape.
    """
    spread = 3 * float(np.sqrt(max(measured[0, 0] + measured[1, 1] - 2 * measured[0, 1], 0.0)))
    fitting: dict[Kind, tuple[float, float]] = {}
    for name, (short, long) in SIZES_MM.items():
        sizes = (short, long) if lengths[0] < lengths[1] else (long, short)
        off = abs(float(np.log(lengths[1] / lengths[0] / (sizes[1] / sizes[0]))))
        if off < sum(tolerance_mm(s) / s for s in sizes) + spread:
            fitting[name] = sizes
    aspect = float(lengths.max() / lengths.min())
    shape = f"The sheet's sides are as 1 to {aspect:.3f} (A4 1 to 1.414, Letter 1 to 1.294)"
    if kind == "auto":
        if len(fitting) != 1:
            raise PhotoTooPoor(f"{shape}; this does not tell its kind.", "Use a blank A4 or Letter sheet, lying flat.")
        return next(iter(fitting.items()))
    if kind not in fitting:
        raise PhotoTooPoor(f"{shape}; this is no {kind} sheet.", "Say what sheet it is, and let it lie flat.")
    return kind, fitting[kind]


def _weights(covariance: Array) -> Array:
    """Weights of the two lengths for the least variance of their mean (Gauss-Markov; JCGM 100, 5.2), none below 0."""
    a, b, c = covariance[0, 0], covariance[1, 1], covariance[0, 1]
    first = float(np.clip((b - c) / max(a + b - 2 * c, 1e-300), 0.0, 1.0))
    return np.array([first, 1 - first])

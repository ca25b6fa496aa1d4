"""The scale of a piece from a blank A4 or Letter sheet that lies under it: scale from the sheet, tilt from the lattice.

The sheet's four sides are located on the photo's own pixels in linear light, carried to plan millimetres by the map
that was fitted to the piece, and compared with the standard size. How they are bowed says what the lens does to them
(docs/scale.md).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import numpy as np

from foldtrue.camera_place import CameraPlace, camera_place
from foldtrue.errors import PhotoTooPoor
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import Nominal, Photo
from foldtrue.rectify.sheet_sides import locate_sides
from foldtrue.rectify.sides import Sides
from foldtrue.rectify.size_budget import (
    K1_STD,
    TWIST_STD,
    ReferenceScale,
    Shape,
    edge_covariance,
    height_mm,
    lens_covariance,
    of_lengths,
    outer,
    places,
    plane_covariance,
    too_odd,
    waves_covariance,
)
from foldtrue.sizes import A4_MM, LETTER_MM, paper_tolerance_mm

Kind = Literal["A4", "Letter"]
SIZES_MM: dict[Kind, tuple[float, float]] = {"A4": A4_MM, "Letter": LETTER_MM}
CURL_MM = 1.0
"""How far the edge of a sheet that lies free may rise (common practice, no source)."""
TRIM_MM = 0.1
"""How far the middle of a trimmed side is off the line between its ends, standard (common practice, no source)."""
SHIFT_MM = 0.15
"""How far light and the sheet's own shadow may shift each side (common practice, no source)."""


def sheet_scale(
    photo: Photo,
    nominal: Nominal,
    plane_map: PlaneMap,
    kind: Literal["A4", "Letter", "auto"],
    *,
    k1_std: float = K1_STD,
    twist_std_mm: float | None = None,
    waves_mm: Array | None = None,
) -> ReferenceScale:
    """Measure the scale of the piece that plane_map was fitted to from the sheet it lies on.

    k1_std: standard uncertainty of the map's lens term. twist_std_mm: standard deviation, per axis, of the twists'
    places about the map's fit, None = 0.02 pitch; it says how well the map's tilt is known beyond the piece. waves_mm:
    as for waves_covariance.
    Raises PhotoTooPoor with the reason when the sheet cannot be found for certain or is not of that kind.
    """
    sides = locate_sides(photo, nominal, plane_map)
    shape = Shape(sides)
    stand = camera_place(photo, plane_map)
    spread = TWIST_STD * nominal.pitch_mm if twist_std_mm is None else twist_std_mm
    # Lengths and bows serve for a sheet: its cut and its curl leave angles to themselves.
    parts = {
        "edges": edge_covariance(shape, sides, SHIFT_MM),
        "plane": plane_covariance(shape, nominal, spread) + _off_centre(sides, nominal),
        "lens": lens_covariance(shape, nominal, plane_map, k1_std),
        "waves": waves_covariance(shape, nominal, waves_mm),
        "height": _height_covariance(shape, nominal, stand),
        "paper": np.diag([*[0.0] * 5, *[TRIM_MM**2] * 4]),
    }
    rest = _sum(parts)
    by_bows = _by_bows(shape, rest)
    lengths = np.exp(by_bows @ shape.figures)
    found, sizes = _kind_by_shape(kind, lengths, by_bows @ rest @ by_bows.T)
    paper = np.array([paper_tolerance_mm(s) / s for s in sizes])
    parts["paper"] = parts["paper"] + np.diag(of_lengths(*paper**2 / 3))
    total = _sum(parts)
    weight = _weights(by_bows @ total @ by_bows.T)
    # The sheet lies under the piece's face and so looks smaller.
    sunk = 1 + height_mm(nominal) / stand.distance_mm
    scale = float(np.exp(weight @ np.log(np.array(sizes) / lengths))) / sunk
    _check_scale(found, scale)
    row = weight @ by_bows
    budget = {name: float(np.sqrt(max(float(row @ part @ row), 0.0))) for name, part in parts.items()}
    std = scale * float(np.sqrt(row @ total @ row))
    limits = tuple((scale * weight * paper).tolist())
    return ReferenceScale(found, scale, std, sides.corners_px, sides.lengths_mm, budget, limits)


def _by_bows(shape: Shape, covariance: Array) -> Array:
    """(2, 9) that makes of the figures the logarithms of the lengths with what the bows say of them taken out: a lens
    that bows the sides makes them longer or shorter too (conditional mean of a normal distribution, the bows' own being
    0). Raises PhotoTooPoor where no lens and no usual curl bows four sides so."""
    bows = covariance[5:, 5:]
    if too_odd(float(shape.figures[5:] @ np.linalg.solve(bows, shape.figures[5:])), len(bows)):
        raise PhotoTooPoor("The sides of the sheet under the piece are not straight.", "Lay it flat, with no edge up.")
    return np.concatenate([np.eye(2, 5), -np.linalg.solve(bows, covariance[5:, :2]).T], 1)


def _check_scale(kind: Kind, scale: float) -> None:
    """A3, A4 and A5 have one shape: half the step between them is the most that a scale may differ from 1."""
    if abs(np.log(scale)) > 0.25 * np.log(2.0):
        raise PhotoTooPoor(
            f"By a sheet of {kind} the piece would have {scale:.2f} times its planned size.",
            "Check the kind of the sheet (A3 and A5 have A4's shape) and the sheet size in the plan.",
        )


def _sum(parts: Mapping[str, Array]) -> Array:
    return np.asarray(np.sum(list(parts.values()), axis=0))


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
    off = c.mean(0) - places(nominal).mean(0)
    x, y = float(off @ axis_one), float(off @ axis_two)
    return outer(of_lengths(2 * across * x + down * y, across * x + 2 * down * y))


def _height_covariance(shape: Shape, nominal: Nominal, stand: CameraPlace) -> Array:
    """The piece's face may lie flat or stand up to twice as high as thought, and the sheet's edges may curl up: all of
    them along their whole lengths, all of them more in their middles than at their ends, or each by itself."""
    height = height_mm(nominal)
    lean = stand.distance_std_mm / stand.distance_mm
    sunk = height * float(np.hypot(1 / np.sqrt(3.0), lean)) / stand.distance_mm
    # An edge raised by z moves away from the camera's foot by z / distance of its way there; about the sheet's middle.
    rise = CURL_MM / np.sqrt(3.0) / stand.distance_mm
    raised = shape.change((shape.points - shape.points.mean(0)) * rise)
    bowed = shape.change(shape.bowed((shape.points - stand.foot_mm) * rise))
    return outer(of_lengths(sunk, sunk)) + outer(raised) + outer(bowed) + np.diag(bowed**2)


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
        if off < sum(paper_tolerance_mm(s) / s for s in sizes) + spread:
            fitting[name] = sizes
    aspect = float(lengths.max() / lengths.min())
    found = f"The sheet's sides are as 1 to {aspect:.3f} (A4 1 to 1.414, Letter 1 to 1.294)"
    if kind == "auto":
        if len(fitting) != 1:
            raise PhotoTooPoor(f"{found}; this does not tell its kind.", "Use a blank A4 or Letter sheet, lying flat.")
        return next(iter(fitting.items()))
    if kind not in fitting:
        raise PhotoTooPoor(f"{found}; this is no {kind} sheet.", "Say what sheet it is, and let it lie flat.")
    return kind, fitting[kind]


def _weights(covariance: Array) -> Array:
    """Weights of the two lengths for the least variance of their mean (Gauss-Markov; JCGM 100, 5.2), none below 0."""
    a, b, c = covariance[0, 0], covariance[1, 1], covariance[0, 1]
    first = float(np.clip((b - c) / max(a + b - 2 * c, 1e-300), 0.0, 1.0))
    return np.array([first, 1 - first])

"""What rectification is asked for, and how a placement becomes the plane that is handed on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from foldtrue.errors import PhotoTooPoor
from foldtrue.frames import Array, PlaneMap, apply_homography
from foldtrue.handover import Nominal, Photo, Plane, Side, View
from foldtrue.rectify.look import to_small_matrix


@dataclass(frozen=True, kw_only=True)
class RectifyOptions:
    """What the person says, and the limits.

    view: how the piece was lit and from where; 'auto' finds out. side: which side faces the camera, None = not said,
    the front is assumed; front and back views tell it themselves. at_px: the photo px of the plan's origin, when the
    person gives it. pins: rows (x mm, y mm, x px, y px) of the folded plan's points laid on the photo by hand, None =
    find it. least_share: of the light's variance that the plan must explain (false-alarm rate in
    docs/accuracy.md). ambiguity: the runner-up's unexplained variance must exceed the best's by this factor.
    least_contrast: of the planned edges in a front or back view. least_pitch_px: the smallest pitch that can be
    measured. up_deg: direction in the photo that counts as upright, counter-clockwise from its own: the mat's up mark.
    """

    view: View | Literal["auto"] = "backlit"
    side: Side | None = None
    at_px: tuple[float, float] | None = None
    pins: tuple[tuple[float, float, float, float], ...] | None = None
    least_share: float = 0.5
    least_contrast: float = 0.15
    ambiguity: float = 1.6
    least_pitch_px: float = 16.0
    up_deg: float = 0.0


@dataclass(frozen=True)
class Placed:
    """A decided placement: matrix (3, 3) plan mm -> small px, how it was found, its score and its best rival's."""

    matrix: Array
    method: str
    score: float
    runner_up: float


def px_per_mm(matrix: Array) -> float:
    """Scale of a homography (last entry 1) at its origin, the mean over all directions."""
    return float(np.sqrt(abs(np.linalg.det(matrix[:2, :2] - np.outer(matrix[:2, 2], matrix[2, :2])))))


def turn_deg(matrix: Array, ahead_mm: float) -> float:
    """How far a placement (3, 3) mm -> px is turned, counter-clockwise: the direction in the photo of a step of
    (ahead_mm, 0) from the origin."""
    p = apply_homography(matrix, np.array([[0.0, 0.0], [ahead_mm, 0.0]]))
    return float(np.degrees(np.arctan2(p[0, 1] - p[1, 1], p[1, 0] - p[0, 0])))


def as_plane(
    photo: Photo, factor: int, nominal: Nominal, placed: Placed, options: RectifyOptions, alike: list[Array]
) -> Plane:
    """The plane in full-size px, in the turn closest to upright of those that look alike.

    factor: by which the small photo was reduced. alike: motions (3, 3) of the plan, mm, that leave the look as it is.
    Raises PhotoTooPoor when the pitch is too few pixels.
    """
    assert options.view != "auto"
    mirrored = faces_back(options)
    matrix, turn = _most_upright(np.linalg.inv(to_small_matrix(factor)) @ placed.matrix, nominal, alike, options)
    scale = px_per_mm(matrix / matrix[2, 2])
    if scale * nominal.pitch_mm < options.least_pitch_px:
        raise PhotoTooPoor(
            f"The piece is too small in the picture: {scale * nominal.pitch_mm:.0f} px per pitch, "
            f"at least {options.least_pitch_px:.0f} needed.",
            "Go closer or use a higher resolution.",
        )
    height, width = photo.pixels.shape[:2]
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    focal = 26.0 / 43.2666 * float(np.hypot(width, height))
    return Plane(
        PlaneMap(matrix / matrix[2, 2], 0.0, centre, focal),
        options.view,
        "back" if mirrored else "front",
        turn,
        "none",
        _assumptions(options),
        placed.method,
        placed.score,
        placed.runner_up,
    )


def faces_back(options: RectifyOptions) -> bool:
    """Whether the back faces the camera: told by the view, against the light by the person."""
    return options.view == "back" or (options.view == "backlit" and options.side == "back")


def _assumptions(options: RectifyOptions) -> tuple[str, ...]:
    always = ("plane_from_piece", "scale_assumed", "tone_curve_assumed")
    return (*always, "side_assumed") if options.view == "backlit" and options.side is None else always


def _most_upright(matrix: Array, nominal: Nominal, alike: list[Array], options: RectifyOptions) -> tuple[Array, float]:
    """Among the placements that look alike, the one closest to upright, and its turn."""
    ahead = -nominal.pitch_mm if faces_back(options) else nominal.pitch_mm
    turns = ((m, turn_deg(m, ahead)) for m in (matrix @ motion for motion in alike))
    return min(turns, key=lambda item: off_upright_deg(item[1], options))


def off_upright_deg(turn: float, options: RectifyOptions) -> float:
    """How far a turn is from the direction that counts as upright, 0 to 180."""
    return abs((turn - options.up_deg + 180.0) % 360.0 - 180.0)

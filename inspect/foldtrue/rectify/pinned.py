"""The person lays the plan on the photo by hand, where it cannot be found: points of the plan pinned to pixels.

Pins only start the search: a hand is right to a few pixels, and whether the plan is there the photo still decides.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from foldtrue.errors import UsageError
from foldtrue.frames import Array, apply_homography
from foldtrue.rectify.look import to_small_matrix
from foldtrue.rectify.symmetry import motion

if TYPE_CHECKING:
    from foldtrue.rectify.outcome import RectifyOptions

LEAST = 4
_WORST = 0.05
"""RMS distance of pins from the map they give, over the size of what they span: beyond it they are not a plane's."""


def pinned_matrix(pins: tuple[tuple[float, float, float, float], ...]) -> Array:
    """(3, 3) folded mm -> photo px, the least-squares homography of rows (x mm, y mm, x px, y px).

    Raises UsageError where there are fewer than four, or no plane seen by a camera has its points so.
    """
    import cv2

    rows = np.array(pins, float).reshape(-1, 4)
    if len(rows) < LEAST or not np.isfinite(rows).all():
        raise UsageError("Fewer than four pins hold no plan.", f"Give at least {LEAST}, far apart.")
    matrix, _ = cv2.findHomography(rows[:, :2], rows[:, 2:], 0)
    if matrix is None or not np.isfinite(matrix).all():
        raise _no_plane()
    depth = rows[:, :2] @ matrix[2, :2] + matrix[2, 2]
    off = apply_homography(np.asarray(matrix, float), rows[:, :2]) - rows[:, 2:]
    size = float(np.ptp(rows[:, 2:], axis=0).max())
    if (depth * depth[0] <= 0).any() or size <= 0 or float(np.sqrt(np.mean(off**2))) > _WORST * size:
        raise _no_plane()
    return np.asarray(matrix / matrix[2, 2])


def pinned_turns(options: RectifyOptions, factor: int) -> list[Array]:
    """Placements (3, 3) folded mm -> px of the photo reduced by `factor`: as pinned, and turned by multiples of 60
    degrees, since a rim alone does not show a turn."""
    assert options.pins is not None
    small = to_small_matrix(factor) @ pinned_matrix(options.pins)
    return [small @ motion(60.0 * k, np.zeros(2)) for k in range(6)]


def with_place(options: RectifyOptions) -> RectifyOptions:
    """Options in which the pins also say where the plan's origin is, unless the person has."""
    if options.pins is None or options.at_px is not None:
        return options
    x, y = apply_homography(pinned_matrix(options.pins), np.zeros((1, 2)))[0].tolist()
    return replace(options, at_px=(x, y))


def _no_plane() -> UsageError:
    return UsageError("No flat piece can be seen with its points where the pins are.", "Check their order and places.")

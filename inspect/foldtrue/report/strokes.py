"""Lines, arrows and discs on a photo: each in a case that contrasts, so that it reads on any background."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import cv2
import numpy as np

from foldtrue.frames import Array

Colour = tuple[int, int, int]
BLACK: Colour = (0, 0, 0)
WHITE: Colour = (255, 255, 255)
SHIFT = 4
"""OpenCV draws at 1/16 px when coordinates carry four binary places."""


def fixed(points: Array) -> Any:
    """(N, 2) px as OpenCV's fixed-point integers, kept within its range."""
    return np.rint(np.atleast_2d(np.clip(points, -2e4, 2e4)) * (1 << SHIFT)).astype(np.int32)


def case_of(colour: Colour) -> Colour:
    """White or black, whichever contrasts."""
    return WHITE if sum(colour) < 384 else BLACK


def polygon(canvas: Any, points: Array, colour: Colour, inner: int, outer: int, *, closed: bool = True) -> None:
    """A line through points (N, 2) in `colour` inside a wider one that contrasts."""
    for shade, thickness in ((case_of(colour), outer), (colour, inner)):
        cv2.polylines(canvas, [fixed(points)], closed, shade, thickness, cv2.LINE_AA, SHIFT)


def dashed(canvas: Any, points: Array, line: int) -> None:
    """A closed line through points (N, 2) in black dashes on white."""
    polygon(canvas, points, WHITE, 3 * line, 3 * line)
    for start, end in zip(points, np.roll(points, -1, axis=0), strict=True):
        dashes = max(1, round(float(np.hypot(*(end - start))) / (14 * line)))
        for k in range(dashes):
            a, b = (start + (end - start) * (k + share) / dashes for share in (0.2, 0.8))
            segment(canvas, a, b, BLACK, 2 * line)


def segment(canvas: Any, start: Array, end: Array, colour: Colour, thickness: int) -> None:
    a, b = fixed(np.array([start, end]))
    cv2.line(canvas, a.tolist(), b.tolist(), colour, thickness, cv2.LINE_AA, SHIFT)


def arrow(canvas: Any, start: Array, vector: Array, colour: Colour, line: int) -> None:
    """A straight arrow with a dot at its root; shorter than a pixel it is only the dot."""
    if float(np.hypot(*vector)) >= 1:
        bent_arrow(canvas, np.array([start, start + vector]), colour, line)
    for shade, radius in ((case_of(colour), 4), (colour, 2.5)):
        disc(canvas, start, radius * line, shade, -1)


def bent_arrow(canvas: Any, points: Array, colour: Colour, line: int) -> None:
    """A line through points (N, 2) with a head at its end."""
    end, last = points[-1], points[-1] - points[-2]
    length = float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
    along = last / max(float(np.hypot(*last)), 1e-9)
    head = min(0.4 * length, 12.0 * line)
    across = np.array([-along[1], along[0]])
    barbs = [end - head * (along + 0.5 * side * across) for side in (1, -1)]
    for shade, thickness in ((case_of(colour), 5 * line), (colour, 2 * line)):
        for a, b in (*pairwise(points), (end, barbs[0]), (end, barbs[1])):
            segment(canvas, a, b, shade, thickness)


def disc(canvas: Any, centre: Array, radius: float, colour: Colour, thickness: int) -> None:
    """A circle; thickness -1 fills it."""
    at = fixed(centre)[0].tolist()
    cv2.circle(canvas, at, round(min(radius, 5000.0) * (1 << SHIFT)), colour, thickness, cv2.LINE_AA, SHIFT)

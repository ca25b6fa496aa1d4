"""overlay.png: the photo with the plan, what was found, and the errors as enlarged arrows.

Everything drawn is a light and a dark line side by side, and shapes differ as well as colours, so that it reads on
any paper, in grey and by colour-blind eyes.
The picture is drawn anew from pixels: nothing of the photo's metadata survives.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import Any

import cv2
import numpy as np
from PIL import Image, ImageDraw

from foldtrue.frames import Array
from foldtrue.handover import Inspection, Photo
from foldtrue.measured import radius95
from foldtrue.report.legend import Marks, add_legend, label

_SHORTEST_SIDE_PX = 1100
_STEPS = (1, 2, 3, 5, 10, 20, 30, 50, 100, 200, 300, 500, 1000)
_SHIFT = 4
"""OpenCV draws at 1/16 px when coordinates carry four binary places."""


def overlay_png(inspection: Inspection, record: Mapping[str, Any], longest_side_px: int) -> bytes:
    """The overlay as PNG bytes; the photo's longer side is about `longest_side_px`, a legend stands below it."""
    canvas, scale = _background(inspection.photo, longest_side_px)
    marks = _marks(inspection, scale, canvas.shape[1])
    tips = [_scaled(inspection.fit.map.to_px(_planned_tips(inspection, i)), scale) for i in range(len(marks.measured))]
    for i in np.flatnonzero(~marks.measured).tolist():
        _hatch(canvas, tips[i], marks.line)
    for i in np.flatnonzero(marks.measured).tolist():
        _polygon(canvas, _scaled(inspection.fit.tips_px[i], scale), marks.found, 5 * marks.line, 7 * marks.line)
    for polygon in tips:
        _polygon(canvas, polygon, marks.dark, marks.line, 2 * marks.line + 1)
    centres = np.array([polygon.mean(0) for polygon in tips])
    for i in np.flatnonzero(marks.measured).tolist():
        _arrow(canvas, marks, centres[i], _drawn_error(inspection, i, scale, marks.magnify))
        radius = float(radius95(inspection.fit.position_cov_mm2[i])) * marks.px_per_mm * marks.magnify
        _circle(canvas, marks, centres[i] + _drawn_error(inspection, i, scale, marks.magnify), radius)
    image = Image.fromarray(canvas)
    _name_twists(image, inspection, marks, tips)
    stream = io.BytesIO()
    add_legend(image, marks, record).save(stream, "PNG", compress_level=4)
    return stream.getvalue()


def _background(photo: Photo, longest_side_px: int) -> tuple[Any, float]:
    """The photo as (H, W, 3) uint8, made smaller (or, if tiny, larger), and its scale."""
    pixels = photo.pixels if photo.pixels.dtype == np.uint8 else (photo.pixels >> 8).astype(np.uint8)
    height, width = pixels.shape[:2]
    scale = min(longest_side_px / max(height, width), max(1.0, _SHORTEST_SIDE_PX / max(height, width)))
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC)
    return np.ascontiguousarray(small), scale


def _marks(inspection: Inspection, scale: float, width: int) -> Marks:
    """Sizes of everything drawn, from the distance between neighbouring twists and the largest error."""
    nominal, fit = inspection.nominal, inspection.fit
    centre = nominal.outline_mm.mean(0, keepdims=True)
    px_per_mm = float(np.sqrt(abs(np.linalg.det(fit.map.jacobian(centre)[0])))) * scale
    planned = np.array([twist.planned_mm for twist in nominal.twists])
    apart = np.linalg.norm(planned[:, None] - planned[None], axis=2)
    apart[apart == 0] = np.inf
    room_mm = min(float(apart.min()), 4 * nominal.pitch_mm)
    error = np.linalg.norm(fit.position_error_mm[fit.measured], axis=1)
    largest = float(error.max()) if len(error) else 0.0
    magnify = max((step for step in _STEPS if step * largest <= 0.6 * room_mm), default=1) if largest > 0 else 1
    return Marks(
        line=max(1, round(width / 1600)),
        text=max(11, min(26, round(0.16 * room_mm * px_per_mm))),
        px_per_mm=px_per_mm,
        magnify=magnify,
        room_px=room_mm * px_per_mm,
        measured=fit.measured,
    )


def _planned_tips(inspection: Inspection, twist: int) -> Array:
    return inspection.nominal.vertices_mm[list(inspection.nominal.twists[twist].tips)]


def _scaled(px: Array, scale: float) -> Array:
    """Photo px -> overlay px; pixel centres stay at whole numbers."""
    return np.asarray((px + 0.5) * scale - 0.5)


def _drawn_error(inspection: Inspection, twist: int, scale: float, magnify: float) -> Array:
    at = np.array([inspection.nominal.twists[twist].planned_mm])
    jacobian = inspection.fit.map.jacobian(at)[0]
    return np.asarray(jacobian @ inspection.fit.position_error_mm[twist] * scale * magnify)


def _fixed(points: Array) -> Any:
    return np.rint(np.atleast_2d(np.clip(points, -2e4, 2e4)) * (1 << _SHIFT)).astype(np.int32)


def _polygon(canvas: Any, points: Array, colour: tuple[int, int, int], inner: int, outer: int) -> None:
    """A closed line in `colour` inside a wider white or black one, whichever contrasts."""
    case = (255, 255, 255) if sum(colour) < 384 else (0, 0, 0)
    for shade, thickness in ((case, outer), (colour, inner)):
        cv2.polylines(canvas, [_fixed(points)], True, shade, thickness, cv2.LINE_AA, _SHIFT)


def _segment(canvas: Any, start: Array, end: Array, colour: tuple[int, int, int], thickness: int) -> None:
    a, b = _fixed(np.array([start, end]))
    cv2.line(canvas, a.tolist(), b.tolist(), colour, thickness, cv2.LINE_AA, _SHIFT)


def _arrow(canvas: Any, marks: Marks, start: Array, vector: Array) -> None:
    """A dark arrow in a white case; shorter than its own line it is only a dot."""
    length = float(np.hypot(*vector))
    if length >= 1:
        along = vector / length
        head = min(0.4 * length, 12.0 * marks.line)
        across = np.array([-along[1], along[0]])
        end = start + vector
        barbs = [end - head * (along + 0.5 * side * across) for side in (1, -1)]
        for shade, thickness in ((marks.light, 5 * marks.line), (marks.error, 2 * marks.line)):
            for a, b in ((start, end), (end, barbs[0]), (end, barbs[1])):
                _segment(canvas, a, b, shade, thickness)
    for shade, radius in ((marks.light, 4), (marks.error, 2.5)):
        _disc(canvas, start, radius * marks.line, shade, -1)


def _circle(canvas: Any, marks: Marks, centre: Array, radius: float) -> None:
    for shade, thickness in ((marks.light, 3 * marks.line), (marks.error, marks.line)):
        _disc(canvas, centre, radius, shade, thickness)


def _disc(canvas: Any, centre: Array, radius: float, colour: tuple[int, int, int], thickness: int) -> None:
    fixed = _fixed(centre)[0].tolist()
    cv2.circle(canvas, fixed, round(min(radius, 5000.0) * (1 << _SHIFT)), colour, thickness, cv2.LINE_AA, _SHIFT)


def _hatch(canvas: Any, polygon: Array, line: int) -> None:
    """Slanting dark and light strokes and a cross through a twist that was not measured."""
    mask = np.zeros(canvas.shape[:2], np.uint8)
    cv2.fillPoly(mask, [_fixed(polygon)], 255, cv2.LINE_8, _SHIFT)
    y, x = np.nonzero(mask)
    phase = (x + y) % (10 * line)
    for grey, low in ((255, 0), (0, 2 * line)):
        chosen = (phase >= low) & (phase < low + 2 * line)
        canvas[y[chosen], x[chosen]] = grey
    middle = polygon.mean(0)
    reach = 0.35 * np.linalg.norm(polygon - middle, axis=1).min()
    for shade, thickness in (((255, 255, 255), 7 * line), ((0, 0, 0), 4 * line)):
        for slope in (1, -1):
            stroke = reach * np.array([1.0, slope])
            _segment(canvas, middle - stroke, middle + stroke, shade, thickness)


def _name_twists(image: Image.Image, inspection: Inspection, marks: Marks, tips: list[Array]) -> None:
    """Each id beside its arrow's root, away from where the arrow points."""
    draw = ImageDraw.Draw(image)
    for i, twist in enumerate(inspection.nominal.twists):
        middle = tips[i].mean(0)
        away = -1.0
        if marks.measured[i] and _drawn_error(inspection, i, 1.0, 1.0)[1] < 0:
            away = 1.0
        at = (float(middle[0]), float(middle[1] + away * 0.85 * marks.text))
        if marks.measured[i]:
            label(draw, at, twist.id, marks.text)
        else:
            label(draw, (at[0], float(middle[1])), f"{twist.id}\nnot measured", marks.text)

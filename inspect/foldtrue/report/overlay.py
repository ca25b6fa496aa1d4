"""overlay.png: the photo with the plan, what was found, and the errors as enlarged arrows.

Everything drawn is a light and a dark line side by side, and shapes differ as well as colours, so that it reads on
any paper, in grey and by colour-blind eyes.
The picture is drawn anew from pixels: nothing of the photo's metadata survives.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from PIL import Image, ImageDraw

from foldtrue.frames import Array
from foldtrue.handover import Inspection, IntArray, Nominal
from foldtrue.measured import radius95
from foldtrue.report.legend import Marks, add_legend, label
from foldtrue.report.mask import mask_faces
from foldtrue.report.strokes import SHIFT, arrow, disc, fixed, polygon, segment

_SMALLEST_PX = 1100
_MARGIN = 0.08
"""Of the piece's size: what of the photo is shown around it."""
_STEPS = (1, 2, 3, 5, 10, 20, 30, 50, 100, 200, 300, 500, 1000)


@dataclass(frozen=True)
class Part:
    """The part of the photo that is drawn: origin_px (2,) its first pixel, size_px (2,) width and height there, and the
    scale it is drawn at."""

    origin_px: IntArray
    size_px: IntArray
    scale: float

    def place(self, px: Array) -> Array:
        """Photo px -> overlay px; pixel centres stay at whole numbers."""
        return np.asarray((px - self.origin_px + 0.5) * self.scale - 0.5)


def overlay_png(inspection: Inspection, record: Mapping[str, Any], longest_side_px: int) -> bytes:
    """The overlay as PNG bytes: the photo around the piece, longer side about `longest_side_px`, and a legend below."""
    part = photo_part(inspection, longest_side_px)
    canvas, scale = background(inspection, part), part.scale
    marks = _marks(inspection, scale, canvas.shape[1])
    tips = [part.place(inspection.fit.map.to_px(planned_tips(inspection, i))) for i in range(len(marks.measured))]
    for i in np.flatnonzero(~marks.measured).tolist():
        _hatch(canvas, tips[i], marks.line)
    for i in np.flatnonzero(marks.measured).tolist():
        polygon(canvas, part.place(inspection.fit.tips_px[i]), marks.found, 5 * marks.line, 7 * marks.line)
    for corners in tips:
        polygon(canvas, corners, marks.dark, marks.line, 2 * marks.line + 1)
    centres = np.array([corners.mean(0) for corners in tips])
    for i in np.flatnonzero(marks.measured).tolist():
        arrow(canvas, centres[i], drawn_error(inspection, i, scale, marks.magnify), marks.error, marks.line)
        radius = float(radius95(inspection.fit.position_cov_mm2[i])) * marks.px_per_mm * marks.magnify
        _circle(canvas, marks, centres[i] + drawn_error(inspection, i, scale, marks.magnify), radius)
    image = Image.fromarray(canvas)
    _name_twists(image, inspection, marks, tips)
    stream = io.BytesIO()
    add_legend(image, marks, record).save(stream, "PNG", compress_level=4)
    return stream.getvalue()


def photo_part(inspection: Inspection, longest_side_px: int) -> Part:
    """The piece's planned outline with a margin, as far as the photo goes, made smaller (or, if tiny, larger)."""
    height, width = inspection.photo.pixels.shape[:2]
    outline = inspection.fit.map.to_px(inspection.nominal.outline_mm)
    margin = _MARGIN * np.ptp(outline, axis=0).max()
    low = np.clip(np.floor(outline.min(0) - margin), 0, [width - 1, height - 1]).astype(np.int64)
    high = np.clip(np.ceil(outline.max(0) + margin), low + 1, [width, height]).astype(np.int64)
    longest = int((high - low).max())
    scale = min(longest_side_px / longest, max(1.0, _SMALLEST_PX / longest))
    return Part(low, high - low, scale)


def background(inspection: Inspection, part: Part) -> Any:
    """The drawn part of the photo, (H, W, 3) uint8, what no picture may show masked."""
    (left, top), (width, height) = part.origin_px.tolist(), part.size_px.tolist()
    pixels = inspection.photo.pixels[top : top + height, left : left + width]
    pixels = pixels if pixels.dtype == np.uint8 else (pixels >> 8).astype(np.uint8)
    pixels = mask_faces(pixels, tuple(outline - part.origin_px for outline in inspection.plane.private_px))
    size = (max(1, round(width * part.scale)), max(1, round(height * part.scale)))
    small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA if part.scale < 1 else cv2.INTER_CUBIC)
    return np.ascontiguousarray(small)


def _marks(inspection: Inspection, scale: float, width: int) -> Marks:
    """Sizes of everything drawn, from the distance between neighbouring twists and the errors."""
    nominal, fit = inspection.nominal, inspection.fit
    centre = nominal.outline_mm.mean(0, keepdims=True)
    px_per_mm = float(np.sqrt(abs(np.linalg.det(fit.map.jacobian(centre)[0])))) * scale
    room_mm = room_between_twists_mm(nominal)
    return Marks(
        line=max(1, round(width / 1600)),
        text=max(11, min(26, round(0.16 * room_mm * px_per_mm))),
        px_per_mm=px_per_mm,
        magnify=magnification(np.linalg.norm(fit.position_error_mm[fit.measured], axis=1), room_mm),
        room_px=room_mm * px_per_mm,
        measured=fit.measured,
    )


def room_between_twists_mm(nominal: Nominal) -> float:
    """Distance of the two nearest twists; four pitches where they are farther apart or there is one only."""
    planned = np.array([twist.planned_mm for twist in nominal.twists])
    apart = np.linalg.norm(planned[:, None] - planned[None], axis=2)
    apart[apart == 0] = np.inf
    return min(float(apart.min()), 4 * nominal.pitch_mm)


def magnification(error_mm: Array, room_mm: float) -> float:
    """The largest step at which nearly all arrows end well before the next twist, and not even the worst one far
    beyond it."""
    if not len(error_mm) or error_mm.max() <= 0:
        return 1
    limit = min(0.6 * room_mm / max(float(np.quantile(error_mm, 0.95)), 1e-9), 1.3 * room_mm / float(error_mm.max()))
    return max((step for step in _STEPS if step <= limit), default=1)


def planned_tips(inspection: Inspection, twist: int) -> Array:
    return inspection.nominal.vertices_mm[list(inspection.nominal.twists[twist].tips)]


def drawn_error(inspection: Inspection, twist: int, scale: float, magnify: float) -> Array:
    at = np.array([inspection.nominal.twists[twist].planned_mm])
    jacobian = inspection.fit.map.jacobian(at)[0]
    return np.asarray(jacobian @ inspection.fit.position_error_mm[twist] * scale * magnify)


def _circle(canvas: Any, marks: Marks, centre: Array, radius: float) -> None:
    for shade, thickness in ((marks.light, 3 * marks.line), (marks.error, marks.line)):
        disc(canvas, centre, radius, shade, thickness)


def _hatch(canvas: Any, corners: Array, line: int) -> None:
    """Slanting dark and light strokes and a cross through a twist that was not measured."""
    mask = np.zeros(canvas.shape[:2], np.uint8)
    cv2.fillPoly(mask, [fixed(corners)], 255, cv2.LINE_8, SHIFT)
    y, x = np.nonzero(mask)
    phase = (x + y) % (10 * line)
    for grey, low in ((255, 0), (0, 2 * line)):
        chosen = (phase >= low) & (phase < low + 2 * line)
        canvas[y[chosen], x[chosen]] = grey
    middle = corners.mean(0)
    reach = 0.35 * np.linalg.norm(corners - middle, axis=1).min()
    for shade, thickness in (((255, 255, 255), 7 * line), ((0, 0, 0), 4 * line)):
        for slope in (1, -1):
            stroke = reach * np.array([1.0, slope])
            segment(canvas, middle - stroke, middle + stroke, shade, thickness)


def _name_twists(image: Image.Image, inspection: Inspection, marks: Marks, tips: list[Array]) -> None:
    """Each id beside its arrow's root, away from where the arrow points."""
    draw = ImageDraw.Draw(image)
    for i, twist in enumerate(inspection.nominal.twists):
        middle = tips[i].mean(0)
        away = -1.0
        if marks.measured[i] and drawn_error(inspection, i, 1.0, 1.0)[1] < 0:
            away = 1.0
        at = (float(middle[0]), float(middle[1] + away * 0.85 * marks.text))
        if marks.measured[i]:
            label(draw, at, twist.id, marks.text)
        else:
            label(draw, (at[0], float(middle[1])), f"{twist.id}\nnot measured", marks.text)

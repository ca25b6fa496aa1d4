"""grid.png: the photo with the lines as found, and beside it a map of how far the grid's points are off.

Lines differ by their stroke and casing, the map by lightness and by arrows, so that nothing is told by colour alone.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Mapping
from typing import Any

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from foldtrue.frames import Array
from foldtrue.handover_grid import GridInspection
from foldtrue.report.grid import line_ends_px, meeting_points
from foldtrue.report.legend import label

PHOTO_PX = 1300
MAP_PX = 900
_FOUND, _BLACK, _WHITE = (255, 190, 60), (0, 0, 0), (255, 255, 255)
_NICE = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
_STEPS = (1, 2, 5, 10, 20, 50, 100, 200)
_SHIFT = 4


def grid_png(inspection: GridInspection, record: Mapping[str, Any]) -> bytes:
    """The picture as PNG bytes, drawn anew from pixels: nothing of the photo's metadata survives."""
    photo = _photo_panel(inspection)
    drift = _map_panel(inspection)
    height = max(photo.height, drift.height)
    image = Image.new("RGB", (photo.width + drift.width, height), "white")
    image.paste(photo, (0, 0))
    image.paste(drift, (photo.width, (height - drift.height) // 2))
    stream = io.BytesIO()
    _with_words(image, record).save(stream, "PNG", compress_level=4)
    return stream.getvalue()


def _photo_panel(inspection: GridInspection) -> Image.Image:
    """The sheet with a margin; found lines solid, missing ones as crosses, those not measured dotted."""
    height, width = inspection.photo.pixels.shape[:2]
    outline = inspection.fit.map.to_px(inspection.grid.outline_mm)
    margin = 0.06 * float(np.ptp(outline, axis=0).max())
    low = np.clip(np.floor(outline.min(0) - margin), 0, [width - 1, height - 1]).astype(int)
    high = np.clip(np.ceil(outline.max(0) + margin), low + 1, [width, height]).astype(int)
    pixels = inspection.photo.pixels[low[1] : high[1], low[0] : high[0]]
    pixels = pixels if pixels.dtype == np.uint8 else (pixels >> 8).astype(np.uint8)
    scale = PHOTO_PX / float(max(high - low))
    size = tuple(max(1, round(float(v) * scale)) for v in high - low)
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    canvas: Any = np.ascontiguousarray(cv2.resize(pixels, size, interpolation=way))
    ends = (line_ends_px(inspection) - low + 0.5) * scale - 0.5
    for k, status in enumerate(inspection.fit.status):
        if status == "measured":
            _stroke(canvas, ends[k, 0], ends[k, 1], _BLACK, 3)
            _stroke(canvas, ends[k, 0], ends[k, 1], _FOUND, 1)
        else:
            _spaced(canvas, ends[k, 0], ends[k, 1], cross=status == "missing")
    image = Image.fromarray(canvas)
    draw = ImageDraw.Draw(image)
    for k in _named(inspection):
        x, y = ends[k, 1] + 0.04 * (ends[k, 0] - ends[k, 1])
        label(draw, (float(x), float(y)), f"{inspection.grid.number[k]:+d}", 15)
    return image


def _named(inspection: GridInspection) -> list[int]:
    """Lines whose number is written: every fourth, and all that are not measured."""
    grid = inspection.grid
    return [k for k in range(len(grid.number)) if grid.number[k] % 4 == 0 or inspection.fit.status[k] != "measured"]


def _fixed(point: Array) -> tuple[int, int]:
    x, y = np.rint(np.clip(point, -2e4, 2e4) * (1 << _SHIFT)).astype(int).tolist()
    return x, y


def _stroke(canvas: Any, start: Array, end: Array, colour: tuple[int, int, int], thickness: int) -> None:
    cv2.line(canvas, _fixed(start), _fixed(end), colour, thickness, cv2.LINE_AA, _SHIFT)


def _spaced(canvas: Any, start: Array, end: Array, *, cross: bool) -> None:
    """Crosses or dots along a line, black in white."""
    length = float(np.hypot(*(end - start)))
    for t in np.linspace(0.0, 1.0, max(2, int(length / 26)) + 1):
        at = start + t * (end - start)
        for shade, grow in ((_WHITE, 3), (_BLACK, 0)):
            if cross:
                for arm in (np.array([6.0, 6.0]), np.array([6.0, -6.0])):
                    _stroke(canvas, at - arm, at + arm, shade, 2 + grow)
            else:
                cv2.circle(canvas, _fixed(at), (2 + grow // 2) << _SHIFT, shade, -1, cv2.LINE_AA, _SHIFT)


def _map_panel(inspection: GridInspection) -> Image.Image:
    """The planned sheet, plan's x to the right: every point where three lines meet as a cell, the darker the farther it
    is off, and an arrow, enlarged, that says where to."""
    grid = inspection.grid
    span = float(np.abs(grid.outline_mm).max()) * 1.04
    scale = MAP_PX / 2 / span

    def place(mm: Array) -> Array:
        return np.asarray((mm * [1.0, -1.0] + span) * scale)

    canvas: Any = np.full((MAP_PX + 60, MAP_PX, 3), 255, np.uint8)
    places, _, _, moved = meeting_points(inspection)
    size = np.hypot(*moved.T)
    top = next((n for n in _NICE if n >= float(size.max(initial=0.0))), _NICE[-1])
    radius = grid.row_mm * 2 / 3 * scale
    corner = radius * np.stack([np.sin(np.pi / 3 * np.arange(6)), np.cos(np.pi / 3 * np.arange(6))], 1)
    for at, off in zip(place(places), size, strict=True):
        shade = round(255 - 175 * min(1.0, float(off) / top))
        cv2.fillPoly(canvas, [np.rint((at + corner) * 16).astype(np.int32)], (shade, shade, shade), cv2.LINE_AA, _SHIFT)
    outside = np.ones(canvas.shape[:2], np.uint8)
    cv2.fillPoly(outside, [np.rint(place(grid.outline_mm)).astype(np.int32)], 0)
    canvas[outside > 0] = 255
    cv2.polylines(canvas, [np.rint(place(grid.outline_mm) * 16).astype(np.int32)], True, _BLACK, 2, cv2.LINE_AA, _SHIFT)
    magnify = max(
        (m for m in _STEPS if m * float(np.quantile(size, 0.95) if len(size) else 0) < 0.9 * grid.row_mm), default=1
    )
    for mm, shift in zip(places, moved, strict=True):
        start, end = place(mm), place(mm + magnify * shift)
        for colour, thickness in ((_WHITE, 4), ((0, 60, 140), 2)):
            cv2.arrowedLine(canvas, _fixed(start), _fixed(end), colour, thickness, cv2.LINE_AA, _SHIFT, 0.35)
    image = Image.fromarray(canvas)
    draw = ImageDraw.Draw(image)
    words = f"off by: white 0 mm ... darkest {top:g} mm; arrows {magnify} times enlarged; plan's x to the right"
    draw.text((10, MAP_PX + 20), words, fill="black", font=ImageFont.load_default(20))
    return image


def _with_words(image: Image.Image, record: Mapping[str, Any]) -> Image.Image:
    """Cause, advice and key in a white band below."""
    size = 24
    cause = record["cause"]
    key = (
        "Photo: lines as found (light in a dark case); missing: crosses; not measured: dots; numbers count from the "
        "centre along each normal. Map: what is left after shift, turn and scale are taken out."
    )
    lines = [
        row
        for text in (cause["sentence"], cause["advice"], key)
        for row in textwrap.wrap(text, int(image.width / 12.5))
    ]
    out = Image.new("RGB", (image.width, image.height + (len(lines) + 1) * (size + 6)), "white")
    out.paste(image, (0, 0))
    draw = ImageDraw.Draw(out)
    for row, text in enumerate(lines):
        draw.text((16, image.height + 10 + row * (size + 6)), text, fill="black", font=ImageFont.load_default(size))
    return out

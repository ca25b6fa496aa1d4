"""Pictures of the touch-up list: each place as planned and as found, cut from the photo, and which way to move it.

Planned is a dashed line, found a solid one, both in black and white; arrows say what to do, enlarged. What no picture
may show is masked as in the overlay.
"""

from __future__ import annotations

import io
import math
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from foldtrue.frames import Array, rotation
from foldtrue.handover import Inspection
from foldtrue.report.judgement import touch_up_line
from foldtrue.report.legend import label
from foldtrue.report.overlay import Part, background
from foldtrue.report.strokes import BLACK, WHITE, arrow, bent_arrow, dashed, disc, polygon, segment

MOST = 12
"""Pictures are made of so many entries at most, the first ones."""
_SIDE_PX = 900
_TEXT_PX = 22
_LINE = 2
_STEPS = (1, 2, 3, 5, 10, 20, 30, 50, 100)
_MOST_TURN_DEG = 100.0
"""Of an enlarged turn."""


@dataclass(frozen=True)
class _View:
    """What is drawn: a part of the photo around middle_mm (2,)."""

    inspection: Inspection
    part: Part
    middle_mm: Array

    def place(self, mm: Array) -> Array:
        """Plan mm (N, 2) -> picture px."""
        return self.part.place(self.inspection.fit.map.to_px(np.atleast_2d(mm)))


def crop_name(entry: Mapping[str, Any]) -> str:
    """File name of an entry's picture."""
    return f"{entry['order']:02d}-{entry['id']}.png"


def crop_png(inspection: Inspection, entry: Mapping[str, Any]) -> bytes:
    """The picture of one entry of `judgement.touch_up` as PNG bytes."""
    view = _view(inspection, entry)
    canvas = background(inspection, view.part)
    for name in entry["twists"]:
        _outlines(canvas, view, _index(inspection, name))
    if entry["kind"] == "node":
        _points(canvas, view, int(entry["id"][1:]))
        keys = ["cross: where the corners should meet; rings: where they are"]
    else:
        keys = _what_to_do(canvas, view, entry)
    image = Image.fromarray(canvas)
    _name(image, view, entry)
    stream = io.BytesIO()
    _with_words(image, entry, keys, inspection.plane.side).save(stream, "PNG", compress_level=1)
    return stream.getvalue()


def _tips(inspection: Inspection, twist: int) -> Array:
    return inspection.nominal.vertices_mm[list(inspection.nominal.twists[twist].tips)]


def _index(inspection: Inspection, name: str) -> int:
    return next(i for i, twist in enumerate(inspection.nominal.twists) if twist.id == name)


def _view(inspection: Inspection, entry: Mapping[str, Any]) -> _View:
    """The square around the twist, or the node, in the photo, as far as the photo goes."""
    nominal = inspection.nominal
    if entry["kind"] == "node":
        middle = nominal.vertices_mm[list(nominal.nodes[int(entry["id"][1:])])].mean(0)
        reach = 0.5 * nominal.pitch_mm
    else:
        tips = _tips(inspection, _index(inspection, entry["id"]))
        middle = tips.mean(0)
        reach = 1.5 * float(np.linalg.norm(tips - middle, axis=1).max())
    ring = middle + reach * np.array([[math.cos(a), math.sin(a)] for a in np.linspace(0, 2 * np.pi, 32)])
    px = inspection.fit.map.to_px(ring)
    height, width = inspection.photo.pixels.shape[:2]
    low = np.clip(np.floor(px.min(0)), 0, [width - 1, height - 1]).astype(np.int64)
    high = np.clip(np.ceil(px.max(0)), low + 1, [width, height]).astype(np.int64)
    return _View(inspection, Part(low, high - low, _SIDE_PX / int((high - low).max())), middle)


def _outlines(canvas: Any, view: _View, twist: int) -> None:
    fit = view.inspection.fit
    if fit.measured[twist]:
        polygon(canvas, view.part.place(fit.tips_px[twist]), WHITE, 2 * _LINE, 4 * _LINE)
    dashed(canvas, view.place(_tips(view.inspection, twist)), _LINE)


def _points(canvas: Any, view: _View, node: int) -> None:
    fit = view.inspection.fit
    for vertex in view.inspection.nominal.nodes[node]:
        if fit.vertex_measured[vertex]:
            at = view.place(fit.vertices_mm[vertex])[0]
            for shade, thickness in ((WHITE, 4 * _LINE), (BLACK, 2 * _LINE)):
                disc(canvas, at, 7.0 * _LINE, shade, thickness)
    at = view.place(view.middle_mm)[0]
    for shade, thickness in ((WHITE, 4 * _LINE), (BLACK, 2 * _LINE)):
        for arm in (np.array([9.0 * _LINE, 0.0]), np.array([0.0, 9.0 * _LINE])):
            segment(canvas, at - arm, at + arm, shade, thickness)


def _what_to_do(canvas: Any, view: _View, entry: Mapping[str, Any]) -> list[str]:
    """Arrows for the shift and the turn, both drawn through the map, so that they are right in a photo of the back too;
    gives what each means."""
    inspection = view.inspection
    i = _index(inspection, entry["id"])
    keys = []
    middle = np.array(inspection.nominal.twists[i].planned_mm)
    reach = float(np.linalg.norm(_tips(inspection, i) - middle, axis=1).max())
    error = inspection.fit.position_error_mm[i]
    if entry["shift_mm"] is not None:
        enlarged = _enlarged(0.5 * reach / max(float(np.hypot(*error)), 1e-9))
        start, end = view.place(np.array([middle, middle - enlarged * error]))
        arrow(canvas, start, end - start, BLACK, 2 * _LINE)
        keys.append(f"straight arrow: move it so, {enlarged} times enlarged")
    if entry["overturn_deg"] is not None:
        hand = inspection.nominal.twists[i].hand
        enlarged = _enlarged(_MOST_TURN_DEG / abs(entry["overturn_deg"]))
        turns = np.linspace(0.0, -hand * entry["overturn_deg"] * enlarged, 24)
        spoke = np.array([0.0, 0.62 * reach])
        bent_arrow(canvas, view.place(np.array([middle + rotation(t) @ spoke for t in turns])), BLACK, 2 * _LINE)
        keys.append(f"bent arrow: turn it so, {enlarged} times enlarged")
    return keys


def _enlarged(limit: float) -> int:
    return max((step for step in _STEPS if step <= limit), default=1)


def _name(image: Image.Image, view: _View, entry: Mapping[str, Any]) -> None:
    """The names of the twists in the picture; those that the words point to at its edge where they lie outside."""
    draw = ImageDraw.Draw(image)
    size = np.array([image.width, image.height], float)
    for i, twist in enumerate(view.inspection.nominal.twists):
        at = view.place(np.array(twist.planned_mm))[0]
        if twist.id == entry["id"]:
            at = at - _beside(view, i)
        inside = np.clip(at, 2 * _TEXT_PX, size - 2 * _TEXT_PX)
        if twist.id in (*entry["towards"], *entry["twists"]) or (inside == at).all():
            label(draw, (float(inside[0]), float(inside[1])), twist.id, _TEXT_PX)


def _beside(view: _View, twist: int) -> Array:
    """From where a twist's name goes to its middle, px: the way its arrow points."""
    middle = np.array(view.inspection.nominal.twists[twist].planned_mm)
    error = view.inspection.fit.position_error_mm[twist]
    start, end = view.place(np.array([middle, middle - error]))
    return np.asarray((end - start) / max(float(np.hypot(*(end - start))), 1e-9) * 1.8 * _TEXT_PX)


def _with_words(image: Image.Image, entry: Mapping[str, Any], keys: list[str], side: str) -> Image.Image:
    """The picture with the entry's words and a key in a white band below it."""
    behind = ["The photo shows the piece from behind: turns in the picture look the other way round."]
    said = [touch_up_line(entry), *(behind if side == "back" else [])]
    key = "; ".join(["Dashed: as planned; solid: as found", *keys]) + "."
    width = max(image.width, _SIDE_PX // 2)
    columns = int(width / (0.52 * _TEXT_PX))
    lines = [line for text in (*said, key) for line in textwrap.wrap(text, columns)]
    row = round(1.4 * _TEXT_PX)
    sheet = Image.new("RGB", (width, image.height + row * (len(lines) + 1)), "white")
    sheet.paste(image, (0, 0))
    draw = ImageDraw.Draw(sheet)
    for i, line in enumerate(lines):
        at = (_TEXT_PX // 2, image.height + round(row * (i + 0.5)))
        draw.text(at, line, fill="black", font=ImageFont.load_default(_TEXT_PX))
    return sheet

"""The overlay's legend: what each mark means, how far the arrows are enlarged, what the figures rest on."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from foldtrue.handover import BoolArray
from foldtrue.report.tables import summary_text

Colour = tuple[int, int, int]
_NICE = (0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)


@dataclass(frozen=True)
class Marks:
    """How things are drawn. line: unit of line width, px. text: letter height, px. px_per_mm: at the piece's centre.
    magnify: how many times errors are enlarged. room_px: least distance between two twists. measured: (T,).

    Colours: a light orange in a black case for what was found, a dark blue in a white case for errors; they differ in
    lightness, so they stay apart in grey (after Okabe and Ito, Color Universal Design, 2002).
    """

    line: int
    text: int
    px_per_mm: float
    magnify: float
    room_px: float
    measured: BoolArray
    found: Colour = field(default=(255, 190, 60))
    error: Colour = field(default=(0, 60, 140))
    dark: Colour = field(default=(0, 0, 0))
    light: Colour = field(default=(255, 255, 255))


def label(draw: ImageDraw.ImageDraw, at: tuple[float, float], text: str, size: int) -> None:
    """Black letters in a white halo, centred at `at`: readable on any background."""
    draw.multiline_text(
        at,
        text,
        fill="black",
        font=ImageFont.load_default(size),
        anchor="mm",
        align="center",
        spacing=1,
        stroke_width=max(2, size // 6),
        stroke_fill="white",
    )


def add_legend(image: Image.Image, marks: Marks, record: Mapping[str, Any]) -> Image.Image:
    """The picture with a white band below it that holds the legend."""
    size = max(15, image.width // 75)
    font = ImageFont.load_default(size)
    width = max(30, int(image.width / (0.54 * size)))
    lines = [piece for line in summary_text(record).split("\n") for piece in textwrap.wrap(line, width)]
    row = round(1.7 * size)
    sheet = Image.new("RGB", (image.width, image.height + row * (len(lines) + 4)), "white")
    sheet.paste(image, (0, 0))
    draw = ImageDraw.Draw(sheet)
    top = image.height + row // 2
    _draw_keys(draw, marks, font, (size, top), row, image.width)
    for i, line in enumerate(lines):
        draw.text((size, round(top + row * (i + 2.5))), line, fill="black", font=font)
    return sheet


def _draw_keys(draw: ImageDraw.ImageDraw, marks: Marks, font: Any, at: tuple[int, int], row: int, width: int) -> None:
    x, y = at
    step = width // 3
    keys = (
        ("planned twist", _plan_key),
        ("found twist", _found_key),
        ("not measured", _hatch_key),
    )
    for i, (text, key) in enumerate(keys):
        left = x + i * step
        key(draw, marks, (left, y, left + 2 * row, y + round(0.7 * row)))
        draw.text((left + 2.4 * row, y), text, fill="black", font=font)
    length_mm = _bar_length(marks, width)
    bar = length_mm * marks.magnify * marks.px_per_mm
    middle = y + 1.4 * row
    draw.line((x, middle, x + bar, middle), fill=marks.error, width=3 * marks.line)
    for end in (x, x + bar):
        draw.line((end, middle - row / 4, end, middle + row / 4), fill=marks.error, width=3 * marks.line)
    text = f"{length_mm:g} mm of error; arrows are enlarged {marks.magnify:g} times, circle = 95 % uncertainty"
    draw.text((x + bar + row / 2, y + row), text, fill="black", font=font)


def _bar_length(marks: Marks, width: int) -> float:
    """The nice length, in mm of error, whose enlarged bar comes closest to an eighth of the picture."""
    drawn = np.array(_NICE) * marks.magnify * marks.px_per_mm
    return float(_NICE[int(np.argmin(np.abs(np.log(drawn / (width / 8)))))])


def _plan_key(draw: ImageDraw.ImageDraw, marks: Marks, box: tuple[int, int, int, int]) -> None:
    draw.rectangle(box, fill=(150, 150, 150))
    middle = (box[1] + box[3]) / 2
    draw.line((box[0], middle, box[2], middle), fill=marks.light, width=3 * marks.line)
    draw.line((box[0], middle, box[2], middle), fill=marks.dark, width=marks.line)


def _found_key(draw: ImageDraw.ImageDraw, marks: Marks, box: tuple[int, int, int, int]) -> None:
    draw.rectangle(box, fill=(150, 150, 150))
    middle = (box[1] + box[3]) / 2
    draw.line((box[0], middle, box[2], middle), fill=marks.dark, width=7 * marks.line)
    draw.line((box[0], middle, box[2], middle), fill=marks.found, width=5 * marks.line)


def _hatch_key(draw: ImageDraw.ImageDraw, marks: Marks, box: tuple[int, int, int, int]) -> None:
    draw.rectangle(box, fill=(150, 150, 150))
    height = box[3] - box[1]
    for start in range(box[0], box[2] - height, 10 * marks.line):
        for shade, shift in ((marks.light, 0), (marks.dark, 2 * marks.line)):
            draw.line((start + shift, box[3], start + shift + height, box[1]), fill=shade, width=2 * marks.line)

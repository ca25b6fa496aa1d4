"""The picture of edge_limit.py: RMS over limit against blur, one panel for each contrast over noise."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

PICTURE = Path(__file__).parents[2] / "docs" / "images" / "edge-limit.png"
SCALE = 2
"""Pixels for each unit below."""
PANEL, GAP, LEFT, TOP, HEIGHT = 250, 30, 52, 34, 230
FOOT = 92
TOP_RATIO, LOWEST = 3.0, 0.8
BLACK, GREY, LIGHT = (0, 0, 0), (110, 110, 110), (190, 190, 190)
OFFSET, ANGLE = (0, 114, 178), (213, 94, 0)
"""Blue and vermilion of a palette made for all kinds of colour vision (Okabe and Ito); shapes differ too."""


class Panel:
    """One set of axes: blur to the right (log), RMS over limit upwards, cut at TOP_RATIO."""

    def __init__(self, draw, font, number, blurs):
        self.draw, self.font, self.blurs = draw, font, blurs
        self.left = LEFT + number * (PANEL + GAP)

    def at(self, blur, ratio):
        low, high = np.log(self.blurs[0] / 1.15), np.log(self.blurs[-1] * 1.15)
        x = self.left + PANEL * (np.log(blur) - low) / (high - low)
        y = TOP + HEIGHT * (1 - (min(ratio, TOP_RATIO) - LOWEST) / (TOP_RATIO - LOWEST))
        return SCALE * x, SCALE * y

    def text(self, x, y, words, anchor="mm", fill=BLACK):
        self.draw.text((SCALE * x, SCALE * y), words, fill, self.font, anchor)

    def frame(self, title, first):
        self.draw.rectangle([SCALE * self.left, SCALE * TOP, SCALE * (self.left + PANEL), SCALE * (TOP + HEIGHT)],
                            outline=GREY, width=SCALE)  # fmt: skip
        self.text(self.left + PANEL / 2, TOP - 14, title)
        for blur in self.blurs:
            x, y = self.at(blur, LOWEST)
            self.draw.line([x, y, x, y + 4 * SCALE], GREY, SCALE)
            self.text(x / SCALE, TOP + HEIGHT + 14, f"{blur:g}")
        for ratio in (1.0, 1.5, 2.0, 2.5, 3.0):
            x, y = self.at(self.blurs[0] / 1.15, ratio)
            self.draw.line([x - 4 * SCALE, y, x, y], GREY, SCALE)
            if first:
                self.text(self.left - 9, y / SCALE, f"{ratio:g}", "rm")

    def curve(self, points, fill, width=1.0, dash=0.0):
        self.stroke([self.at(*p) for p in points], fill, width, dash)

    def stroke(self, places, fill, width, dash):
        for (x0, y0), (x1, y1) in itertools.pairwise(places):
            length = float(np.hypot(x1 - x0, y1 - y0))
            parts = np.arange(0, length, 2 * dash * SCALE) if dash else [0.0]
            for start in parts:
                f, g = start / length, min((start + dash * SCALE) / length, 1.0) if dash else 1.0
                ends = [x0 + f * (x1 - x0), y0 + f * (y1 - y0), x0 + g * (x1 - x0), y0 + g * (y1 - y0)]
                self.draw.line(ends, fill, round(width * SCALE))

    def mark(self, blur, ratio, fill, round_one, shift):
        x, y = self.at(blur, ratio)
        self.symbol(x + shift * SCALE, y, fill, round_one)

    def symbol(self, x, y, fill, round_one):
        r = 4.0 * SCALE
        if round_one:
            self.draw.ellipse([x - r, y - r, x + r, y + r], fill=fill)
        else:
            self.draw.rectangle([x - r, y - r, x + r, y + r], fill=(255, 255, 255), outline=fill, width=2 * SCALE)

    def bar(self, blur, low, high, fill, shift):
        (x, y0), (_, y1) = self.at(blur, low), self.at(blur, high)
        self.draw.line([x + shift * SCALE, y0, x + shift * SCALE, y1], fill, 2 * SCALE)


def draw_picture(results, floor, target, path=PICTURE):
    """results: {(contrast / noise, blur): [(offset RMS, angle RMS) over limit, for each length]}; floor: {blur: what an
    unknown level costs}; target: the ratio aimed at."""
    ratios, blurs = (sorted({key[k] for key in results}) for k in (0, 1))
    size = (LEFT + len(ratios) * (PANEL + GAP), TOP + HEIGHT + FOOT)
    image = Image.new("RGB", (SCALE * size[0], SCALE * size[1]), (255, 255, 255))
    draw = ImageDraw.Draw(image)
    font = ImageFont.load_default(13 * SCALE)
    for number, ratio in enumerate(ratios):
        panel = Panel(draw, font, number, blurs)
        panel.frame(f"contrast / noise {ratio:g}", number == 0)
        wide = [blurs[0] / 1.15, blurs[-1] * 1.15]
        panel.curve([(b, 1.0) for b in wide], BLACK, 1.0)
        panel.curve([(b, target) for b in wide], BLACK, 1.0, 5)
        panel.curve([(b, floor[b]) for b in blurs], LIGHT, 3.0)
        for which, colour, shift in ((0, OFFSET, -3.5), (1, ANGLE, 3.5)):
            for blur in blurs:
                values = [pair[which] for pair in results[ratio, blur]]
                panel.bar(blur, min(values), max(values), colour, shift)
                panel.mark(blur, float(np.median(values)), colour, which == 0, shift)
        panel.text(panel.left + PANEL / 2, TOP + HEIGHT + 34, "blur, px")
    _side_text(image, font)
    _legend(Panel(draw, font, 0, blurs), target)
    path.parent.mkdir(exist_ok=True)
    image.quantize(64).save(path, optimize=True)


def _side_text(image, font):
    """The vertical axis' name, turned."""
    name = Image.new("RGB", (SCALE * HEIGHT, SCALE * 20), (255, 255, 255))
    ImageDraw.Draw(name).text((SCALE * HEIGHT / 2, SCALE * 10), "RMS error / limit", BLACK, font, "mm")
    image.paste(name.rotate(90, expand=True), (0, SCALE * TOP))


def _legend(panel, target):
    """Two rows below the panels."""
    y = TOP + HEIGHT + 62
    for x, colour, round_one, words in (
        (LEFT, OFFSET, True, "offset at the middle"),
        (LEFT + 170, ANGLE, False, "angle"),
    ):
        panel.symbol(SCALE * (x + 4), SCALE * y, colour, round_one)
        panel.text(x + 14, y, words, "lm")
    panel.text(LEFT + 245, y, f"median of the lengths; bar: least to greatest, cut at {TOP_RATIO:g}", "lm")
    y += 20
    for x, fill, width, dash, words in (
        (LEFT, BLACK, 1.0, 0.0, "limit, level known"),
        (LEFT + 170, LIGHT, 3.0, 0.0, "limit, level on both sides unknown"),
        (LEFT + 430, BLACK, 1.0, 5.0, f"{target:g} times the limit"),
    ):
        panel.stroke([(SCALE * x, SCALE * y), (SCALE * (x + 24), SCALE * y)], fill, width, dash)
        panel.text(x + 32, y, words, "lm")

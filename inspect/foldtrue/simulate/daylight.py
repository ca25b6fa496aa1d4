"""The piece in the light of a lamp or window, from the front or the back: exact facet borders, then shade and surface.

Every facet that shows is drawn by itself: the exact area it covers of each sub-pixel, times the light it sends from
each pixel. Shadows, rounded folds and all else are part of that light, so they end exactly where the facet does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import IntArray, Nominal
from foldtrue.simulate.arrangement import Pieces
from foldtrue.simulate.backlight import Chords, chords_of, sub_pixels, window_of
from foldtrue.simulate.camera import Pinhole
from foldtrue.simulate.checked import Rgb
from foldtrue.simulate.facetlight import FacetLight
from foldtrue.simulate.patchwork import Block, Figures, figures_of
from foldtrue.simulate.raster import Image, Window
from foldtrue.simulate.scene import Scene
from foldtrue.simulate.shading import edges_of
from foldtrue.simulate.steps import Shown, Steps, shown_pieces, visible_steps
from foldtrue.simulate.tops import TABLE

_STRIP_ROWS = 48


@dataclass(frozen=True)
class LitPiece:
    """Light of the window by colour: papers holds (height, width) for each, 1 = a white flat surface.

    table: share of the table's own light that is seen, shadows included; 1 outside the window.
    """

    window: Window
    papers: tuple[tuple[Rgb, Image], ...]
    table: Image


def light_back(nominal: Nominal, vertices_mm: Array, pieces: Pieces, pinhole: Pinhole, scene: Scene) -> LitPiece:
    """Light that the piece sends to the camera, blurred by the optics and averaged over pixels."""
    shown = shown_pieces(nominal, vertices_mm, pieces, scene)
    steps = visible_steps(nominal, vertices_mm, shown, scene)
    chords = chords_of(pinhole, shown.pieces, scene)
    window = window_of(chords, scene, _reach_px(steps, pinhole, scene))
    boxes = _boxes(shown, chords, window, len(nominal.facets))
    seen = boxes[:, 1] > boxes[:, 0]
    light = FacetLight((nominal, vertices_mm, seen), edges_of(shown, steps, chords), pinhole, window, scene)
    s = sub_pixels(scene)
    cover = _cover(shown, chords, -pinhole.handedness, window, s, light.table)
    composer = _Composer(cover, light, boxes, window, s)
    *papers, table = composer.composed(scene.sensor.blur_px)
    return LitPiece(window, tuple(zip(light.colours, papers, strict=True)), table)


def _reach_px(steps: Steps, pinhole: Pinhole, scene: Scene) -> int:
    """How far blur and shadows reach beyond the piece, in whole pixels, up to half the photo."""
    e = math.radians(scene.lamp.elevation_deg - scene.lamp.size_deg / 2)
    highest = float(np.max(steps.height_mm, initial=0.0))
    # Shadows end at height / tan(elevation), dimming at 2.5 heights; nearer to the camera a mm may have more pixels.
    throw = 1.3 * highest * max(1 / math.tan(e), 2.5) * pinhole.scale_px_mm
    return math.ceil(4.5 * scene.sensor.blur_px + min(throw, scene.camera.width_px / 2)) + 3


def _cover(shown: Shown, chords: Chords, sign: int, window: Window, s: int, table: int) -> Figures:
    """What each facet covers of the window's sub-pixels; the table comes last, its cover counted from 1 down."""
    start, end = window.corner_coordinates(chords.start) * s, window.corner_coordinates(chords.end) * s
    group = np.concatenate([shown.left[chords.piece], shown.right[chords.piece]])
    weight = np.repeat([float(sign), -float(sign)], len(start))
    edges = (np.concatenate([start, start]), np.concatenate([end, end]))
    size = (window.height * s, window.width * s)
    return figures_of(edges, weight, np.where(group == TABLE, table, group), table + 1, size)


def _boxes(shown: Shown, chords: Chords, window: Window, facets: int) -> IntArray:
    """(F, 4) row0, row1, column0, column1 of the window's pixels that hold what shows of each facet; empty: all 0."""
    low, high = np.full((facets, 2), np.inf), np.full((facets, 2), -np.inf)
    for facet in (shown.left[chords.piece], shown.right[chords.piece]):
        paper = facet != TABLE
        for ends in (chords.start, chords.end):
            points = window.corner_coordinates(ends[paper])
            np.minimum.at(low, facet[paper], points)
            np.maximum.at(high, facet[paper], points)
    seen = np.isfinite(low)
    size = np.array([window.width, window.height])
    low = np.clip(np.floor(np.where(seen, low, 0)), 0, size)
    high = np.clip(np.ceil(np.where(seen, high, 0)), 0, size)
    return np.column_stack([low[:, 1], high[:, 1], low[:, 0], high[:, 0]]).astype(np.int64)


@dataclass(frozen=True)
class _Composer:
    """Draws all facets strip by strip: cover in s x s sub-pixels, light in pixels."""

    cover: Figures
    light: FacetLight
    boxes: IntArray
    window: Window
    s: int

    def composed(self, blur_px: float) -> list[Image]:
        """(height, width) for every colour and, last, for the table."""
        kernel, reach = _kernel(blur_px, self.s)
        around = math.ceil(reach / self.s)
        height, width = self.window.height, self.window.width
        result = [np.empty((height, width), np.float32) for _ in range(len(self.light.colours) + 1)]
        for row in range(0, height, _STRIP_ROWS):
            count = min(_STRIP_ROWS, height - row)
            strip = Block(max(row - around, 0), min(row + count + around, height), 0, width)
            border = ((strip.row0 - row + around) * self.s, (row + count + around - strip.row1) * self.s)
            for plane, target in zip(self._planes(strip), result, strict=True):
                padded = np.pad(plane, (border, (0, 0)), mode="edge") if any(border) else plane
                first = around * self.s - reach
                target[row : row + count] = _blurred(padded[first:], kernel, self.s, count)
        return result

    def _planes(self, strip: Block) -> list[Image]:
        """Sub-pixels of a strip for every colour and for the table."""
        s = self.s
        shape = ((strip.row1 - strip.row0) * s, strip.column1 * s)
        planes = [np.zeros(shape, np.float32) for _ in self.light.colours]
        table = self.cover.drawn(self.light.table, strip.times(s)) + np.float32(1)
        dimmed = self.light.on_table(strip)
        if dimmed is not None:
            table *= _enlarged(dimmed, s)
        inside = (self.boxes[:, 0] < strip.row1) & (self.boxes[:, 1] > strip.row0)
        for facet in np.flatnonzero(inside).tolist():
            top, bottom, left, right = self.boxes[facet].tolist()
            block = Block(max(top, strip.row0), min(bottom, strip.row1), left, right)
            if right <= left:
                continue
            share = self.cover.drawn(facet, block.times(s))
            rows = slice((block.row0 - strip.row0) * s, (block.row1 - strip.row0) * s)
            for number, light in self.light.on_facet(facet, block):
                planes[number][rows, left * s : right * s] += share * _enlarged(light, s)
        return [*planes, table]


def _kernel(blur_px: float, s: int) -> tuple[Image, int]:
    """Gaussian blur and pixel aperture in one, over sub-pixels, and how many of them lie before the pixel's first."""
    sigma = blur_px * s
    reach = math.ceil(4.5 * sigma)
    tap = np.arange(-reach, reach + 1)
    kernel = np.convolve(np.exp(-0.5 * (tap / sigma) ** 2), np.ones(s))
    return (kernel / kernel.sum()).astype(np.float32), reach


def _blurred(light: Image, kernel: Image, s: int, count: int) -> Image:
    """(count, width) pixels from sub-pixels that start with the first row the first pixel's kernel touches."""
    import cv2

    reach = (len(kernel) - s) // 2
    whole = cv2.sepFilter2D(light, cv2.CV_32F, kernel, kernel, anchor=(reach, 0), borderType=cv2.BORDER_REPLICATE)
    return np.asarray(whole[: count * s : s, ::s])


def _enlarged(light: Image, s: int) -> Image:
    import cv2

    size = (light.shape[1] * s, light.shape[0] * s)
    return np.asarray(cv2.resize(light, size, interpolation=cv2.INTER_NEAREST))

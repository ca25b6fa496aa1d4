"""The light that comes through the piece, before table, lens and sensor: exact areas, then scatter, blur and paper."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import BoolArray, IntArray, Nominal
from foldtrue.simulate.arrangement import Pieces, buried_pieces
from foldtrue.simulate.camera import Pinhole
from foldtrue.simulate.light import paper_light
from foldtrue.simulate.paper import PaperPiece, unevenness
from foldtrue.simulate.raster import Cells, Image, Window, cells_of
from foldtrue.simulate.scene import Scene

_STRIP_ROWS = 48
_CHORD_PX = 5e-4  # largest sag of the chords that stand for a line bent by the lens


@dataclass(frozen=True)
class Chords:
    """Edge pieces in the photo, cut so that the lens bends none of them. start, end: (N, 2) px; piece: (N,) index.

    share: (N, 2) where each chord starts and ends along its piece, 0 to 1.
    """

    start: Array
    end: Array
    piece: IntArray
    share: Array


def light_through(
    nominal: Nominal, vertices_mm: Array, pieces: Pieces, pinhole: Pinhole, scene: Scene
) -> tuple[Window, list[Image]]:
    """Window of the photo that holds the piece, and its light there: one image per channel (1 or 3), table = 1."""
    chords = chords_of(pinhole, pieces, scene)
    window = window_of(chords, scene, _reach_px(pinhole, scene))
    table = paper_light(scene.paper, max(int(pieces.left.max()), int(pieces.right.max()), 1))
    s = scene.oversample
    start, end = window.corner_coordinates(chords.start) * s, window.corner_coordinates(chords.end) * s
    cells = cells_of(start, end, window.height * s, window.width * s)
    sign = -pinhole.handedness
    jumps = [_by_layers(through, pieces.left) - _by_layers(through, pieces.right) for through in table]
    channels = [blurred(cells, sign * jump[chords.piece], window, scene) for jump in jumps]
    scatter_px = scene.paper.scatter * scene.paper.thickness_mm * pinhole.scale_px_mm
    if scatter_px > 0.05:
        buried = buried_pieces(nominal, vertices_mm, pieces, pinhole.side)
        share = _buried_share(chords, np.abs(jumps[0]), buried, window, scatter_px)
        channels = [_softened(channel, share, scatter_px) for channel in channels]
    piece = PaperPiece(nominal, vertices_mm, _layers(pieces, chords, pinhole, window))
    factor = unevenness(piece, scene, pinhole, window)
    for channel in channels:
        channel *= factor
    return window, channels


def _by_layers(values: Array, layers: IntArray) -> Array:
    """Value for each number of layers; below 0 (a facet pulled inside out by gross errors) counts as no paper."""
    return np.asarray(values[np.maximum(layers, 0)])


def _reach_px(pinhole: Pinhole, scene: Scene) -> int:
    """How far the piece's light is spread by optics and scatter, in whole pixels."""
    scatter_px = scene.paper.scatter * scene.paper.thickness_mm * pinhole.scale_px_mm
    return math.ceil(4.5 * math.hypot(scene.sensor.blur_px, scatter_px)) + 3


def chords_of(pinhole: Pinhole, pieces: Pieces, scene: Scene) -> Chords:
    """Project edge pieces, in as many parts as the lens term asks for."""
    start, end = pinhole.project(pieces.start), pinhole.project(pieces.end)
    radius = math.hypot(scene.camera.width_px, scene.camera.height_px) / 2
    bend = pinhole.curvature_per_px(max(radius, float(np.abs(start - pinhole.centre_px).max())))
    step = math.sqrt(8 * _CHORD_PX / bend) if bend > 0 else math.inf
    count = np.maximum(np.ceil(np.hypot(*(end - start).T) / step).astype(np.int64), 1)
    piece = np.repeat(np.arange(len(count)), count)
    k = np.arange(len(piece)) - np.repeat(np.cumsum(count) - count, count)
    a, along, n = pieces.start[piece], (pieces.end - pieces.start)[piece], count[piece]
    first = pinhole.project(a + (k / n)[:, None] * along)
    # A chord ends exactly where the next one starts; at a node all pieces must end in one and the same point.
    last = np.where((k == n - 1)[:, None], end[piece], np.roll(first, -1, axis=0))
    first = np.where((k == 0)[:, None], start[piece], first)
    return Chords(first, last, piece, np.column_stack([k, k + 1]) / n[:, None])


def sub_pixels(scene: Scene) -> int:
    """Sub-pixels per pixel: fewer than asked for where a wide blur makes up for it, as fine as at 0.7 px of blur."""
    return min(scene.oversample, math.ceil(0.7 * scene.oversample / scene.sensor.blur_px))


def window_of(chords: Chords, scene: Scene, reach: int) -> Window:
    """Bounds of the piece within the photo, with room for the blur on all sides."""
    size = (scene.camera.width_px, scene.camera.height_px)
    ends = np.vstack([chords.start, chords.end])
    low = np.clip(np.floor(ends.min(axis=0)).astype(int), 0, size) - reach
    high = np.clip(np.ceil(ends.max(axis=0)).astype(int), 0, size) + reach
    x, y = (int(v) for v in low)
    width, height = (int(v) + 1 for v in high - low)
    return Window(x, y, width, height)


def blurred(cells: Cells, weight: Array, window: Window, scene: Scene) -> Image:
    """Light of the window (height, width), 1 at its left border: exact sub-pixel means, Gaussian blur, pixel means.

    The outermost pixels, within the blur's reach of the window's border, are only approximate.
    """
    import cv2

    s, sigma = scene.oversample, scene.sensor.blur_px * scene.oversample
    reach = math.ceil(4.5 * sigma)
    tap = np.arange(-reach, reach + 1)
    kernel = np.convolve(np.exp(-0.5 * (tap / sigma) ** 2), np.ones(s))
    kernel = (kernel / kernel.sum()).astype(np.float32)
    # kernel[k] belongs to the sub-pixel k - reach after the pixel's first one.
    result = np.empty((window.height, window.width), np.float32)
    for row in range(0, window.height, _STRIP_ROWS):
        count = min(_STRIP_ROWS, window.height - row)
        rows = (row * s - reach, (row + count) * s + reach)
        inside = (max(rows[0], 0), min(rows[1], window.height * s))
        light = cells.accumulated(weight, inside, window.width * s)
        light = np.pad(light, ((inside[0] - rows[0], rows[1] - inside[1]), (0, 0)), mode="edge")
        band = np.zeros((count, light.shape[0]), np.float32)
        for k in range(count):
            band[k, k * s : k * s + len(kernel)] = kernel
        down = band @ light
        across = cv2.sepFilter2D(
            down, cv2.CV_32F, kernel, np.ones(1, np.float32), anchor=(reach, 0), borderType=cv2.BORDER_REPLICATE
        )
        result[row : row + count] = across[:, ::s]
    return result + np.float32(1.0)


def _buried_share(chords: Chords, jump: Array, buried: BoolArray, window: Window, scatter_px: float) -> Image:
    """(height, width) share of the local contrast that belongs to buried edges, 0..1."""
    import cv2

    width, height = window.width // 2 + 1, window.height // 2 + 1
    length = np.hypot(*(chords.end - chords.start).T)
    count = np.maximum(np.ceil(length).astype(np.int64), 1)
    chord = np.repeat(np.arange(len(count)), count)
    k = np.arange(len(chord)) - np.repeat(np.cumsum(count) - count, count)
    along = (chords.end - chords.start)[chord] * ((k + 0.5) / count[chord])[:, None]
    cell = np.floor(window.corner_coordinates(chords.start[chord] + along) / 2).astype(np.int64)
    inside = (cell >= 0).all(axis=1) & (cell[:, 0] < width) & (cell[:, 1] < height)
    place = (cell[:, 1] * width + cell[:, 0])[inside]
    piece = chords.piece[chord]
    contrast = jump[piece] * (length / count)[chord]
    sums = [
        np.bincount(place, (contrast * chosen)[inside], width * height).reshape(height, width).astype(np.float32)
        for chosen in (buried[piece], np.ones(len(piece)))
    ]
    sigma = max(scatter_px, 1.0)
    of_buried, of_all = (cv2.GaussianBlur(total, (0, 0), sigma) for total in sums)
    share = of_buried / (of_all + np.float32(1e-6))
    grown = cv2.resize(share, (2 * width, 2 * height), interpolation=cv2.INTER_LINEAR)
    return np.asarray(grown[: window.height, : window.width], dtype=np.float32)


def _softened(channel: Image, share: Image, scatter_px: float) -> Image:
    """Blur the buried share of the contrast by the scatter of the paper above it."""
    import cv2

    soft = cv2.GaussianBlur(channel, (0, 0), scatter_px, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(channel + share * (soft - channel), dtype=np.float32)


def _layers(pieces: Pieces, chords: Chords, pinhole: Pinhole, window: Window) -> Image:
    """(height, width) mean number of layers over each pixel."""
    start, end = window.corner_coordinates(chords.start), window.corner_coordinates(chords.end)
    cells = cells_of(start, end, window.height, window.width)
    jump = -pinhole.handedness * (pieces.left - pieces.right).astype(float)[chords.piece]
    return np.maximum(cells.accumulated(jump, (0, window.height), window.width), 0)

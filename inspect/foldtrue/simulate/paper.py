"""What is uneven in the paper: clouds, fibres and the creases of the grid that the plan does not use."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import Nominal
from foldtrue.precreases import families, grid_of, line_numbers, precreases
from foldtrue.simulate.camera import Pinhole
from foldtrue.simulate.raster import Image, Window, cells_of, outlines_of
from foldtrue.simulate.scene import Paper, Scene

FIBRE_MM = 0.08
# Mean variance left of white noise by OpenCV's bicubic interpolation (a = -0.75): the square of 6/7 per axis.
_CUBIC_POWER = 36 / 49


@dataclass(frozen=True)
class PaperPiece:
    """The piece as drawn: plan, vertices_mm (V, 2) folded and true, layers (height, width) by pixel of the window."""

    nominal: Nominal
    vertices_mm: Array
    layers: Image


def unevenness(piece: PaperPiece, scene: Scene, pinhole: Pinhole, window: Window) -> Image:
    """(height, width) factor on the light of the window from clouds, fibres and grid creases; 1 outside the paper.

    The clouds lie in the picture and not in the sheet: they do not jump at folds. Creases and fibres do.
    """
    paper, px_mm = scene.paper, pinhole.scale_px_mm
    total = np.zeros((window.height, window.width), np.float32)
    if paper.formation > 0:
        shape, coarsest, finest = (window.height, window.width), paper.formation_mm * px_mm, 0.15 * px_mm
        total += paper.formation * clouds(shape, coarsest, finest, _rng(scene.seed, 3))
        total *= np.sqrt(piece.layers)  # the clouds of the layers are independent
    if paper.crease_contrast > 0:
        creases = crease_strokes(piece.nominal, piece.vertices_mm, paper, _rng(scene.piece_seed, 4))
        total += drawn_strokes(*creases, paper.crease_width_mm * px_mm, scene, pinhole, window)
    if paper.fibres_per_cm2 > 0:
        fibres = fibre_strokes(piece.nominal, paper, _rng(scene.seed, 5))
        total += np.minimum(piece.layers, 1) * drawn_strokes(*fibres, FIBRE_MM * px_mm, scene, pinhole, window)
    return np.exp(total)


def drawn_strokes(
    strokes_mm: Array, strength: Array, width_px: float, scene: Scene, pinhole: Pinhole, window: Window
) -> Image:
    """Sum over strokes of strength times the share of each pixel they cover, blurred by the optics."""
    import cv2

    if len(strokes_mm) == 0:
        return np.zeros((window.height, window.width), np.float32)
    parts = 1 if pinhole.k1 == 0 else max(1, math.ceil(float(np.abs(np.diff(strokes_mm, axis=1)).max()) / 3.0))
    at = np.linspace(0, 1, parts + 1)[None, :, None]  # short parts follow the line as the lens bends it
    points = strokes_mm[:, :1] + at * (strokes_mm[:, 1:] - strokes_mm[:, :1])
    px = window.corner_coordinates(pinhole.project(points.reshape(-1, 2))).reshape(-1, parts + 1, 2)
    start, end = outlines_of(np.stack([px[:, :-1], px[:, 1:]], axis=2).reshape(-1, 2, 2), width_px)
    cells = cells_of(start, end, window.height, window.width)
    sharp = cells.accumulated(np.repeat(strength, 4 * parts), (0, window.height), window.width)
    return np.asarray(cv2.GaussianBlur(sharp, (0, 0), scene.sensor.blur_px), dtype=np.float32)


def _rng(seed: int, purpose: int) -> np.random.Generator:
    return np.random.default_rng([seed, purpose])


def clouds(shape: tuple[int, int], coarsest_px: float, finest_px: float, rng: np.random.Generator) -> Image:
    """Multi-scale noise (H, W) of standard deviation 1: white noise at every octave from coarsest to finest.

    The amplitude falls by 0.75 an octave, which gives the look of paper held against light.
    """
    import cv2

    height, width = shape
    total = np.zeros(shape, np.float32)
    power, size, amplitude = 0.0, coarsest_px, 1.0
    while size >= max(finest_px, 1.0):
        grid = rng.standard_normal((int(height / size) + 4, int(width / size) + 4), dtype=np.float32)
        # A random offset of the whole grid: no pixel may lie on grid points more often than others.
        matrix = np.array([[1 / size, 0, 1 + rng.random()], [0, 1 / size, 1 + rng.random()]])
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        layer = cv2.warpAffine(grid, matrix, (width, height), flags=flags, borderMode=cv2.BORDER_REFLECT)
        total += amplitude * layer
        power += amplitude**2 * _CUBIC_POWER
        size, amplitude = size / 2, amplitude * 0.75
    return total / np.float32(math.sqrt(max(power, 1e-12)))


def fibre_strokes(nominal: Nominal, paper: Paper, rng: np.random.Generator) -> tuple[Array, Array]:
    """Strokes (N, 2, 2) in folded mm and their strengths (N,) (log of the light left): long, slightly bent fibres.

    They lie in every layer, so their number goes with the sheet's area and not with the piece's.
    """
    x, y = nominal.sheet_outline_mm.T
    area_cm2 = abs(float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))) / 200
    count, bends = rng.poisson(paper.fibres_per_cm2 * area_cm2), 6
    low, high = nominal.vertices_mm.min(axis=0), nominal.vertices_mm.max(axis=0)
    heading = rng.uniform(0, 2 * np.pi, (count, 1)) + np.cumsum(rng.normal(0, 0.25, (count, bends)), axis=1)
    step = rng.lognormal(np.log(1.2), 0.5, (count, 1))
    walk = step[..., None] * np.stack([np.cos(heading), np.sin(heading)], axis=2)
    path = rng.uniform(low, high, (count, 2))[:, None] + np.cumsum(walk, axis=1)
    strokes = np.stack([path[:, :-1], path[:, 1:]], axis=2).reshape(-1, 2, 2)
    strength = np.log1p(-paper.fibre_contrast * rng.uniform(0.3, 1.7, count).clip(max=1.9))
    return strokes, np.repeat(strength, bends - 1)


def crease_strokes(nominal: Nominal, vertices_mm: Array, paper: Paper, rng: np.random.Generator) -> tuple[Array, Array]:
    """Grid creases inside the facets: strokes (N, 2, 2) in folded mm and their strengths (N,), in every layer."""
    unused = precreases(nominal)
    strength: list[Array] = []
    for normal, offset, spacing in families(*grid_of(nominal)):
        first, last = line_numbers(nominal, normal, offset, spacing)
        dark = rng.random(last - first + 1) < paper.crease_dark
        contrast = paper.crease_contrast * rng.uniform(0.2, 1.8, last - first + 1) * np.where(dark, -1.0, 1.0)
        strength.append(np.log1p(contrast))
    return unused.ends(vertices_mm), np.concatenate(strength)[unused.line]

"""Textures: paper with its relief of unused grid creases, table tops, light on a window pane. All drawn from noise."""

from __future__ import annotations

import numpy as np
from honeycomb import Layout, unit
from scipy.ndimage import gaussian_filter, map_coordinates

SHEET_MM = 290.0  # side of the square the paper's textures cover, centred on the sheet


def noise(rng: np.random.Generator, size: int, blur: tuple[float, float] | float) -> np.ndarray:
    """(size, size) smooth noise of spread 1, blurred by this many texels down and across."""
    field = gaussian_filter(rng.normal(size=(size, size)).astype(np.float32), blur, mode="wrap")
    return field / field.std()


def grid_relief(layout: Layout, size: int, rng: np.random.Generator, depth_mm: float, width_mm: float) -> np.ndarray:
    """(size, size) mm: every crease of the grid over the whole sheet, creased both ways and smoothed again: a low ridge
    or groove with a rounded foot, strength varying from line to line and along each."""
    step = SHEET_MM / size
    axis = (np.arange(size) + 0.5) * step - SHEET_MM / 2
    x, y = np.meshgrid(axis.astype(np.float32), axis[::-1].astype(np.float32))
    relief = np.zeros((size, size), np.float32)
    row = layout.pitch_mm * np.sqrt(3) / 2
    for angle in (0, 60, 120):
        n = unit(angle + 90)
        across = x * n[0] + y * n[1]
        line = np.rint(across / row).astype(int)
        lines = np.unique(line)
        strength = rng.normal(0.75, 0.25, len(lines)) * rng.choice([1, 1, -1], len(lines))
        wander = 1 + 0.25 * noise(rng, size // 8, 12).repeat(8, 0).repeat(8, 1)
        profile = np.exp(-0.5 * ((across - line * row) / width_mm) ** 2)
        relief += depth_mm * strength[line - lines[0]].astype(np.float32) * profile * wander
    return relief


def paper(
    layout: Layout, seed: int, size: int = 4096, creases_share: float = 1.0, clouds_share: float = 1.0
) -> dict[str, np.ndarray]:
    """relief (mm, seen from the front), tone (factor on the colour, 1 on average), density (factor on the light that
    passes), (size, size) each, first row at the sheet's top. creases_share, clouds_share: how far the grid's creases
    stand out, and how uneven the tone is, against the sample pictures'."""
    rng = np.random.default_rng(seed)
    texel = SHEET_MM / size
    creases = creases_share * grid_relief(layout, size, rng, 0.08, 0.30)
    grain = 0.0012 * noise(rng, size, 0.12 / texel) + 0.0020 * noise(rng, size, 0.35 / texel)
    clouds = 0.6 * noise(rng, size, 1.1 / texel) + 0.4 * noise(rng, size, 0.25 / texel)
    worn = np.abs(creases) / 0.08
    return {
        "relief": creases + grain,
        "tone": 1 + clouds_share * (np.clip(1 + 0.012 * clouds + 0.02 * worn, 0.8, 1.1) - 1),
        "density": np.clip(1 + 0.045 * clouds + 0.05 * worn, 0.7, 1.3),
    }


def wood(seed: int, size: int, light: tuple[float, float, float], dark: tuple[float, float, float]) -> np.ndarray:
    """(size, size, 3) linear colour of a planed board: year rings cut lengthwise, pores."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:size, 0:size] / size
    bend = 0.05 * noise(rng, size, (size / 30, size / 5)) + 0.03 * noise(rng, size, (size / 60, size / 3))
    rings = 0.5 + 0.5 * np.sin(2 * np.pi * (9 * y + 1.4 * bend / 0.05 * 0.35 + 0.3 * x))
    fibre = noise(rng, size, (0.8, 60)) * 0.5 + noise(rng, size, (2.5, 150)) * 0.5
    pores = np.clip(noise(rng, size, (0.7, 14)) - 2.2, 0, 1)
    mix = np.clip(0.55 * rings**2 + 0.12 * fibre + 0.6 * pores + 0.15, 0, 1)[..., None]
    return (np.array(light) * (1 - mix) + np.array(dark) * mix).astype(np.float32)


def stone(seed: int, size: int, colour: tuple[float, float, float]) -> np.ndarray:
    """(size, size, 3) linear colour of a speckled worktop."""
    rng = np.random.default_rng(seed)
    cloud = noise(rng, size, size / 25) * 0.05 + noise(rng, size, size / 150) * 0.03
    speck = 0.5 * np.clip(noise(rng, size, 1.2) - 2.0, 0, 1) - 0.6 * np.clip(noise(rng, size, 1.6) - 2.1, 0, 1)
    return np.clip(np.array(colour) * (1 + cloud + speck)[..., None], 0.01, 0.95).astype(np.float32)


def pane(seed: int, size: int = 512) -> np.ndarray:
    """(size, size, 3) light of a frosted window pane: brighter above, blurred things outside."""
    rng = np.random.default_rng(seed)
    y = np.linspace(1, 0, size)[:, None]
    light = 0.86 + 0.22 * y + 0.05 * noise(rng, size, size / 8) + 0.0 * y.T
    tint = np.stack([1.0 + 0.04 * (1 - y), 1.0 + 0.0 * y, 1.02 + 0.05 * y], axis=-1)
    return (light[..., None] * tint).astype(np.float32)


def waves(seed: int, height_mm: float, length_mm: float, points: np.ndarray) -> np.ndarray:
    """Height (N,) mm of slow waves of the whole piece at places (N, 2) mm: spread height_mm, about length_mm long."""
    rng = np.random.default_rng(seed)
    step, size = length_mm / 6, 128
    field = noise(rng, size, 1.6)
    return height_mm * map_coordinates(field, (points.T / step) + size / 2, order=3, mode="wrap")

"""Light through paper by colour channel, and how evenly the table and the lens light the photo."""

from __future__ import annotations

import math

import numpy as np

from foldtrue.frames import Array
from foldtrue.simulate.laid import Scanner
from foldtrue.simulate.raster import Image
from foldtrue.simulate.scene import Camera, Light, Paper
from foldtrue.transmission import stack_transmittance


def paper_light(paper: Paper, layers: int) -> Array:
    """(C, layers + 1) light by channel and number of layers; C is 1 when all channels are alike, else 3."""
    channels = list(zip(paper.reflectance, paper.transmittance, strict=True))
    kept = channels[:1] if len(set(channels)) == 1 else channels
    return np.stack([stack_transmittance(r, t, layers) for r, t in kept])


def illumination(camera: Camera | Scanner, light: Light, rows: tuple[int, int]) -> Image:
    """(rows, width) relative light on the given rows of the photo, 1 in the middle of an even one."""
    width, height = camera.width_px, camera.height_px
    diagonal = math.hypot(width, height)
    x = (np.arange(width, dtype=np.float32) - (width - 1) / 2) / diagonal
    y = (np.arange(*rows, dtype=np.float32)[:, None] - (height - 1) / 2) / diagonal
    c, s = math.cos(math.radians(light.gradient_deg)), math.sin(math.radians(light.gradient_deg))
    even = 1 + light.gradient * (x * c - y * s)
    sx, sy = (light.spot[0] - 0.5) * width / diagonal, (light.spot[1] - 0.5) * height / diagonal
    table = 1 - light.falloff * np.minimum((x - sx) ** 2 + (y - sy) ** 2, 1.0)
    lens = 1 - light.vignette * 4 * (x**2 + y**2)
    return np.asarray(even * table * lens, dtype=np.float32)

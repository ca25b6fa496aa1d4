"""From linear light to a phone's JPEG: optics' blur, vignetting, noise, white balance, sRGB, sharpening."""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
from PIL import Image
from scipy.ndimage import gaussian_filter, maximum_filter

ORIENTATION, FOCAL_35MM = 0x0112, 0xA405
TURNS = {1: 0, 3: 2, 6: 1, 8: 3}  # quarter turns counter-clockwise from the upright picture to the stored one


@dataclass(frozen=True)
class Develop:
    """exposure: light that becomes full white; blur_px; vignette: loss in the corners; full_well_e, read_e: noise;
    white: gains red green blue; sharpen: strength of the phone's unsharp mask; quality, orientation: of the JPEG."""

    exposure: float
    blur_px: float = 0.8
    vignette: float = 0.12
    full_well_e: float = 6000.0
    read_e: float = 4.0
    white: tuple[float, float, float] = (1.0, 1.0, 1.0)
    sharpen: float = 0.25
    quality: int = 90
    orientation: int = 1


def calmed(light: np.ndarray, most: float = 1.3) -> np.ndarray:
    """light (h, w, 3) without single bright pixels, as phones take them out: none above `most` times the brightest of
    its eight neighbours."""
    around = np.ones((3, 3, 1), bool)
    around[1, 1] = False
    return np.minimum(light, most * maximum_filter(light, footprint=around))


def developed(light: np.ndarray, how: Develop, seed: int) -> np.ndarray:
    """(h, w, 3) uint8, upright."""
    rng = np.random.default_rng(seed)
    h, w = light.shape[:2]
    y, x = np.mgrid[0:h, 0:w]
    far = ((x - (w - 1) / 2) ** 2 + (y - (h - 1) / 2) ** 2) / ((w / 2) ** 2 + (h / 2) ** 2)
    seen = gaussian_filter(calmed(light), (how.blur_px, how.blur_px, 0)) / how.exposure
    seen = seen * (1 - how.vignette * far)[..., None]
    electrons = np.minimum(seen, 1.2) * how.full_well_e
    electrons = electrons + rng.normal(size=seen.shape) * np.sqrt(electrons + how.read_e**2)
    linear = np.clip(electrons / how.full_well_e * np.array(how.white), 0, 1)
    linear = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    linear = linear + how.sharpen * (linear - gaussian_filter(linear, (1.2, 1.2, 0)))
    return np.clip(np.rint(linear * 255), 0, 255).astype(np.uint8)


def jpeg(picture: np.ndarray, how: Develop, focal_35mm: float) -> bytes:
    """The photo file, stored turned as its orientation tag says."""
    exif = Image.Exif()
    exif[ORIENTATION] = how.orientation
    exif.get_ifd(0x8769)[FOCAL_35MM] = round(focal_35mm)
    out = io.BytesIO()
    stored = np.ascontiguousarray(np.rot90(picture, TURNS[how.orientation]))
    Image.fromarray(stored).save(out, "JPEG", quality=how.quality, exif=exif)
    return out.getvalue()

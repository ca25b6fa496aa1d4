"""From linear light to a file: photon and read noise, clipping, tone curve, quantising, header."""

from __future__ import annotations

import hashlib
import io
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from foldtrue.handover import Photo
from foldtrue.simulate.laid import Scanner
from foldtrue.simulate.raster import Image
from foldtrue.simulate.scene import Camera, Sensor

Codes = NDArray[np.uint8]

_ORIENTATION, _SOFTWARE, _EXIF_IFD, _FOCAL_35MM = 0x0112, 0x0131, 0x8769, 0xA405


def exposed(light: Image, sensor: Sensor, rng: np.random.Generator) -> Image:
    """Light on the sensor (1 = saturation) with noise of variance light / full well + (read noise / full well)^2.

    Photon noise is drawn as Gaussian of the Poisson variance; at 100 electrons and more the difference is below a grey
    level. Channels and pixels are independent: no colour filter array, no denoising.
    """
    if sensor.full_well_e is None:
        return light
    variance = np.maximum(light, 0) / np.float32(sensor.full_well_e)
    variance += np.float32((sensor.read_noise_e / sensor.full_well_e) ** 2)
    return np.asarray(light + np.sqrt(variance) * rng.standard_normal(light.shape, dtype=np.float32))


def encoded(light: Image, tone: Literal["srgb"] | float) -> Codes:
    """Clip to 0..1, apply the tone curve and round to 8 bit, through a table of 65536 light levels."""
    level = np.arange(65536) / 65535
    if tone == "srgb":  # IEC 61966-2-1
        curve = np.where(level <= 0.0031308, 12.92 * level, 1.055 * level ** (1 / 2.4) - 0.055)
    else:
        curve = level ** (1 / tone)
    table = np.rint(255 * curve).astype(np.uint8)
    return np.asarray(table[(np.clip(light, 0, 1) * np.float32(65535) + np.float32(0.5)).astype(np.uint16)])


def stored(upright: Codes, orientation: int) -> Codes:
    """Upright pixels as a camera with this EXIF orientation stores them (Exif 2.3, tag 0x0112)."""
    turned = {
        1: lambda p: p,
        2: np.fliplr,
        3: lambda p: np.rot90(p, 2),
        4: np.flipud,
        5: lambda p: p.transpose(1, 0, 2),
        6: lambda p: np.rot90(p, 1),
        7: lambda p: np.rot90(p, 2).transpose(1, 0, 2),
        8: lambda p: np.rot90(p, 3),
    }[orientation](upright)
    return np.ascontiguousarray(turned)


def written(upright: Codes, camera: Camera | Scanner, sensor: Sensor) -> bytes:
    """File of the pixels: orientation and a camera's equivalent focal length in its EXIF header, or a scanner's dpi."""
    from PIL import Image as Picture

    exif = Picture.Exif()
    exif[_ORIENTATION] = sensor.orientation
    exif[_SOFTWARE] = "foldtrue, simulated photo"
    options: dict[str, Any] = {"exif": exif}
    if isinstance(camera, Scanner):
        options["dpi"] = (camera.dpi, camera.dpi)
    elif sensor.focal_noted:
        exif.get_ifd(_EXIF_IFD)[_FOCAL_35MM] = round(camera.focal_35mm)
    if sensor.file == "JPEG":
        options |= {"quality": sensor.jpeg_quality, "subsampling": sensor.chroma}
    out = io.BytesIO()
    Picture.fromarray(stored(upright, sensor.orientation)).save(out, sensor.file, **options)
    return out.getvalue()


def as_photo(file: bytes, camera: Camera | Scanner, sensor: Sensor) -> Photo:
    """The file as a reader sees it: decoded, turned upright, taken for sRGB whatever tone curve it was made with."""
    from PIL import Image as Picture
    from PIL import ImageOps

    with Picture.open(io.BytesIO(file)) as picture:
        dpi, focal = picture.info.get("dpi", ()), picture.getexif().get_ifd(_EXIF_IFD).get(_FOCAL_35MM)
        pixels = np.asarray(ImageOps.exif_transpose(picture))
    code = np.arange(256) / 255
    linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4).astype(np.float32)
    return Photo(
        pixels=pixels,
        linear=linear,
        sha256=hashlib.sha256(file).hexdigest(),
        file_format=sensor.file,
        orientation=sensor.orientation,
        focal_35mm=None if focal is None else float(focal),
        dpi=(float(dpi[0]), float(dpi[1])) if isinstance(camera, Scanner) else None,
    )

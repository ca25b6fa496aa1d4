"""Photos whose header names a camera; made up."""

from __future__ import annotations

import io
from pathlib import Path

from PIL import Image

NAME = ("Quarter Moon", "Pane 2")
MAKE, MODEL, EXIF, FOCAL_35MM, SERIAL = 0x010F, 0x0110, 0x8769, 0xA405, 0xA431


def headed(jpeg: bytes, path: Path, name=NAME, focal=26, serial="SN-0042") -> Path:
    """The picture as a file whose header says so."""
    exif = Image.Exif()
    if name is not None:
        exif[MAKE], exif[MODEL] = name
    exif.get_ifd(EXIF)[SERIAL] = serial
    if focal is not None:
        exif.get_ifd(EXIF)[FOCAL_35MM] = focal
    Image.open(io.BytesIO(jpeg)).save(path, quality=96, exif=exif)
    return path

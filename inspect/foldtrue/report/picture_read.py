"""Pictures of a finished report folder, read back for a page: made anew from pixels, so that whatever a file in the
folder says besides them goes nowhere.
"""

from __future__ import annotations

import io
import json
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from PIL import Image
from pydantic import BaseModel, Field, FiniteFloat, ValidationError

Point = tuple[FiniteFloat, FiniteFloat]
Polygon = Annotated[list[Point], Field(min_length=3, max_length=1000)]
_MOST_BYTES = 60_000_000
_MOST_PX = 40_000_000
_QUALITY = 85


class PlacedTwist(BaseModel):
    """Where one twist lies in the picture, px; found, error and u95_px None where it was not measured."""

    id: str
    planned: Polygon
    centre: Point
    found: Polygon | None
    error: Point | None
    u95_px: FiniteFloat | None


class Places(BaseModel):
    """What picture.json says (report/picture.py)."""

    format: Literal["foldtrue-picture"]
    version: Literal[1]
    width_px: int = Field(gt=0, le=20000)
    height_px: int = Field(gt=0, le=20000)
    px_per_mm: float = Field(gt=0, allow_inf_nan=False)
    magnify: float = Field(gt=0, allow_inf_nan=False)
    outline: Polygon
    twists: list[PlacedTwist] = Field(max_length=100_000)


@dataclass(frozen=True)
class Picture:
    """jpeg: pixels and nothing else. size_px: width and height."""

    jpeg: bytes
    size_px: tuple[int, int]


def read_picture(path: Path, longest_side_px: int) -> Picture | None:
    """The picture in a file, made smaller where its longer side is over `longest_side_px`; None where there is none
    that can be read."""
    try:
        if path.stat().st_size > _MOST_BYTES:
            return None
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # a picture that Pillow warns of is not one of ours
            with Image.open(path, formats=("JPEG", "PNG")) as image:
                if image.width * image.height > _MOST_PX:
                    return None
                image.thumbnail((longest_side_px, longest_side_px))
                return Picture(plain_jpeg(image), image.size)
    except (OSError, ValueError, SyntaxError, Warning, Image.DecompressionBombError):
        return None


def plain_jpeg(image: Image.Image) -> bytes:
    """The pixels as JPEG, without anything else that came with them."""
    pixels = Image.new("RGB", image.size)
    pixels.paste(image.convert("RGB"))
    stream = io.BytesIO()
    pixels.save(stream, "JPEG", quality=_QUALITY)
    return stream.getvalue()


def read_places(path: Path) -> Places | None:
    """What lies where in picture.jpg; None where there is no such file or it has not our form."""
    try:
        if path.stat().st_size > _MOST_BYTES:
            return None
        content: Any = json.loads(path.read_bytes())
        return Places.model_validate(content)
    except (OSError, ValueError, RecursionError, ValidationError):
        return None

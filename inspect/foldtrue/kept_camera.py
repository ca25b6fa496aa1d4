"""Cameras whose lens was measured and kept: `camera.json` in the person's folder (docs/scale.md).

A lens serves photos of the same camera at the same focal length and picture proportions. Of a camera its maker and
model are kept, as the headers of its photos say, and no serial number.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from foldtrue.errors import UnreadableFile, UsageError
from foldtrue.handover import KeptLens, Photo
from foldtrue.measured import COVERAGE_95

FILE = "camera.json"
FORMAT, VERSION = "foldtrue-cameras", 1
MAX_BYTES = 1_000_000
SAME = 0.01
"""Relative, within which two focal lengths, or two proportions, count as one: headers round, and pictures have whole
pixels."""
_LARGEST_K1 = 1.0
_ANEW = f"Move {FILE} away and measure the camera again, foldtrue camera PHOTO --keep; or say --no-kept-camera."

Record = Mapping[str, Any]


def proportion_of(photo: Photo) -> float:
    """Longer side of the picture / shorter side."""
    height, width = photo.pixels.shape[:2]
    return float(max(height, width) / min(height, width))


def named_camera(photos: Sequence[Photo]) -> tuple[str, float, float]:
    """Camera, focal length and proportion that photos to be kept share. Raises UsageError with the reason where they
    tell none or several."""
    advice = "Use the files as the camera wrote them: sending and editing often remove what a header says."
    if any(photo.camera is None for photo in photos):
        raise UsageError("The header of a photo names no camera, so its figures cannot be kept for one.", advice)
    if any(photo.focal_35mm is None for photo in photos):
        what = "The header of a photo tells no 35 mm equivalent focal length, so it cannot be told which zoom this is."
        raise UsageError(what, advice)
    first = photos[0]
    if any(not _same_picture(_of(photo), _of(first)) for photo in photos):
        raise UsageError(
            "The photos are of more than one camera, focal length or picture proportion.", "Keep them one by one."
        )
    return _of(first)


def lens_for(photo: Photo, kept: Iterable[KeptLens]) -> KeptLens | None:
    """The kept lens that took this photo, None where there is none."""
    if photo.camera is None or photo.focal_35mm is None:
        return None
    same = [one for one in kept if _same_picture((one.camera, one.focal_35mm, one.proportion), _of(photo))]
    return same[0] if same else None


def kept_lenses(folder: Path) -> tuple[KeptLens, ...]:
    """The kept lenses of a person's folder; none without a file. Raises UnreadableFile where it is damaged."""
    return tuple(_lens(entry) for entry in kept_entries(folder) if entry.get("camera") is not None)


def kept_entries(folder: Path) -> list[Record]:
    """The cameras of camera.json, each a record as foldtrue camera writes it, what they hold unchecked.

    A record of a single camera, as `--out` writes it, counts as the list of it. Raises UnreadableFile.
    """
    path = folder / FILE
    try:
        if path.stat().st_size > MAX_BYTES:
            raise UnreadableFile(f"{path} is too large to be a list of cameras.", _ANEW)
        content = json.loads(path.read_bytes())
        if content["format"] == "foldtrue-camera":
            return [content]
        if (content["format"], content["version"]) != (FORMAT, VERSION):
            raise UnreadableFile(f"{path} is of a form that is not known here.", _ANEW)
        entries = content["cameras"]
        if not all(isinstance(entry, dict) for entry in entries):
            raise TypeError("an entry is no record")
        return list(entries)
    except FileNotFoundError:
        return []
    except (OSError, ValueError, TypeError, LookupError, RecursionError):
        raise UnreadableFile(f"{path} is damaged or no list of cameras.", _ANEW) from None


def with_camera(entries: Sequence[Record], record: Record) -> bytes:
    """Content of camera.json with one more camera, in place of an earlier entry of it at this focal length."""
    new = (record["camera"], record["focal_35mm"], record["proportion"])
    left = [e for e in entries if e.get("camera") is None or not _same_picture(_key(e), new)]
    content = {"format": FORMAT, "version": VERSION, "cameras": [*left, record]}
    return (json.dumps(content, indent=2, allow_nan=False) + "\n").encode()


def _of(photo: Photo) -> tuple[str, float, float]:
    return str(photo.camera), float(photo.focal_35mm or math.nan), proportion_of(photo)


def _key(entry: Record) -> tuple[str, float, float]:
    lens = _lens(entry)
    return lens.camera, lens.focal_35mm, lens.proportion


def _same_picture(one: tuple[str, float, float], other: tuple[str, float, float]) -> bool:
    numbers = zip(one[1:], other[1:], strict=True)
    return one[0] == other[0] and all(abs(a - b) <= SAME * max(a, b) for a, b in numbers)


def _lens(entry: Record) -> KeptLens:
    """Raises UnreadableFile where the entry's figures cannot be those of a lens."""
    try:
        numbers = [float(entry[name]) for name in ("focal_35mm", "proportion", "k1", "k1_u95")]
    except (TypeError, ValueError, LookupError):
        numbers = [math.nan]
    usable = all(map(math.isfinite, numbers)) and min(numbers[0], numbers[1], numbers[3]) > 0
    if not usable or abs(numbers[2]) > _LARGEST_K1 or not isinstance(entry["camera"], str):
        raise UnreadableFile(f"An entry of {FILE} has figures that are no lens's.", _ANEW)
    focal, proportion, k1, u95 = numbers
    return KeptLens(entry["camera"], focal, proportion, k1, u95 / COVERAGE_95)

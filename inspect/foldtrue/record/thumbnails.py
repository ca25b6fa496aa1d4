"""The door for pictures: nothing but a small JPEG without metadata enters the record, wherever it comes from."""

from __future__ import annotations

from foldtrue.errors import UsageError

MAX_BYTES = 300_000
_PICTURE_START, _PICTURE_END, _SCAN = b"\xff\xd8", b"\xff\xd9", 0xDA
_APP0, _APP15, _COMMENT = 0xE0, 0xEF, 0xFE


def check_bare_jpeg(data: bytes) -> None:
    """Raises UsageError unless `data` is a JPEG of at most MAX_BYTES without EXIF, comments or any other metadata.

    Segments after ITU-T T.81, annex B: metadata lies in application segments 1 to 15 and in comments before the scan;
    JFIF's own, 0, holds the resolution alone, and at most 16 bytes of it are let through (no embedded thumbnail).
    """
    if len(data) > MAX_BYTES or not data.startswith(_PICTURE_START) or not data.endswith(_PICTURE_END):
        raise _refused()
    if data.find(_PICTURE_END) != len(data) - 2:  # another picture, or anything else, behind the first
        raise _refused()
    place = 2
    while place + 4 <= len(data) and data[place] == 0xFF:
        marker, length = data[place + 1], int.from_bytes(data[place + 2 : place + 4], "big")
        if marker == _SCAN:
            return
        if _APP0 < marker <= _APP15 or marker == _COMMENT or (marker == _APP0 and length > 16):
            raise _refused()
        place += 2 + length
    raise _refused()


def _refused() -> UsageError:
    return UsageError(
        f"A thumbnail must be a JPEG of at most {MAX_BYTES // 1000} kB without metadata.",
        "Record the photo itself with --photo: foldtrue makes the thumbnail.",
    )

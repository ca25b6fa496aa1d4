"""Step 2 of the flow: a picture file becomes a Photo, upright, in RGB, with what its header knows.

The one place that knows file formats, EXIF and colour modes. Everything hostile is refused here in one sentence, and
before memory is spent on it: sizes are judged from the header, never after decoding.
"""

from __future__ import annotations

import hashlib
import io
import struct
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from foldtrue.errors import MachineLacks, PhotoTooPoor, UnreadableFile
from foldtrue.handover import Photo

if TYPE_CHECKING:
    from PIL.Image import Image

Pixels = NDArray[Any]

MAX_PIXELS = 100_000_000
MAX_FILE_BYTES = 1_000_000_000
MAX_ASPECT = 8.0
MIN_SIDE_PX = 64
_FORMATS = ("JPEG", "MPO", "PNG", "TIFF", "WEBP", "BMP", "HEIF")
_KINDS = "JPEG, PNG, TIFF, WebP, HEIC or BMP"
_MAKE, _MODEL = 0x010F, 0x0110
_ORIENTATION, _EXIF_IFD, _EXPOSURE_TIME, _FOCAL_35MM, _BITS_PER_SAMPLE = 0x0112, 0x8769, 0x829A, 0xA405, 258
_SCREEN_DPI = (72, 96)
_LONGEST_NAME = 60


def read_photo(path: Path | str) -> Photo:
    """Decode a photo, turn it upright and note what its header says.

    JPEG, PNG, TIFF, WebP, HEIC and BMP; grey, RGB, CMYK and palette; 8 or 16 bit per channel; transparency is laid over
    white; of an animation the first frame. Pixel values stay gamma-coded; `linear` holds the inverse of the sRGB curve
    (IEC 61966-2-1), also where a wide-gamut profile is embedded: edges are located in grey, where that is close enough.

    Raises UnreadableFile (missing, not a picture, truncated, over 100 megapixels, an absurd shape), PhotoTooPoor (under
    64 px across), MachineLacks (HEIC without pillow-heif).
    """
    path = Path(path)
    data = _read_bytes(path)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # Pillow warns about large pictures and odd EXIF; both are judged here instead
        image = _open(data, path.name)
        _check_size(image.size, path.name)
        header = _header(image)
        try:
            pixels, rest = _decode(image, data, header["orientation"])
        except MemoryError:
            raise UnreadableFile(f"{path.name} needs more memory than there is.", "Make it smaller.") from None
        except (UnreadableFile, ImportError):  # ImportError: the machine lacks something, the file may be fine
            raise
        except Exception as error:  # decoders raise nearly anything on a damaged file
            raise _damaged(path.name) from error
    return Photo(
        pixels=_upright(pixels, rest),
        linear=linear_table(pixels.dtype),
        sha256=hashlib.sha256(data).hexdigest(),
        file_format=str(image.format),
        **header,
    )


def linear_table(dtype: np.dtype[Any]) -> NDArray[np.float32]:
    """Code value -> linear light 0..1 by the inverse sRGB curve: (256,) for uint8, (65536,) for uint16."""
    count = 256 if dtype == np.uint8 else 65536
    code = np.arange(count) / (count - 1)
    light = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    return light.astype(np.float32)


def _read_bytes(path: Path) -> bytes:
    if path.is_dir():
        raise UnreadableFile(f"{path} is a folder, not a photo.", "Name one picture file.")
    try:
        if path.exists() and not path.is_file():
            raise UnreadableFile(f"{path} is not an ordinary file.", "Name one picture file.")
        if path.stat().st_size > MAX_FILE_BYTES:
            raise UnreadableFile(f"{path.name} is larger than 1 GB.", "Save it as JPEG or make it smaller.")
        data = path.read_bytes()
    except FileNotFoundError:
        raise UnreadableFile(f"There is no file {path}.", "Check the name and the folder.") from None
    except (OSError, ValueError) as error:  # ValueError: a null byte in the name
        reason = getattr(error, "strerror", None) or str(error)
        raise UnreadableFile(f"{path} cannot be read: {reason}.", "Check its permissions.") from None
    if not data:
        raise UnreadableFile(f"{path.name} is empty.", "Copy it from the camera again.")
    return data


def _open(data: bytes, name: str) -> Image:
    from PIL import Image, UnidentifiedImageError

    Image.init()  # load every reader, so that naming one below never fails
    if data[4:8] == b"ftyp":
        _register_heif()
    try:
        return Image.open(io.BytesIO(data), formats=[kind for kind in _FORMATS if kind in Image.OPEN])
    except Image.DecompressionBombError:
        raise _too_large(name) from None
    except UnidentifiedImageError:
        raise UnreadableFile(f"{name} is not a picture foldtrue can read.", f"Use {_KINDS}.") from None
    except Exception as error:  # a damaged header: OSError, SyntaxError, ValueError, struct.error, by format
        raise _damaged(name) from error


def _register_heif() -> None:
    try:
        from pillow_heif import register_heif_opener
    except ImportError as error:
        raise MachineLacks("HEIC pictures need the package pillow-heif.", "pip install pillow-heif") from error
    register_heif_opener()


def _damaged(name: str) -> UnreadableFile:
    return UnreadableFile(f"{name} is damaged or cut short.", "Copy it from the camera again.")


def _too_large(name: str) -> UnreadableFile:
    return UnreadableFile(
        f"{name} has more than {MAX_PIXELS // 1_000_000} megapixels.", "Make it smaller; 12 megapixels are plenty."
    )


def _check_size(size: tuple[int, int], name: str) -> None:
    width, height = size
    if width * height > MAX_PIXELS:
        raise _too_large(name)
    if min(size) < 1 or max(size) > MAX_ASPECT * min(size):
        what = f"{name} is {width} x {height} px, which is no photo of a piece."
        raise UnreadableFile(what, "Use the camera's photo.")
    if min(size) < MIN_SIDE_PX:
        raise PhotoTooPoor(f"{name} has only {width} x {height} px.", "Use the camera's full-size photo.")


def _header(image: Image) -> dict[str, Any]:
    """What the header says, as the last fields of Photo; damaged entries count as absent."""
    try:
        exif = image.getexif()
        orientation = exif.get(_ORIENTATION, 1)
        camera = dict(exif.get_ifd(_EXIF_IFD))
        name = _camera_name(exif.get(_MAKE), exif.get(_MODEL))
    except Exception:  # damaged EXIF must not cost the photo
        orientation, camera, name = 1, {}, None
    focal = _positive(camera.get(_FOCAL_35MM))
    dpi = _dpi(image, taken_by_camera=focal is not None or _EXPOSURE_TIME in camera)
    return {
        "orientation": orientation if orientation in range(1, 9) else 1,
        "focal_35mm": focal,
        "dpi": dpi[::-1] if dpi and orientation in range(5, 9) else dpi,  # those turn the picture by a quarter
        "colour_profile": _profile_name(image.info.get("icc_profile")),
        "camera": name,
    }


def _camera_name(make: Any, model: Any) -> str | None:
    """Maker and model as one line of printable text, cut to 60 characters each; None without a model."""
    maker, kind = (_plain_text(value) for value in (make, model))
    if not kind:
        return None
    return kind if not maker or kind.lower().startswith(maker.lower()) else f"{maker} {kind}"


def _plain_text(value: Any) -> str:
    """Untrusted text without what a terminal or a page could take for more than text."""
    if not isinstance(value, str):
        return ""
    printable = "".join(c if c.isprintable() else " " for c in value[: 10 * _LONGEST_NAME])
    return " ".join(printable.split())[:_LONGEST_NAME].strip()


def _dpi(image: Image, *, taken_by_camera: bool) -> tuple[float, float] | None:
    """The resolution of a scan, as the file lies. Cameras and screen programs write 72 or 96 without meaning it."""
    try:
        across, down = (_positive(value) for value in image.info.get("dpi", (None, None)))
    except (TypeError, ValueError):
        return None
    if across is None or down is None or taken_by_camera:
        return None
    return None if round(across) in _SCREEN_DPI and round(down) in _SCREEN_DPI else (across, down)


def _positive(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if np.isfinite(number) and number > 0 else None


def _profile_name(icc: bytes | None) -> str | None:
    if not icc:
        return None
    from PIL import ImageCms

    try:
        return ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(io.BytesIO(icc))).strip() or "unnamed"
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return "unreadable"


def _decode(image: Image, data: bytes, orientation: int) -> tuple[Pixels, int]:
    """Pixels (H, W, 3) and the EXIF orientation that is still to be applied to them."""
    if image.format in ("JPEG", "MPO") and image.mode in ("RGB", "L"):
        return _decode_jpeg(data), orientation
    if _is_16_bit(image, data):
        return _decode_16_bit(data, image.size), orientation
    if image.mode in ("I", "F", "LAB", "HSV", "YCbCr"):
        raise UnreadableFile("The picture's number format is not one a camera writes.", "Save it with 8 or 16 bit RGB.")
    image.load()
    turned_by_decoder = image.format in ("TIFF", "HEIF")
    return _flatten(image), 1 if turned_by_decoder else orientation


def _decode_jpeg(data: bytes) -> Pixels:
    """OpenCV decodes to the same values as Pillow in about two thirds of the time, but does not mind a cut-off file."""
    import cv2

    if not _jpeg_is_whole(data):
        raise EOFError("JPEG without its end marker")
    flags = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION
    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    if pixels is None:
        raise OSError("JPEG cannot be decoded")
    return pixels


def _jpeg_is_whole(data: bytes) -> bool:
    """Whether the first picture's scans run to its end-of-image marker (ITU-T T.81, annex B)."""
    codes = np.frombuffer(data, np.uint8)
    after = codes[1:]
    marks = np.flatnonzero((codes[:-1] == 0xFF) & (after > 0) & (after < 0xFF) & ((after < 0xD0) | (after > 0xD7)))
    place = 2
    while place + 4 <= len(data):
        marker = data[place + 1]
        if data[place] != 0xFF:
            return False
        if marker == 0xFF:
            place += 1
            continue
        if marker == 0xD9:
            return True
        place += 2 + struct.unpack(">H", data[place + 2 : place + 4])[0]
        if marker == 0xDA:
            following = np.searchsorted(marks, place)
            if following == len(marks):
                return False
            place = int(marks[following])
    return data[place : place + 2] == b"\xff\xd9"


def _is_16_bit(image: Image, data: bytes) -> bool:
    if image.format == "PNG":
        return data[24] == 16
    if image.format == "TIFF":
        return bool(max(image.tag_v2.get(_BITS_PER_SAMPLE, (8,))) == 16)  # type: ignore[attr-defined]
    return False


def _decode_16_bit(data: bytes, size: tuple[int, int]) -> Pixels:
    """Pillow keeps only 8 of 16 bits in colour, so OpenCV reads these; it gives blue, green, red, alpha."""
    import cv2
    from PIL import Image

    if data.startswith(b"\x89PNG"):
        Image.open(io.BytesIO(data)).verify()  # its sums, without a word; OpenCV's library talks to the terminal
    cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)  # its failures come back as None as well
    raw = cv2.imdecode(np.frombuffer(_tiff_upright(data), np.uint8), cv2.IMREAD_UNCHANGED)
    if raw is None or raw.dtype != np.uint16 or sorted(raw.shape[:2]) != sorted(size):
        raise OSError("16 bit picture cannot be decoded")
    if raw.ndim == 2 or raw.shape[2] == 1:
        return np.repeat(raw.reshape(*raw.shape[:2], 1), 3, axis=2)
    colour = raw[:, :, 2::-1]
    if raw.shape[2] == 4:
        alpha = raw[:, :, 3:].astype(np.float32) / 65535
        colour = np.rint(colour * alpha + 65535 * (1 - alpha)).astype(np.uint16)
    return np.ascontiguousarray(colour)


def _tiff_upright(data: bytes) -> bytes:
    """The same TIFF with orientation 1 in its first directory: OpenCV turns, or fails on, other values."""
    order = {b"II": "<", b"MM": ">"}.get(data[:2])
    if order is None:
        return data
    start = struct.unpack(order + "I", data[4:8])[0]
    count = struct.unpack(order + "H", data[start : start + 2])[0]
    for entry in range(start + 2, start + 2 + 12 * count, 12):
        if struct.unpack(order + "H", data[entry : entry + 2])[0] == _ORIENTATION:
            return data[: entry + 8] + struct.pack(order + "H", 1) + data[entry + 10 :]
    return data


def _flatten(image: Image) -> Pixels:
    """Any 8-bit Pillow mode -> (H, W, 3) uint8 RGB, transparency over white."""
    from PIL import Image as PillowImage

    if image.mode.startswith("I;16"):
        grey = np.asarray(image).astype(np.uint16)
        return np.repeat(grey[:, :, None], 3, axis=2)
    if image.mode in ("RGBA", "LA", "PA", "RGBa", "La") or "transparency" in image.info:
        rgba = image.convert("RGBA")
        image = PillowImage.alpha_composite(PillowImage.new("RGBA", rgba.size, "white"), rgba)
    return np.array(image.convert("RGB"))


def _upright(pixels: Pixels, orientation: int) -> Pixels:
    """Apply an EXIF orientation 1..8 (Exif 2.32, tag 0x0112); always returns a contiguous array."""
    if orientation == 1:
        return np.ascontiguousarray(pixels)
    import cv2  # its transpose is several times faster than copying a strided view

    turned: Pixels = cv2.transpose(pixels) if orientation >= 5 else pixels
    flips = {2: 1, 3: -1, 4: 0, 6: 1, 7: -1, 8: 0}
    return turned if orientation == 5 else cv2.flip(turned, flips[orientation])

"""Reading picture files: every format a camera or scanner writes, and every file that must be declined."""

from __future__ import annotations

import contextlib
import hashlib
import io
import struct
import sys
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageCms

from foldtrue.errors import FoldtrueError, MachineLacks, PhotoTooPoor, UnreadableFile
from foldtrue.photo import linear_table, read_photo

# The eight orientations of Exif 2.32 (tag 0x0112): what has to be done to the stored picture to see it upright.
UPRIGHT = {
    1: lambda a: a,
    2: np.fliplr,
    3: lambda a: np.rot90(a, 2),
    4: np.flipud,
    5: lambda a: a.swapaxes(0, 1),
    6: lambda a: np.rot90(a, -1),
    7: lambda a: np.rot90(a, 2).swapaxes(0, 1),
    8: lambda a: np.rot90(a, 1),
}


def save(folder, picture, name="photo.png", mode=None, **options):
    path = folder / name
    image = Image.fromarray(picture)
    (image.convert(mode) if mode else image).save(path, **options)
    return path


def exif(orientation=None, focal=None, exposure=None):
    tags = Image.Exif()
    if orientation is not None:
        tags[0x0112] = orientation
    if focal is not None:
        tags.get_ifd(0x8769)[0xA405] = focal
    if exposure is not None:
        tags.get_ifd(0x8769)[0x829A] = exposure
    return tags.tobytes()


def heif(folder, picture, **options):
    heif_module = pytest.importorskip("pillow_heif")
    path = folder / "photo.heic"
    try:
        heif_module.from_pillow(Image.fromarray(picture)).save(path, quality=-1, **options)
    except RuntimeError as error:
        pytest.skip(f"no HEIC encoder: {error}")
    return path


@pytest.mark.parametrize(("name", "kind"), [("a.png", "PNG"), ("a.tif", "TIFF"), ("a.bmp", "BMP")])
def test_lossless_formats_give_the_very_pixels(tmp_path, picture, name, kind):
    photo = read_photo(save(tmp_path, picture, name))
    assert photo.file_format == kind
    assert photo.pixels.dtype == np.uint8
    np.testing.assert_array_equal(photo.pixels, picture)


def test_webp(tmp_path, picture):
    photo = read_photo(save(tmp_path, picture, "a.webp", lossless=True))
    np.testing.assert_array_equal(photo.pixels, picture)


def test_heic(tmp_path, picture):
    photo = read_photo(heif(tmp_path, picture))
    assert photo.file_format == "HEIF"
    assert np.abs(photo.pixels.astype(int) - picture).mean() < 3


@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"quality": 90, "subsampling": 2}])
def test_jpeg_decodes_to_the_same_values_as_pillow(tmp_path, picture, options):
    path = save(tmp_path, picture, "a.jpg", **options)
    np.testing.assert_array_equal(read_photo(path).pixels, np.array(Image.open(path)))


@pytest.mark.parametrize("mode", ["L", "1", "P"])
def test_grey_and_palette_become_rgb(tmp_path, picture, mode):
    path = save(tmp_path, picture, mode=mode)
    np.testing.assert_array_equal(read_photo(path).pixels, np.array(Image.open(path).convert("RGB")))


def test_grey_jpeg(tmp_path, picture):
    photo = read_photo(save(tmp_path, picture, "a.jpg", mode="L"))
    assert photo.pixels.shape == picture.shape
    assert (photo.pixels[..., 0] == photo.pixels[..., 2]).all()


def test_cmyk_jpeg(tmp_path, picture):
    photo = read_photo(save(tmp_path, picture, "a.jpg", mode="CMYK", quality=95))
    assert np.abs(photo.pixels.astype(int) - picture).mean() < 4


def test_transparency_is_laid_over_white(tmp_path, picture):
    alpha = np.full(picture.shape[:2], 255, np.uint8)
    alpha[:, :50] = 0
    photo = read_photo(save(tmp_path, np.dstack([picture, alpha])))
    assert (photo.pixels[:, :50] == 255).all()
    np.testing.assert_array_equal(photo.pixels[:, 50:], picture[:, 50:])


@pytest.mark.parametrize("name", ["a.png", "a.tif"])
def test_sixteen_bit_colour_keeps_its_bits(tmp_path, picture, name):
    deep = picture.astype(np.uint16) * 257 + 3
    path = tmp_path / name
    cv2.imwrite(str(path), deep[..., ::-1])
    photo = read_photo(path)
    assert photo.pixels.dtype == np.uint16
    assert photo.linear.shape == (65536,)
    np.testing.assert_array_equal(photo.pixels, deep)


@pytest.mark.parametrize("name", ["a.png", "a.tif"])
def test_sixteen_bit_grey_keeps_its_bits(tmp_path, picture, name):
    deep = picture[..., 0].astype(np.uint16) * 257 + 3
    path = tmp_path / name
    Image.fromarray(deep).save(path)
    np.testing.assert_array_equal(read_photo(path).pixels, np.repeat(deep[..., None], 3, axis=2))


@pytest.mark.parametrize("orientation", UPRIGHT)
@pytest.mark.parametrize("name", ["a.png", "a.tif", "a.webp", "a.jpg"])
def test_every_orientation_is_turned_upright(tmp_path, picture, name, orientation):
    options = {"lossless": True} if name == "a.webp" else {}
    path = save(tmp_path, picture, name, exif=exif(orientation), **options)
    photo = read_photo(path)
    assert photo.orientation == orientation
    expected = UPRIGHT[orientation](picture)
    assert photo.pixels.shape == expected.shape
    assert np.abs(photo.pixels.astype(int) - expected).mean() < 3
    assert photo.pixels.flags.c_contiguous


@pytest.mark.parametrize("orientation", [3, 6, 8])
def test_heic_is_turned_once(tmp_path, picture, orientation):
    photo = read_photo(heif(tmp_path, picture, exif=exif(orientation)))
    expected = UPRIGHT[orientation](picture)
    assert photo.pixels.shape == expected.shape
    assert np.abs(photo.pixels.astype(int) - expected).mean() < 3


@pytest.mark.parametrize("orientation", [2, 6, 8])
def test_sixteen_bit_tiff_is_turned_once(tmp_path, picture, orientation):
    path = tmp_path / "a.tif"
    deep = picture[..., 0].astype(np.uint16) * 257
    Image.fromarray(deep).save(path, exif=exif(orientation))
    np.testing.assert_array_equal(read_photo(path).pixels[..., 0], UPRIGHT[orientation](deep))


def test_nonsense_orientation_counts_as_upright(tmp_path, picture):
    photo = read_photo(save(tmp_path, picture, exif=exif(77)))
    assert photo.orientation == 1
    np.testing.assert_array_equal(photo.pixels, picture)


def test_animation_gives_its_first_frame(tmp_path, picture):
    path = tmp_path / "a.webp"
    second = Image.fromarray(255 - picture)
    Image.fromarray(picture).save(path, save_all=True, append_images=[second], lossless=True)
    np.testing.assert_array_equal(read_photo(path).pixels, picture)


def test_focal_length_is_read(tmp_path, picture):
    photo = read_photo(save(tmp_path, picture, "a.jpg", exif=exif(focal=26)))
    assert photo.focal_35mm == 26.0


def test_focal_length_zero_means_unknown(tmp_path, picture):
    assert read_photo(save(tmp_path, picture, "a.jpg", exif=exif(focal=0))).focal_35mm is None


@pytest.mark.parametrize(
    ("make", "model", "name"),
    [
        ("Quarter Moon", "Pane 2", "Quarter Moon Pane 2"),
        ("Moon", "MOON P2", "MOON P2"),
        ("Moon", "", None),
        ("", "P2\x00\x1b[31m\n  <b>x", "P2 [31m <b>x"),
        ("a" * 5000, "b\x07" * 5000, "a" * 60 + " " + ("b " * 30).strip()),
    ],
)
def test_the_camera_is_named_in_printable_text_of_bounded_length(tmp_path, picture, make, model, name):
    header = Image.Exif()
    header[0x010F], header[0x0110] = make, model
    assert read_photo(save(tmp_path, picture, "a.png", exif=header)).camera == name


def test_resolution_of_a_scan_is_read(tmp_path, picture):
    photo = read_photo(save(tmp_path, picture, "a.tif", dpi=(600, 600)))
    assert photo.dpi == pytest.approx((600, 600))


@pytest.mark.parametrize("options", [{"dpi": (72, 72)}, {"dpi": (300, 300), "exif": exif(exposure=0.01)}])
def test_resolution_of_a_camera_means_nothing(tmp_path, picture, options):
    assert read_photo(save(tmp_path, picture, "a.jpg", **options)).dpi is None


def test_embedded_profile_is_noted(tmp_path, picture):
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    assert "sRGB" in (read_photo(save(tmp_path, picture, icc_profile=icc)).colour_profile or "")


def test_damaged_profile_costs_nothing(tmp_path, picture):
    assert read_photo(save(tmp_path, picture, icc_profile=b"not a profile")).colour_profile == "unreadable"


def test_the_files_own_bytes_are_hashed(tmp_path, picture):
    path = save(tmp_path, picture)
    assert read_photo(path).sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_linear_table_follows_the_srgb_curve():
    # IEC 61966-2-1: the ends, the joint at 0.04045, and mid grey 128 -> 0.2158605 (value from the standard's formula)
    table = linear_table(np.dtype(np.uint8))
    assert table[0] == 0
    assert table[255] == 1
    assert table[10] == pytest.approx(10 / 255 / 12.92, rel=1e-6)
    assert table[128] == pytest.approx(0.2158605, abs=1e-6)
    assert linear_table(np.dtype(np.uint16))[128 * 257] == pytest.approx(0.2158605, abs=1e-6)


# ---- files that must be declined


def declined(path):
    """The error, after checking that it reads as one sentence and a piece of advice."""
    with pytest.raises(UnreadableFile) as caught:
        read_photo(path)
    assert caught.value.what.endswith(".")
    assert caught.value.advice
    assert "\n" not in str(caught.value)
    return caught.value


def test_missing_file(tmp_path):
    assert "no file" in declined(tmp_path / "nowhere.jpg").what


def test_folder(tmp_path):
    assert "folder" in declined(tmp_path).what


def test_empty_file(tmp_path):
    (tmp_path / "a.jpg").touch()
    assert "empty" in declined(tmp_path / "a.jpg").what


def test_device():
    assert "ordinary" in declined(Path("/dev/null")).what


@pytest.mark.parametrize("content", [b"hello", b"%PDF", b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"II*\0", b"\0" * 500])
def test_not_a_picture(tmp_path, content):
    path = tmp_path / "a.jpg"
    path.write_bytes(content)
    declined(path)


@pytest.mark.parametrize("name", ["a.jpg", "p.jpg", "a.png", "a.webp", "a.tif", "z.tif", "a.bmp"])
@pytest.mark.parametrize("share", [0.2, 0.6, 0.97])
def test_truncated(tmp_path, name, share):
    noise = np.random.default_rng(1).integers(0, 255, (150, 220, 3), dtype=np.uint8)
    options = {"p.jpg": {"progressive": True}, "z.tif": {"compression": "tiff_adobe_deflate"}}.get(name, {})
    path = save(tmp_path, noise, name, **options)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    declined(path)


@pytest.mark.parametrize("name", ["a.png", "a.tif"])
@pytest.mark.parametrize("share", [0.2, 0.6, 0.97])
def test_truncated_sixteen_bit(tmp_path, name, share):
    noise = np.random.default_rng(1).integers(0, 65535, (150, 220, 3), dtype=np.uint16)
    path = tmp_path / name
    cv2.imwrite(str(path), noise)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    declined(path)


def test_truncated_heic(tmp_path, picture):
    path = heif(tmp_path, picture)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) * 2 // 3])
    declined(path)


def test_jpeg_with_something_after_its_end_is_whole(tmp_path, picture):
    path = save(tmp_path, picture, "a.jpg")
    path.write_bytes(path.read_bytes() + b"trailer of a phone" * 20)
    assert read_photo(path).pixels.shape == picture.shape


def bomb(width, height):
    """A PNG whose header claims width x height px, in a few hundred bytes."""

    def chunk(kind, body):
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    pixels = zlib.compress(b"\0" * 999)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", pixels) + chunk(b"IEND", b"")


@pytest.mark.parametrize("side", [10_001, 14_000, 60_000])
def test_decompression_bomb_is_declined_from_its_header(tmp_path, side):
    path = tmp_path / "a.png"
    path.write_bytes(bomb(side, side))
    assert "megapixels" in declined(path).what


@pytest.mark.parametrize("name", ["a.jpg", "a.heic"])
def test_a_decoder_that_is_missing_is_not_blamed_on_the_file(tmp_path, picture, name, monkeypatch):
    path = save(tmp_path, picture, name) if name == "a.jpg" else heif(tmp_path, picture)
    monkeypatch.setitem(sys.modules, "cv2", None)
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    with pytest.raises((ImportError, MachineLacks)):
        read_photo(path)


def test_absurd_aspect(tmp_path):
    assert "no photo" in declined(save(tmp_path, np.zeros((100, 4000, 3), np.uint8))).what


def test_tiny_picture_is_too_poor(tmp_path):
    with pytest.raises(PhotoTooPoor):
        read_photo(save(tmp_path, np.zeros((40, 50, 3), np.uint8)))


def test_float_picture(tmp_path):
    path = tmp_path / "a.tif"
    Image.fromarray(np.zeros((100, 120), np.float32)).save(path)
    declined(path)


def test_random_damage_never_escapes_as_another_error(tmp_path, picture):
    """Bytes changed anywhere: a photo or a FoldtrueError, nothing else (nor a warning)."""
    rng = np.random.default_rng(7)
    for name in ("a.jpg", "a.png", "a.tif", "a.webp"):
        buffer = io.BytesIO()
        Image.fromarray(picture).save(buffer, Image.registered_extensions()["." + name[2:]], exif=exif(6, focal=26))
        for _ in range(40):
            data = np.frombuffer(buffer.getvalue(), np.uint8).copy()
            data[rng.integers(0, min(len(data), 700), 6)] = rng.integers(0, 255, 6)
            (tmp_path / name).write_bytes(data.tobytes())
            with contextlib.suppress(FoldtrueError):
                read_photo(tmp_path / name)

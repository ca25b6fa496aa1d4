"""From light to file: noise, clipping, tone curve, JPEG and EXIF."""

from __future__ import annotations

import io

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image, ImageOps

from foldtrue.simulate import Camera, Sensor
from foldtrue.simulate.sensor import as_photo, encoded, exposed, stored, written


@pytest.mark.parametrize("light", [0.02, 0.3, 0.9])
def test_noise_has_the_variance_of_photons_and_readout(light: float) -> None:
    sensor = Sensor(full_well_e=5000, read_noise_e=8)
    drawn = exposed(np.full((600, 700), light, np.float32), sensor, np.random.default_rng(3))
    expected = light / 5000 + (8 / 5000) ** 2
    # 420 000 pixels: the standard deviation of a sample variance is 0.22 %
    assert drawn.astype(float).var() == pytest.approx(expected, rel=0.01)
    assert drawn.astype(float).mean() == pytest.approx(light, abs=5 * np.sqrt(expected / drawn.size))


def test_noise_of_neighbouring_pixels_is_independent() -> None:
    drawn = exposed(np.full((600, 700), 0.5, np.float32), Sensor(), np.random.default_rng(4)) - 0.5
    for shifted in (drawn[:, 1:] * drawn[:, :-1], drawn[1:] * drawn[:-1]):
        assert abs(shifted.mean() / drawn.var()) < 5 / np.sqrt(drawn.size)


def test_without_a_full_well_there_is_no_noise() -> None:
    light = np.linspace(0, 1, 50, dtype=np.float32)
    assert np.array_equal(exposed(light, Sensor(full_well_e=None), np.random.default_rng(1)), light)


def test_tone_curve_is_srgb() -> None:
    # IEC 61966-2-1: linear 0.0031308 -> 0.04045; 128/255 -> linear 0.215861
    assert encoded(np.array([0.0, 0.0031308, 0.215861, 1.0], np.float32), "srgb").tolist() == [0, 10, 128, 255]


def test_encoding_and_the_photos_table_are_inverse() -> None:
    code = np.arange(256) / 255
    linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4).astype(np.float32)
    assert np.array_equal(encoded(linear, "srgb"), np.arange(256))


def test_plain_gamma_curve() -> None:
    assert encoded(np.array([0.25], np.float32), 2.0).tolist() == [round(255 * 0.5)]


def test_light_beyond_saturation_is_clipped() -> None:
    assert encoded(np.array([-0.1, 1.7], np.float32), "srgb").tolist() == [0, 255]


@pytest.mark.parametrize("orientation", range(1, 9))
def test_stored_pixels_come_back_upright(picture: NDArray[np.uint8], orientation: int) -> None:
    file = Image.fromarray(stored(picture, orientation))
    exif = Image.Exif()
    exif[0x0112] = orientation
    out = io.BytesIO()
    file.save(out, "PNG", exif=exif)
    assert np.array_equal(np.asarray(ImageOps.exif_transpose(Image.open(out))), picture)


def test_file_carries_orientation_and_focal_length(picture: NDArray[np.uint8]) -> None:
    camera = Camera(width_px=200, height_px=120, focal_35mm=28)
    data = written(picture, camera, Sensor(orientation=6))
    with Image.open(io.BytesIO(data)) as file:
        assert file.size == (120, 200)
        assert file.getexif()[0x0112] == 6
        assert file.getexif().get_ifd(0x8769)[0xA405] == 28


def test_photo_is_what_the_file_holds(picture: NDArray[np.uint8]) -> None:
    camera, sensor = Camera(width_px=200, height_px=120), Sensor(orientation=8, jpeg_quality=98, chroma="4:4:4")
    photo = as_photo(written(picture, camera, sensor), camera, sensor)
    assert photo.pixels.shape == picture.shape
    assert np.abs(photo.pixels.astype(int) - picture).mean() < 2
    assert (photo.orientation, photo.focal_35mm, photo.file_format) == (8, 26.0, "JPEG")


def test_lower_quality_makes_a_smaller_file(picture: NDArray[np.uint8]) -> None:
    camera = Camera(width_px=200, height_px=120)
    sizes = [len(written(picture, camera, Sensor(jpeg_quality=quality))) for quality in (60, 95)]
    assert sizes[0] < sizes[1]

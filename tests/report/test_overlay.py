"""The overlay picture: size, marks in their places, readable in grey, no metadata."""

from __future__ import annotations

import dataclasses
import io

import numpy as np
import pytest
from PIL import Image

from foldtrue.report.overlay import overlay_png
from foldtrue.report.result import result_record


def drawn(inspection, longest=1440):
    with Image.open(io.BytesIO(overlay_png(inspection, result_record(inspection), longest))) as image:
        image.load()
        return image


def with_fit(inspection, **changes):
    return dataclasses.replace(inspection, fit=dataclasses.replace(inspection.fit, **changes))


def with_pixels(inspection, pixels):
    return dataclasses.replace(inspection, photo=dataclasses.replace(inspection.photo, pixels=pixels))


def test_large_photos_are_made_smaller_and_the_legend_stands_below(inspection):
    image = drawn(inspection, 800)
    assert image.width == 800
    assert image.height > 600
    assert image.getpixel((image.width - 2, image.height - 2)) == (255, 255, 255)


def test_nothing_of_the_photos_metadata_survives(inspection):
    image = drawn(inspection)
    assert not image.getexif()
    assert not image.info


def test_sixteen_bit_photos_look_the_same(inspection):
    deep = with_pixels(inspection, inspection.photo.pixels.astype(np.uint16) * 257)
    np.testing.assert_array_equal(np.asarray(drawn(deep)), np.asarray(drawn(inspection)))


@pytest.mark.parametrize("grey", [0, 90, 255])
def test_marks_show_on_any_background_in_grey(inspection, grey):
    plain = with_pixels(inspection, np.full_like(inspection.photo.pixels, grey))
    picture = np.asarray(drawn(plain).convert("L"))[:1080]
    for tips in inspection.fit.tips_px[4:8]:
        x, y = tips.mean(0).round().astype(int)
        patch = picture[max(0, y - 40) : y + 40, max(0, x - 40) : x + 40]
        assert np.ptp(patch.astype(int)) > 180


def test_the_found_outline_lies_where_it_was_found(inspection):
    only_found = drawn(inspection)
    tips = inspection.fit.tips_px[0]
    middle = tips[[0, 1]].mean(0)
    x, y = middle.round().astype(int)
    patch = np.asarray(only_found)[y - 4 : y + 5, x - 4 : x + 5].astype(int)
    orange = (patch[..., 0] > 200) & (patch[..., 2] < 120)
    assert orange.any()


def test_unmeasured_twists_are_hatched(inspection):
    """Half-way between centre and tip, clear of the label, strokes of pure black and white alternate."""
    picture = np.asarray(drawn(inspection))
    index = 3
    vertices = inspection.nominal.vertices_mm[list(inspection.nominal.twists[index].tips)]
    tips = inspection.fit.map.to_px(vertices)
    x, y = (0.3 * tips.mean(0) + 0.7 * tips[0]).round().astype(int)
    patch = picture[y - 12 : y + 13, x - 12 : x + 13].reshape(-1, 3)
    assert (patch == 0).all(1).any()
    assert (patch == 255).all(1).any()


def test_nothing_measured_can_still_be_drawn(inspection):
    assert drawn(with_fit(inspection, measured=np.zeros(24, bool))).width == 1440


def test_perfect_piece_can_be_drawn(inspection):
    assert drawn(with_fit(inspection, position_error_mm=np.zeros((24, 2)))).width == 1440


def test_tiny_photo_is_enlarged_until_the_names_can_be_read(inspection):
    small = with_pixels(inspection, np.ascontiguousarray(inspection.photo.pixels[::4, ::4]))
    assert drawn(small).width == 1100


def test_a_name_in_any_script_is_no_obstacle(inspection):
    named = dataclasses.replace(inspection, provenance={"plan": {"name": "窓 🪟\x00\n <b>&"}})
    assert drawn(named).width == 1440

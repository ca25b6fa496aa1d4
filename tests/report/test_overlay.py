"""The overlay picture: size, marks in their places, readable in grey, no metadata."""

from __future__ import annotations

import dataclasses
import io

import numpy as np
import pytest
from PIL import Image

from foldtrue.report.overlay import overlay_png, photo_part
from foldtrue.report.result import result_record


def drawn(inspection, longest=1440):
    with Image.open(io.BytesIO(overlay_png(inspection, result_record(inspection), longest))) as image:
        image.load()
        return image


def with_fit(inspection, **changes):
    return dataclasses.replace(inspection, fit=dataclasses.replace(inspection.fit, **changes))


def with_pixels(inspection, pixels):
    return dataclasses.replace(inspection, photo=dataclasses.replace(inspection.photo, pixels=pixels))


def in_picture(inspection, px, longest=1440):
    return photo_part(inspection, longest).place(px)


def test_large_photos_are_made_smaller_and_the_legend_stands_below(inspection):
    image = drawn(inspection, 800)
    part = photo_part(inspection, 800)
    assert image.width == round(part.size_px[0] * part.scale) <= 800
    assert image.height > part.size_px[1] * part.scale
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
    picture = np.asarray(drawn(plain).convert("L"))
    for tips in inspection.fit.tips_px[4:8]:
        x, y = in_picture(plain, tips.mean(0)).round().astype(int)
        patch = picture[max(0, y - 40) : y + 40, max(0, x - 40) : x + 40]
        assert np.ptp(patch.astype(int)) > 180


def test_the_found_outline_lies_where_it_was_found(inspection):
    only_found = drawn(inspection)
    tips = inspection.fit.tips_px[0]
    middle = tips[[0, 1]].mean(0)
    x, y = in_picture(inspection, middle).round().astype(int)
    patch = np.asarray(only_found)[y - 4 : y + 5, x - 4 : x + 5].astype(int)
    orange = (patch[..., 0] > 200) & (patch[..., 2] < 120)
    assert orange.any()


def test_unmeasured_twists_are_hatched(inspection):
    """Half-way between centre and tip, clear of the label, strokes of pure black and white alternate."""
    picture = np.asarray(drawn(inspection))
    index = 3
    vertices = inspection.nominal.vertices_mm[list(inspection.nominal.twists[index].tips)]
    tips = inspection.fit.map.to_px(vertices)
    x, y = in_picture(inspection, 0.3 * tips.mean(0) + 0.7 * tips[0]).round().astype(int)
    patch = picture[y - 12 : y + 13, x - 12 : x + 13].reshape(-1, 3)
    assert (patch == 0).all(1).any()
    assert (patch == 255).all(1).any()


def test_nothing_measured_can_still_be_drawn(inspection):
    assert drawn(with_fit(inspection, measured=np.zeros(24, bool))).width > 1000


def test_perfect_piece_can_be_drawn(inspection):
    assert drawn(with_fit(inspection, position_error_mm=np.zeros((24, 2)))).width > 1000


def test_tiny_photo_is_enlarged_until_the_names_can_be_read(inspection):
    quarter = np.diag([0.25, 0.25, 1.0])
    small_map = dataclasses.replace(inspection.fit.map, homography=quarter @ inspection.fit.map.homography, k1=0.0)
    small = with_pixels(with_fit(inspection, map=small_map), np.ascontiguousarray(inspection.photo.pixels[::4, ::4]))
    assert photo_part(small, 2000).scale > 2
    assert 1000 < drawn(small).width <= 1101


def test_only_the_piece_and_a_margin_are_drawn(inspection):
    outline = in_picture(inspection, inspection.fit.map.to_px(inspection.nominal.outline_mm))
    part = photo_part(inspection, 1440)
    drawn_size = part.size_px * part.scale
    assert (outline[:, 0] > 0).all()
    assert np.ptp(outline[:, 0]) > 0.8 * drawn_size[0]


def test_a_piece_beyond_the_photo_is_drawn_as_far_as_the_photo_goes(inspection):
    away = np.array([[1, 0, 5000.0], [0, 1, 0], [0, 0, 1]])
    outside = dataclasses.replace(inspection.fit.map, homography=away @ inspection.fit.map.homography, k1=0.0)
    assert drawn(with_fit(inspection, map=outside)).width >= 1


def test_a_name_in_any_script_is_no_obstacle(inspection):
    named = dataclasses.replace(inspection, provenance={"plan": {"name": "窓 🪟\x00\n <b>&"}})
    assert drawn(named).width > 1000

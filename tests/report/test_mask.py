"""No picture shows the face of a card."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from foldtrue.report.mask import GREY, mask_faces
from foldtrue.report.overlay import overlay_png, photo_part
from foldtrue.report.result import result_record

FACE = np.array([[980.0, 520.0], [1130.0, 560.0], [1105.0, 660.0], [955.0, 620.0]])


def with_face(inspection, seed, dtype=np.uint8):
    """The same inspection with another print on the card, which reaches into the drawn part of the photo."""
    import cv2

    inside = np.zeros(inspection.photo.pixels.shape[:2], np.uint8)
    cv2.fillConvexPoly(inside, np.rint(FACE).astype(np.int32), 1)
    pixels = inspection.photo.pixels.astype(dtype) * (257 if dtype == np.uint16 else 1)
    print_ = np.random.default_rng(seed).integers(0, np.iinfo(dtype).max, pixels.shape).astype(dtype)
    pixels = np.where(inside[:, :, None] > 0, print_, pixels)
    photo = replace(inspection.photo, pixels=pixels)
    return replace(inspection, photo=photo, plane=replace(inspection.plane, private_px=(FACE,)))


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("longest_px", [700, 1500])
def test_no_pixel_of_a_face_survives_in_the_overlay(inspection, dtype, longest_px):
    one, other = (with_face(inspection, seed, dtype) for seed in (1, 2))
    part = photo_part(one, longest_px)
    assert (FACE.max(0) > part.origin_px).all()
    assert (FACE.min(0) < part.origin_px + part.size_px).all()
    record = result_record(one)
    # Pictures of two cards that differ in nothing but the print are the same, byte by byte.
    assert overlay_png(one, record, longest_px) == overlay_png(other, record, longest_px)
    bare = replace(one, plane=replace(one.plane, private_px=()))
    assert overlay_png(bare, record, longest_px) != overlay_png(one, record, longest_px)


def test_the_face_is_flat_grey_and_the_rest_as_it_was(inspection):
    bare, masked = inspection.photo.pixels, mask_faces(inspection.photo.pixels, (FACE,))
    changed = (bare != masked).any(2)
    assert (masked[changed] == GREY).all()
    y, x = np.nonzero(changed)
    assert x.min() < FACE[:, 0].min()
    assert x.max() > FACE[:, 0].max()
    assert x.min() > FACE[:, 0].min() - 20
    assert y.max() < FACE[:, 1].max() + 20


def test_a_face_partly_out_of_the_picture_is_masked():
    pixels = np.zeros((60, 80, 3), np.uint8)
    face = np.array([[-30.0, -20.0], [20.0, -20.0], [20.0, 25.0], [-30.0, 25.0]])
    assert (mask_faces(pixels, (face,))[:25, :20] == GREY).all()
    assert (mask_faces(pixels, (face + 500,)) == 0).all()


def test_the_result_tells_where_later_pictures_must_be_masked(inspection):
    assert result_record(with_face(inspection, 1))["plane"]["private_px"] == [FACE.tolist()]
    assert result_record(inspection)["plane"]["private_px"] == []


def test_the_overlay_is_a_whole_picture(inspection):
    one = with_face(inspection, 1)
    picture = Image.open(io.BytesIO(overlay_png(one, result_record(one), 900)))
    assert min(picture.size) > 500

"""The record's thumbnail: the piece alone, no card's face, no metadata."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from foldtrue.record.thumbnails import check_bare_jpeg
from foldtrue.report.mask import GREY
from foldtrue.report.result import result_record
from foldtrue.report.thumbnail import piece_outline_px, piece_thumbnail

FACE = np.array([[640.0, 480.0], [760.0, 470.0], [770.0, 560.0], [650.0, 575.0]])  # upon the piece


def pixels(jpeg):
    return np.asarray(Image.open(io.BytesIO(jpeg)))


def noisy(photo, where, seed):
    """The photo with something else in `where` (H, W)."""
    print_ = np.random.default_rng(seed).integers(0, 256, photo.pixels.shape).astype(np.uint8)
    return replace(photo, pixels=np.where(where[:, :, None], print_, photo.pixels))


def test_it_is_small_bare_and_shows_the_piece(inspection):
    jpeg, reason = piece_thumbnail(inspection.photo, result_record(inspection))
    assert reason == ""
    check_bare_jpeg(jpeg)
    shown = pixels(jpeg)
    assert max(shown.shape[:2]) == 320
    outline = np.clip(piece_outline_px(result_record(inspection)), 0, [1440, 1080])
    assert shown.shape[1] / shown.shape[0] == pytest.approx(np.divide(*np.ptp(outline, axis=0)), rel=0.03)
    middle = inspection.photo.pixels[tuple(outline.mean(0).round().astype(int)[::-1])].astype(int)
    assert np.abs(shown[shown.shape[0] // 2, shown.shape[1] // 2].astype(int) - middle).max() < 25


def test_nothing_around_the_piece_is_in_it(inspection):
    record = result_record(inspection)
    outline = piece_outline_px(record)
    grown = outline.mean(0) + (outline - outline.mean(0)) * 1.04
    import cv2

    around = np.ones(inspection.photo.pixels.shape[:2], np.uint8)
    cv2.fillConvexPoly(around, np.rint(grown).astype(np.int32), 0)
    one, other = (piece_thumbnail(noisy(inspection.photo, around > 0, seed), record)[0] for seed in (1, 2))
    assert one == other
    assert np.abs(pixels(one)[0, 0].astype(int) - GREY).max() < 4


def test_a_cards_face_upon_the_piece_is_masked(inspection):
    record = result_record(replace(inspection, plane=replace(inspection.plane, private_px=(FACE,))))
    y, x = np.mgrid[0:1080, 0:1440]
    upon = (x > 660) & (x < 740) & (y > 490) & (y < 550)
    one, other = (piece_thumbnail(noisy(inspection.photo, upon, seed), record)[0] for seed in (1, 2))
    assert one == other
    bare = result_record(inspection)
    assert piece_thumbnail(noisy(inspection.photo, upon, 1), bare)[0] != one


def test_a_result_that_does_not_say_where_a_face_may_be_gets_none(inspection):
    record = result_record(inspection)
    del record["plane"]["private_px"]
    jpeg, reason = piece_thumbnail(inspection.photo, record)
    assert jpeg is None
    assert "card" in reason


def test_a_piece_that_lies_outside_the_picture_gets_none(inspection):
    record = result_record(inspection)
    record["fit"]["homography"] = [[8, 0, 9000], [0, -8, 9000], [0, 0, 1]]
    assert piece_thumbnail(inspection.photo, record)[0] is None


def test_sixteen_bits_and_a_grid_too(inspection):
    deep = replace(inspection.photo, pixels=inspection.photo.pixels.astype(np.uint16) * 257)
    ends = [[[300, 200], [900, 250]], [[320, 700], [880, 800]]]
    grid = {"format": "foldtrue-grid", "lines": [{"ends_px": pair} for pair in ends]}
    jpeg, _ = piece_thumbnail(deep, grid)
    check_bare_jpeg(jpeg)
    assert np.array_equal(jpeg, piece_thumbnail(inspection.photo, grid)[0])

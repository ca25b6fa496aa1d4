"""The mat as a reference: where it is found, what its map is worth, and what is refused, on simulated photos.

The simulator projects with a camera of its own; true places are its.
"""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from mat_in_photo import free_places, mat_photo, off_px, true_map

from foldtrue.errors import PhotoTooPoor, UsageError
from foldtrue.handover import Photo
from foldtrue.mat import MATS
from foldtrue.rectify.mat import PRINTER_LIMIT, find_mat, take_mat, up_deg
from foldtrue.rectify.mat_marks import light_of, measure_sides

BARS = {paper: mat.bars_mm for paper, mat in MATS.items()}


def covered(made, share, side="left"):
    """The photo with everything on one side of a line across the mat's own frame hidden by grey."""
    height, width = made.photo.pixels.shape[:2]
    pixels = made.photo.pixels.copy()
    if side == "left":
        pixels[:, : round(share * width)] = 120
    else:
        pixels[: round(share * height), : round(share * width)] = 120
    return replace(made.photo, pixels=pixels)


@pytest.mark.parametrize("view", ["front", "back", "backlit"])
def test_the_map_is_the_cameras_to_a_fiftieth_of_a_pixel(view):
    made = mat_photo(view)
    found = find_mat(made.photo, BARS["A4"])
    assert off_px(found.map, made).max() < 0.02
    assert found.kind == "mat"
    assert found.upright


@pytest.mark.parametrize("paper", ["Letter", "A3"])
def test_the_markers_tell_the_papers_apart(paper):
    made = mat_photo(paper=paper, distance=450.0 if paper == "Letter" else 620.0)
    assert off_px(find_mat(made.photo, BARS[paper]).map, made).max() < 0.05


@pytest.mark.parametrize("k1", [-0.12, 0.12])
def test_the_lens_is_told_to_a_fifth_of_a_pixel(k1):
    """What is left of the distortion after the best homography; all over the picture, not only in the free place."""
    made = mat_photo(k1=k1, distance=400.0 if k1 < 0 else 480.0)
    reference, true = find_mat(made.photo, BARS["A4"]), made.truth.map
    found = reference.map
    height, width = made.photo.pixels.shape[:2]
    x, y = np.meshgrid(np.linspace(0, width, 15), np.linspace(0, height, 11))
    seen = np.stack([x, y], -1).reshape(-1, 2)
    ours, theirs = (lens.undistort(seen) for lens in (found, true))
    straightened = cv2.perspectiveTransform(ours[None], cv2.findHomography(ours, theirs, 0)[0])[0]
    assert np.sqrt(np.mean(np.sum((straightened - theirs) ** 2, 1))) < 0.2
    assert abs(found.k1 - true.k1) < 4 * np.sqrt(reference.map_cov[8, 8])


def test_a_marker_near_a_side_does_not_draw_it_where_the_picture_is_small_and_blurred():
    """White between square and marker is 1.5 mm wide: three px here, two blurs. Outer sides have blank paper there."""
    made = mat_photo(size=(1400, 1050), blur=1.7)
    sides = measure_sides(light_of(made.photo), MATS["A4"], true_map(made))
    beside, alone = (sides.offset_px[sides.seen & (sides.bordered == there)] for there in (True, False))
    assert min(len(beside), len(alone)) >= 40
    assert abs(beside.mean() - alone.mean()) < 0.05  # 0.66 where the marker is left out of account


@pytest.mark.parametrize("bend", [0.8, -0.8])
def test_a_piece_on_a_mat_that_bulges_lies_half_way_down_to_the_table(bend):
    """A sheet lies on the table with its lowest part, so only a middle that stands off it leaves room below the piece;
    lengths are then of the plane half the bulge lower, which is farther from the camera. Central projection."""
    made = mat_photo(bend=bend, tilt=15.0)
    found, mat = find_mat(made.photo, BARS["A4"]), MATS["A4"]
    at = free_places(mat) / 4
    seen = found.map.to_mm(true_map(made).to_px(at))  # true_map: of the table
    size = np.sum(seen * at) / np.sum(at * at)
    assert size - 1 == pytest.approx(0.5 * max(bend, 0.0) * -1 / 450.0, abs=2e-4)


def test_what_the_covariance_says_is_what_the_noise_does():
    """Places in the free place, four photos with other noise and tilt: errors squared over their variance."""
    squares = []
    for seed in range(2, 6):
        made = mat_photo(seed=seed, size=(1600, 1200))
        found = find_mat(made.photo, BARS["A4"])
        at = free_places(MATS["A4"])[[0, 10, 60, 110, 120]]
        effect = np.stack([_moved(found.map, at, k) for k in range(9)], -1)
        error = (found.map.to_px(at) - true_map(made).to_px(at)).ravel()
        squares += list(error**2 / np.diag(effect @ found.map_cov @ effect.T))
    assert 0.1 < np.mean(squares) < 2.5


def _moved(plane_map, at, k):
    """Change (2 N,) of the places per unit of the k-th of the map's nine numbers."""
    terms = np.append(plane_map.homography.ravel()[:8], plane_map.k1)
    step = 1e-6 * max(abs(terms[k]), 1e-6)
    ends = []
    for sign in (1, -1):
        t = terms + sign * step * (np.arange(9) == k)
        ends.append(replace(plane_map, homography=np.append(t[:8], 1).reshape(3, 3), k1=t[8]).to_px(at).ravel())
    return (ends[0] - ends[1]) / (2 * step)


def test_bars_give_the_prints_own_size_along_each_side():
    made = mat_photo(scale=(0.985, 0.982))
    found = find_mat(made.photo, made.truth.settings["mat_bars_mm"])
    assert off_px(found.map, made).max() < 0.03
    assert found.assumed == ()
    assert found.size_std == (pytest.approx(0.2 / 177.3), pytest.approx(0.2 / 255.32))


def test_without_bars_the_printers_word_is_taken_and_said():
    found = find_mat(mat_photo().photo)
    assert found.assumed == ("mat_scale_assumed",)
    assert found.common_std == PRINTER_LIMIT / math.sqrt(3.0)


def test_a_print_stretched_one_way_shows_in_a_photo_that_tells_its_focal_length():
    made = mat_photo(scale=(1.0, 1.03))
    found = find_mat(made.photo)
    assert "mat_axes_differ" in found.assumed
    assert max(found.size_std) > 0.014
    assert "mat_axes_differ" not in find_mat(replace(made.photo, focal_35mm=None)).assumed
    assert "mat_axes_differ" not in find_mat(made.photo, made.truth.settings["mat_bars_mm"]).assumed


@pytest.mark.parametrize(
    ("bars", "why"),
    [
        ((16.2, 260.0), "no bars of"),
        ((float("nan"), 260.0), "no bars of"),
        ((-180.0, 260.0), "no bars of"),
        ((140.0, 205.0), "not this mat's"),
        ((260.0, 180.0), "not this mat's"),
        ((180.0, 270.0), "different amounts"),
    ],
)
def test_absurd_bars_are_refused_with_what_they_should_be(bars, why):
    with pytest.raises(UsageError, match=why) as caught:
        find_mat(mat_photo().photo, bars)
    assert caught.value.advice


def test_a_mat_that_is_covered_in_part_still_measures():
    made = mat_photo()
    found = find_mat(covered(made, 0.45, "corner"), BARS["A4"])
    assert off_px(found.map, made).max() < 0.15


def test_a_mat_covered_by_more_than_half_is_refused_and_why_is_said():
    photo = covered(mat_photo(), 0.82)
    with pytest.raises(PhotoTooPoor, match=r"mat") as caught:
        find_mat(photo, named=True)
    assert "frame" in caught.value.advice
    assert find_mat(photo) is None


def test_a_bent_mat_is_said_and_widens_the_uncertainty():
    made = mat_photo(bend=3.0)
    found = find_mat(made.photo, BARS["A4"])
    assert "mat_bent" in found.assumed
    assert found.common_std > 0.001


def test_a_mat_that_stands_up_is_refused():
    with pytest.raises(PhotoTooPoor, match=r"bends|not flat"):
        find_mat(mat_photo(bend=15.0).photo, BARS["A4"])


def test_no_mat_is_no_reference():
    rng = np.random.default_rng(4)
    noise = rng.integers(0, 255, (600, 800, 3), dtype=np.uint8)
    photo = Photo(noise, mat_photo().photo.linear, "", "PNG", 1, None, None)
    assert find_mat(photo) is None
    with pytest.raises(PhotoTooPoor, match="no mat"):
        find_mat(photo, named=True)


def test_a_mirrored_mat_is_none():
    made = mat_photo()
    assert find_mat(replace(made.photo, pixels=np.ascontiguousarray(made.photo.pixels[:, ::-1]))) is None


def test_two_mats_are_one_too_many():
    one, other = mat_photo(), mat_photo(paper="Letter")
    both = replace(one.photo, pixels=np.concatenate([one.photo.pixels, other.photo.pixels], 1))
    with pytest.raises(PhotoTooPoor, match="Two mats"):
        find_mat(both, named=True)


def test_sixteen_bit_photos_serve_too():
    made = mat_photo()
    deep = made.photo.pixels.astype(np.uint16) * 257
    table = np.interp(np.arange(65536) / 257, np.arange(256), made.photo.linear).astype(np.float32)
    found = find_mat(replace(made.photo, pixels=deep, linear=table), BARS["A4"])
    assert off_px(found.map, made).max() < 0.02


def test_the_up_mark_points_where_the_mat_has_it():
    assert up_deg(find_mat(mat_photo().photo)) == pytest.approx(92.0, abs=3.0)


@pytest.mark.parametrize("view", ["front", "backlit"])
def test_the_frame_is_painted_over_and_nothing_else(view):
    made = mat_photo(view)
    found = take_mat(made.photo, BARS["A4"])
    changed = (found.cleared.pixels != made.photo.pixels).any(2)
    height, width = changed.shape
    frame = np.zeros((height, width), np.uint8)
    for ring in found.reference.used_px:
        cv2.fillPoly(frame, [np.rint(ring).astype(np.int32)], 1)
    reach = cv2.dilate(frame, np.ones((41, 41), np.uint8))
    assert not (changed & (reach == 0)).any()
    inside = cv2.erode(frame, np.ones((9, 9), np.uint8)) > 0
    assert found.cleared.pixels[inside].min() > 100  # no ink left

"""The scale of a scan from its resolution."""

from __future__ import annotations

import numpy as np
import pytest
from panels import folded_panel
from PIL import Image

from foldtrue.errors import PhotoTooPoor, UsageError
from foldtrue.frames import PlaneMap
from foldtrue.handover import Photo
from foldtrue.photo import linear_table, read_photo
from foldtrue.rectify.scan import ACROSS_STD, CARRIAGE_STD, check_scan, scan_reference


@pytest.fixture(scope="module")
def plan():
    return folded_panel()


def scanned(dpi, orientation=1):
    pixels = np.full((900, 700, 3), 200, np.uint8)
    return Photo(pixels, linear_table(pixels.dtype), "0" * 64, "TIFF", orientation, None, dpi)


def lain(reference, factor=1.0, turn_deg=20.0, keystone=(0.0, 0.0), mirrored=False):
    """The map of a piece `factor` times its planned size on the scanner's glass."""
    a = np.deg2rad(turn_deg)
    motion = factor * np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]) @ np.diag([-1 if mirrored else 1, 1])
    true = reference.map
    matrix = true.homography @ np.block([[motion, np.array([[3.0], [-5.0]])], [np.array([[*keystone, 1.0]])]])
    return PlaneMap(matrix, 0.0, true.centre_px, true.focal_px)


def test_an_inch_is_as_many_pixels_as_the_file_says():
    # 25.4 mm to the inch (international inch of 1959).
    reference = scan_reference(scanned((300.0, 300.0)))
    px = reference.map.to_px(np.array([[0.0, 0.0], [25.4, 0.0], [0.0, 25.4]]))
    assert px[1] - px[0] == pytest.approx([300, 0])
    assert px[2] - px[0] == pytest.approx([0, -300])  # y up
    assert px[0] == pytest.approx([349.5, 449.5])
    assert reference.kind == "scan"
    assert reference.size_std == (ACROSS_STD, CARRIAGE_STD)
    assert np.linalg.eigvalsh(reference.map_cov).min() > 0
    assert np.sqrt(reference.map_cov.max()) < 1e-6


def test_slightly_unequal_resolutions_are_kept_apart():
    reference = scan_reference(scanned((300.0, 301.0)))
    px = reference.map.to_px(np.array([[0.0, 0.0], [25.4, 25.4]]))
    assert px[1] - px[0] == pytest.approx([300, -301])


def test_a_file_turned_by_a_quarter_has_the_carriage_along_x():
    assert scan_reference(scanned((300.0, 300.0), orientation=6)).size_std == (CARRIAGE_STD, ACROSS_STD)


@pytest.mark.parametrize(
    ("dpi", "why"),
    [
        (None, "does not say at how many dots per inch"),
        ((1.0, 1.0), "1 x 1 dots per inch, which is no scanner's"),
        ((100000.0, 100000.0), "no scanner's resolution"),
        ((300.0, 390.0), "300 dots per inch across and 390 down"),
    ],
)
def test_a_file_without_a_scanners_resolution_is_no_scan(dpi, why):
    assert scan_reference(scanned(dpi)) is None
    with pytest.raises(PhotoTooPoor, match=why) as refusal:
        scan_reference(scanned(dpi), named=True)
    assert "--dpi" in refusal.value.advice


def test_the_persons_word_goes_before_the_files():
    reference = scan_reference(scanned((1.0, 1.0)), dpi=600.0, named=True)
    assert reference.map.homography[0, 0] == pytest.approx(600 / 25.4)


@pytest.mark.parametrize("dpi", [1.0, 1e5, float("nan")])
def test_the_persons_word_must_be_a_scanners_resolution(dpi):
    with pytest.raises(UsageError, match="no scanner's resolution"):
        scan_reference(scanned(None), dpi=dpi)


@pytest.mark.parametrize("factor", [0.95, 1.0, 1.06])
@pytest.mark.parametrize("mirrored", [False, True])
def test_size_of_the_piece_by_the_scan(plan, factor, mirrored):
    reference = scan_reference(scanned((150.0, 150.0)))
    assert check_scan(reference, plan, lain(reference, factor, mirrored=mirrored)) == pytest.approx(factor)


@pytest.mark.parametrize("factor", [0.85, 1.2, 300 / 72])
def test_a_resolution_that_does_not_fit_the_piece_is_refused(plan, factor):
    reference = scan_reference(scanned((150.0, 150.0)))
    with pytest.raises(PhotoTooPoor, match=rf"At 150 dots per inch .* {factor:.2f} times") as refusal:
        check_scan(reference, plan, lain(reference, factor))
    assert "--dpi" in refusal.value.advice


def test_a_photo_with_perspective_is_no_scan(plan):
    reference = scan_reference(scanned((150.0, 150.0)))
    with pytest.raises(PhotoTooPoor, match="perspective") as refusal:
        check_scan(reference, plan, lain(reference, keystone=(4e-4, 1e-4)), twist_std_mm=0.2)
    assert "no scan" in refusal.value.what


def test_the_perspective_that_errors_of_folding_feign_is_let_pass(plan):
    import cv2

    reference = scan_reference(scanned((150.0, 150.0)))
    true = lain(reference)
    ideal = np.array([t.planned_mm for t in plan.twists])
    for seed in range(60):
        folded = ideal + np.random.default_rng(seed).normal(0, 0.3, ideal.shape)
        matrix = cv2.findHomography(ideal, true.to_px(folded), 0)[0]
        fitted = PlaneMap(matrix, 0.0, true.centre_px, true.focal_px)
        assert check_scan(reference, plan, fitted, twist_std_mm=0.3) == pytest.approx(1, abs=0.01)


# What the file says


@pytest.mark.parametrize(
    ("name", "options", "dpi"),
    [
        ("a.png", {"dpi": (400, 400)}, (400, 400)),  # PNG counts pixels per metre
        ("a.bmp", {"dpi": (300, 300)}, (300, 300)),
        ("a.tif", {"dpi": (300, 600)}, (300, 600)),
        ("a.tif", {"tiffinfo": {282: 118.11, 283: 118.11, 296: 3}}, (300, 300)),  # per centimetre, TIFF 6.0
        ("a.tif", {"dpi": (300, 600), "tiffinfo": {274: 6}}, (600, 300)),  # to be turned by a quarter
        ("a.png", {"dpi": (96, 96)}, None),
        ("a.bmp", {"dpi": (72, 72)}, None),
        ("a.png", {}, None),
    ],
)
def test_resolution_is_read_from_every_format(tmp_path, picture, name, options, dpi):
    Image.fromarray(picture).save(tmp_path / name, **options)
    found = read_photo(tmp_path / name).dpi
    assert found is None if dpi is None else found == pytest.approx(dpi, rel=1e-3)

"""What `foldtrue camera` measures, against the settings of the simulated photo."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner
from mat_in_photo import mat_photo, true_map

from foldtrue.cli import foldtrue
from foldtrue.handover_camera import EDGE_MM, FAINT
from foldtrue.rectify.mat_camera import check_camera, together


@pytest.fixture(scope="module")
def check():
    return check_camera(mat_photo().photo)


def test_scale_and_distance_are_the_cameras(check):
    frame = np.array([[x, y] for x in (-90.0, 90.0) for y in (-130.0, 130.0)])
    true = np.sqrt(np.abs(np.linalg.det(true_map(mat_photo()).jacobian(frame))))
    assert check.px_per_mm == pytest.approx((true.min(), true.max()), rel=0.01)
    assert check.distance_mm == pytest.approx(450.0, rel=0.03)


def test_blur_is_that_of_optics_and_pixel(check):
    assert check.blur_px == pytest.approx(np.sqrt(0.8**2 + 1 / 12), abs=0.03)


def test_noise_is_what_flat_paper_shows(check):
    """A patch of the mat's bare paper, read straight off the photo."""
    made = mat_photo()
    x, y = np.rint(true_map(made).to_px(np.array([[60.0, 70.0]]))[0]).astype(int)
    patch = made.photo.linear[made.photo.pixels[y - 8 : y + 9, x - 8 : x + 9]] @ np.array([0.3, 0.5, 0.2])
    assert check.noise == pytest.approx(patch.std() / patch.mean(), rel=0.35)


def test_the_limit_is_the_bound_of_the_blurred_step(check):
    """sqrt(2 sqrt(pi) blur / lines) noise / step: Cramer-Rao bound of the erf edge, base and contrast known."""
    per_mm = float(np.mean(check.px_per_mm))
    px = np.sqrt(2 * np.sqrt(np.pi) * check.blur_px / (EDGE_MM * per_mm)) * check.noise / (FAINT * check.contrast)
    assert check.fold_limit_mm == pytest.approx(px / per_mm, rel=0.05)


def test_even_light_is_called_even_and_a_gradient_is_not(check):
    assert check.evenness > 0.97
    photo = mat_photo().photo
    dim = np.linspace(1.0, 0.6, photo.pixels.shape[1])[None, :, None]  # of the code, so about a third of the light
    darker = check_camera(replace(photo, pixels=(photo.pixels * dim).astype(np.uint8)))
    assert 0.3 < darker.evenness < 0.8


def test_lens_terms_of_several_photos_are_weighed_and_widened():
    alike, apart = np.array([0.0, 0.001]), np.array([0.0, 0.1])
    std = np.array([0.001, 0.001])
    assert together(alike, std) == (pytest.approx(0.0005), pytest.approx(0.001 / np.sqrt(2)))
    assert together(apart, std)[1] > 0.03


def test_the_command_prints_and_writes_the_same(tmp_path):
    photo, out = tmp_path / "bare.jpg", tmp_path / "camera.json"
    photo.write_bytes(mat_photo().jpeg)
    done = CliRunner().invoke(foldtrue, ["camera", str(photo), "--out", str(out)])
    assert done.exit_code == 0, done.output
    record = json.loads(out.read_text())
    assert (record["format"], record["version"]) == ("foldtrue-camera", 1)
    assert f"{record['photos'][0]['blur_px']:.2f} px" in done.output
    assert "k1" in done.output

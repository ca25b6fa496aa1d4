"""Scenes for accuracy studies: drawn from the distributions that docs/simulate.md states."""

from __future__ import annotations

import numpy as np
import pytest

from foldtrue.errors import UsageError
from foldtrue.handover import Nominal
from foldtrue.simulate import Camera, MatSheet, simulate_photo
from foldtrue.simulate.budget_scene import WINDOW_PANEL_MM, bars_read, drawn_scene
from foldtrue.simulate.camera import Pinhole, camera_at
from foldtrue.simulate.laid_out import Kind
from foldtrue.simulate.references import things_mm

MANY = range(200)
CASES: list[tuple[str, Kind]] = [
    ("backlit", "none"), ("backlit", "mat"), *[(v, k) for v in ("front", "back") for k in
    ("none", "mat", "card", "A4", "Letter", "scan")],
]  # fmt: skip


def test_the_window_panel_is_as_wide_as_it_says(panel: Nominal) -> None:
    across = panel.outline_mm[:, None] - panel.outline_mm[None]
    assert np.hypot(*across.transpose(2, 0, 1)).max() == pytest.approx(WINDOW_PANEL_MM, abs=0.05)


@pytest.mark.parametrize(("view", "kind"), CASES)
def test_piece_and_reference_are_whole_in_a_picture_of_1_to_2_megapixels(panel: Nominal, view: str, kind: Kind) -> None:
    for seed in range(25):
        scene = drawn_scene(seed, view, kind)  # type: ignore[arg-type]
        width, height = scene.camera.width_px, scene.camera.height_px
        assert 0.8e6 < width * height < 2e6
        px = camera_at(scene, 1.0).project(np.vstack([1.01 * panel.outline_mm, things_mm(scene)]))
        assert px.min() > 0
        assert (px < [width, height]).all()


@pytest.mark.parametrize(("view", "kind"), CASES)
def test_every_kind_of_scene_can_be_drawn(panel: Nominal, view: str, kind: Kind) -> None:
    scene = drawn_scene(5, view, kind)  # type: ignore[arg-type]
    made = simulate_photo(panel, scene)
    assert (made.photo.dpi is not None) == (kind == "scan")
    assert (made.photo.focal_35mm is not None) == (kind != "scan")
    assert ("mat_homography" in made.truth.settings) == (kind == "mat")
    assert ("card_homography" in made.truth.settings) == (kind == "card")
    assert ("reference_corners_px" in made.truth.settings) == (kind in ("A4", "Letter"))


def test_same_arguments_same_scene_and_one_piece_in_all_of_them() -> None:
    assert drawn_scene(3, "front", "card") == drawn_scene(3, "front", "card")
    scenes = [drawn_scene(3, view, kind) for view, kind in CASES]  # type: ignore[arg-type]
    assert len({str(scene.errors) for scene in scenes}) == 1
    assert len({scene.paper.thickness_mm for scene in scenes}) == 1
    assert len({str(scene.camera) for scene in scenes}) == len(scenes)
    assert drawn_scene(4, "front", "card").errors != scenes[0].errors


def cameras() -> list[Camera]:
    found = [drawn_scene(seed).camera for seed in MANY]
    assert all(isinstance(camera, Camera) for camera in found)
    return found  # type: ignore[return-value]


def test_cameras_stand_and_lean_within_the_budget() -> None:
    for camera in cameras():
        assert 300 <= camera.distance_mm <= 800  # type: ignore[operator]
        assert 0 <= camera.tilt_deg <= 20
        assert 26 <= camera.focal_35mm <= 70


def test_four_lenses_in_five_are_corrected() -> None:
    k1 = np.array([Pinhole(camera, 1.0).plane_map().k1 for camera in cameras()])
    assert np.abs(k1).max() <= 0.12 + 1e-12
    # Within 0.012, three standard deviations of a corrected lens: all of those and 16 % of the others (normal law).
    assert np.mean(np.abs(k1) < 0.012) == pytest.approx(0.8 + 0.2 * 0.16, abs=0.07)


def test_piece_paper_and_sensor_are_as_stated() -> None:
    scenes = [drawn_scene(seed) for seed in MANY]
    height = np.array([scene.lie.height_mm for scene in scenes], float)
    assert 0.3 <= height.min() < 0.35
    assert 0.75 < height.max() <= 0.8
    gamma = [scene.sensor.tone for scene in scenes if scene.sensor.tone != "srgb"]
    assert len(gamma) == pytest.approx(0.3 * len(scenes), rel=0.3)
    assert all(2.0 <= tone <= 2.4 for tone in gamma)  # type: ignore[operator]
    for name, low, high in [("position_mm", 0.1, 0.4), ("angle_deg", 0.3, 1.2), ("scale", 0.98, 1.01)]:
        drawn = np.array([getattr(scene.errors, name) for scene in scenes])
        assert low <= drawn.min() < low + 0.1 * (high - low)
        assert high - 0.1 * (high - low) < drawn.max() <= high
    assert all(0.1 <= scene.lie.wave_mm <= 0.3 and 0.6 <= scene.sensor.blur_px <= 2.0 for scene in scenes)


def test_rims_lie_off_their_creases_as_far_as_edges_are_expected_to_shift() -> None:
    rims = np.array([drawn_scene(seed).paper.rim_mm for seed in range(600)])
    assert rims.mean(axis=0) == pytest.approx(0, abs=0.01)
    assert rims.std(axis=0) == pytest.approx(np.hypot(0.05, 0.04), rel=0.1)
    assert (rims - rims.mean(axis=1, keepdims=True)).std() == pytest.approx(0.04 * np.sqrt(2 / 3), rel=0.1)


@pytest.mark.parametrize("held", ["glass", "window"])
def test_a_piece_that_is_held_flat_has_no_waves(held: str) -> None:
    assert drawn_scene(1, held=held).lie.glass  # type: ignore[arg-type]
    assert not drawn_scene(1).lie.glass


def test_a_person_reads_the_bars_to_a_fraction_of_a_millimetre() -> None:
    sheet = MatSheet(scale=(1.013, 0.991))
    read = np.array([bars_read(sheet, seed) for seed in range(400)])
    assert (2 * read == np.rint(2 * read)).all()
    error = read - np.array([180 * 1.013, 260 * 0.991])
    assert np.abs(error.mean(axis=0)).max() < 0.06
    # Setting 0.15 mm, the ruler's 0.05 %, and rounding to half a millimetre (0.5 / sqrt(12)).
    expected = np.sqrt(0.15**2 + (0.0005 * np.array([180, 260])) ** 2 + 0.5**2 / 12)
    assert error.std(axis=0) == pytest.approx(expected, rel=0.15)


def test_a_piece_too_large_for_any_camera_of_the_budget_is_refused() -> None:
    with pytest.raises(UsageError, match="no camera"):
        drawn_scene(1, diameter_mm=900.0)


def test_an_unknown_reference_is_refused() -> None:
    with pytest.raises(UsageError, match="coin"):
        drawn_scene(1, "front", "coin")  # type: ignore[arg-type]

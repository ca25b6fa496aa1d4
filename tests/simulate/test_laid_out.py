"""References laid into a scene: within their tolerances, beside or under the piece, and whole in the picture."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from foldtrue.errors import UsageError
from foldtrue.handover import Nominal
from foldtrue.mat import MATS, board
from foldtrue.simulate import Camera, Scanner, Scene, practice_scene, simulate_photo
from foldtrue.simulate.camera import Pinhole
from foldtrue.simulate.laid_out import Kind, practised, with_reference
from foldtrue.simulate.references import things_mm

PANEL_MM = 138.6
LIT_KINDS: tuple[Kind, ...] = ("mat", "card", "A4", "Letter")


def given(kind: Kind, seed: int, view: str = "front", diameter_mm: float = PANEL_MM) -> Scene:
    scene = Scene(seed=seed, view=view, camera=Camera(roll_deg=20.0))  # type: ignore[arg-type]
    return with_reference(scene, kind, diameter_mm, np.random.default_rng(seed))


@pytest.mark.parametrize("kind", LIT_KINDS)
def test_a_scene_has_one_reference_in_place_of_any_other(kind: Kind) -> None:
    scene = given(kind, 1)
    again = with_reference(scene, "none", PANEL_MM, np.random.default_rng(1))
    assert [scene.mat, scene.card, scene.reference].count(None) == 2
    assert (again.mat, again.card, again.reference) == (None, None, None)


@pytest.mark.parametrize("view", ["front", "back", "backlit"])
def test_the_piece_lies_in_the_free_place_of_the_mat(view: str) -> None:
    for seed in range(40):
        sheet = given("mat", seed, view).mat
        assert sheet is not None
        half = np.array(sheet.mat.free_mm) * sheet.scale / 2 - sheet.cut_mm
        assert (np.hypot(*sheet.centre_mm) + PANEL_MM / 2 < half).all()
        assert 0.97 < min(sheet.scale) <= max(sheet.scale) < 1.03


def test_a_larger_piece_gets_the_larger_mat_and_the_largest_none() -> None:
    assert {given("mat", seed).mat.paper for seed in range(20)} == {"A4", "Letter"}  # type: ignore[union-attr]
    assert given("mat", 1, diameter_mm=180.0).mat.paper == "A3"  # type: ignore[union-attr]
    with pytest.raises(UsageError, match="no mat"):
        given("mat", 1, diameter_mm=250.0)


@pytest.mark.parametrize("view", ["front", "back"])
def test_the_card_lies_beside_the_piece_and_is_within_the_standard(view: str) -> None:
    for seed in range(40):
        scene = given("card", seed, view)
        assert scene.card is not None
        corners = things_mm(scene)
        sides = np.roll(corners, -1, axis=0) - corners
        # Distance of the origin from each side's line, outwards positive for a counter-clockwise outline.
        sign = 1 if view == "front" else -1
        beyond = sign * (corners[:, 0] * sides[:, 1] - corners[:, 1] * sides[:, 0]) / np.hypot(*sides.T)
        assert -beyond.min() > PANEL_MM / 2 + 2
        assert (np.abs(np.array(scene.card.size_mm) - (85.60, 53.98)) <= (0.13, 0.06)).all()


@pytest.mark.parametrize("size", ["A4", "Letter"])
def test_sheets_are_cut_within_2_mm(size: Kind) -> None:
    deviations = np.array([given(size, seed).reference.deviation_mm for seed in range(60)])  # type: ignore[union-attr]
    assert np.abs(deviations).max() <= 2
    assert deviations.std() == pytest.approx(2 / np.sqrt(3), rel=0.15)


@pytest.mark.parametrize("kind", ["card", "A4", "scan"])
def test_against_the_light_only_the_mat_can_be_a_reference(kind: Kind) -> None:
    with pytest.raises(UsageError, match="against the light"):
        given(kind, 1, "backlit")


def test_a_scan_takes_the_cameras_place_and_its_lid_presses_the_piece() -> None:
    scene = given("scan", 3)
    assert isinstance(scene.camera, Scanner)
    assert scene.lie.glass
    assert abs(scene.lamp.azimuth_deg) == 90
    assert min(scene.camera.area_mm) > PANEL_MM + 15


@pytest.mark.parametrize("kind", ["none", *LIT_KINDS])
def test_practice_shows_the_whole_piece_and_the_whole_reference(kind: Kind) -> None:
    for seed in range(6):
        scene = practised(practice_scene(seed, "hard", "front"), kind, PANEL_MM)
        assert isinstance(scene.camera, Camera)
        angle = np.radians(np.arange(0, 360, 10))
        rim = PANEL_MM / 2 * np.column_stack([np.cos(angle), np.sin(angle)])
        px = Pinhole(scene.camera, PANEL_MM, "front").project(np.vstack([rim, things_mm(scene)]))
        assert px.min() > 0
        assert (px < [scene.camera.width_px, scene.camera.height_px]).all()


def test_practice_with_a_mat_shows_it_to_opencv(panel: Nominal) -> None:
    scene = practised(practice_scene(4, "easy", "front"), "mat", PANEL_MM)
    assert isinstance(scene.camera, Camera)
    assert scene.mat is not None
    scene = replace(scene, camera=replace(scene.camera, width_px=1800, height_px=1350))
    made = simulate_photo(panel, scene)
    grey = cv2.cvtColor(made.photo.pixels, cv2.COLOR_RGB2GRAY)
    _, ids, markers, _ = cv2.aruco.CharucoDetector(board(MATS[scene.mat.paper])).detectBoard(grey)
    assert len(markers) > 60
    assert len(ids) > 60
    assert made.truth.settings["mat_bars_mm"] == pytest.approx(np.array(scene.mat.mat.bars_mm) * scene.mat.scale)
    assert made.truth.settings["piece_height_mm"] == pytest.approx(4 * scene.paper.thickness_mm)

"""The whole simulator: from plan and scene to file and truth."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from foldtrue.handover import Nominal
from foldtrue.photo import read_photo
from foldtrue.simulate import (
    Camera,
    Errors,
    Ground,
    Light,
    Paper,
    Reference,
    Relief,
    Scene,
    Sensor,
    Surface,
    Thumb,
    practice_scene,
    simulate_photo,
    truth_poses,
)
from foldtrue.simulate.camera import Pinhole
from foldtrue.simulate.light import stack_transmittance
from foldtrue.simulate.scenery import reference_corners

SMALL = Scene(
    seed=3,
    errors=Errors(position_mm=0.2, angle_deg=0.4),
    camera=Camera(width_px=480, height_px=360, roll_deg=9, tilt_deg=6, k1=0.03),
)


LIT = replace(
    SMALL,
    view="front",
    relief=Relief(crease_deg=5, patch_tilt_deg=1),
    surface=Surface(pattern="dots"),
    ground=Ground(kind="clouds"),
)


@pytest.mark.parametrize("scene", [SMALL, LIT, replace(LIT, view="back", reference=Reference(), thumb=Thumb())])
def test_same_scene_same_bytes(panel: Nominal, scene: Scene) -> None:
    first, again = (simulate_photo(panel, scene) for _ in range(2))
    assert first.jpeg == again.jpeg
    assert np.array_equal(first.truth.vertices_mm, again.truth.vertices_mm)


def test_another_seed_is_another_piece_and_photo(panel: Nominal) -> None:
    first, other = (simulate_photo(panel, replace(SMALL, seed=seed)) for seed in (3, 4))
    assert first.jpeg != other.jpeg
    assert not np.array_equal(first.truth.vertices_mm, other.truth.vertices_mm)


@pytest.mark.parametrize("scene", [SMALL, LIT])
def test_one_piece_can_be_photographed_twice(panel: Nominal, scene: Scene) -> None:
    errors = replace(SMALL.errors, seed=11)
    first, other = (simulate_photo(panel, replace(scene, seed=seed, errors=errors)) for seed in (3, 4))
    assert first.jpeg != other.jpeg
    assert np.array_equal(first.truth.vertices_mm, other.truth.vertices_mm)


def test_the_piece_is_the_same_in_every_view(panel: Nominal) -> None:
    backlit, front, back = (simulate_photo(panel, replace(SMALL, view=v)).truth for v in ("backlit", "front", "back"))
    assert np.array_equal(backlit.vertices_mm, front.vertices_mm)
    assert np.array_equal(backlit.vertices_mm, back.vertices_mm)
    assert front.map.homography == pytest.approx(backlit.map.homography)
    assert np.linalg.det(back.map.homography) * np.linalg.det(front.map.homography) < 0
    assert [truth.settings["camera"]["side"] for truth in (backlit, front, back)] == ["front", "front", "back"]


@pytest.mark.parametrize("orientation", [1, 6, 7])
def test_photo_is_the_one_the_reader_reads(panel: Nominal, tmp_path: Path, orientation: int) -> None:
    made = simulate_photo(panel, replace(SMALL, sensor=Sensor(orientation=orientation)))
    path = tmp_path / "photo.jpg"
    path.write_bytes(made.jpeg)
    read = read_photo(path)
    assert read.pixels.shape == made.photo.pixels.shape == (360, 480, 3)
    # Decoders may differ by a grey level; a wrong turn differs by far more.
    assert np.abs(read.pixels.astype(int) - made.photo.pixels).max() <= 3
    assert np.array_equal(read.linear, made.photo.linear)
    for name in ("sha256", "file_format", "orientation", "focal_35mm", "dpi", "colour_profile"):
        assert getattr(read, name) == getattr(made.photo, name)


def test_truth_holds_tips_map_and_settings(panel: Nominal) -> None:
    truth = simulate_photo(panel, SMALL).truth
    for twist, tips_px in zip(panel.twists, truth.tips_px, strict=True):
        assert truth.map.to_px(truth.vertices_mm[list(twist.tips)]) == pytest.approx(tips_px, abs=1e-9)
    assert truth.settings["errors"]["position_mm"] == 0.2
    assert truth.settings["distance_mm"] > 0


def test_a_clean_piece_is_true_to_the_plan(panel: Nominal) -> None:
    found = truth_poses(panel, simulate_photo(panel, replace(SMALL, errors=Errors())).truth)
    assert np.abs(found.position_error_mm).max() < 5e-5
    assert np.abs(found.angle_error_deg).max() < 5e-4


def test_picture_shows_the_light_of_the_layers(pleat: Nominal, even_paper: Paper, noise_free: Sensor) -> None:
    scene = Scene(
        camera=Camera(width_px=480, height_px=360), paper=even_paper, sensor=noise_free, light=Light(exposure=0.9)
    )
    made = simulate_photo(pleat, scene)
    x, y = np.rint(made.truth.map.to_px(np.array([[-30.0, 5], [-5, 5], [20, 5], [50, 5]]))).astype(int).T
    light = made.photo.linear[made.photo.pixels[y, x, 1]]
    through = stack_transmittance(0.6, 0.35, 3)
    assert light == pytest.approx(0.9 * np.array([through[1], through[3], through[1], 1]), abs=0.004)


def test_noise_in_the_file_is_the_noise_asked_for(pleat: Nominal, even_paper: Paper) -> None:
    sensor = Sensor(full_well_e=1500, read_noise_e=10, jpeg_quality=100, chroma="4:4:4")
    scene = Scene(
        camera=Camera(width_px=480, height_px=360, fill=0.9), paper=even_paper, sensor=sensor, light=Light(exposure=0.9)
    )
    made = simulate_photo(pleat, scene)
    (x0, y0), (x1, y1) = made.truth.map.to_px(np.array([[-50.0, 20.0], [-20.0, -20.0]])).astype(int)
    patch = made.photo.linear[made.photo.pixels[y0:y1, x0:x1]].astype(float)
    light = 0.9 * 0.35
    assert patch.mean() == pytest.approx(light, abs=0.002)
    # rounding to grey levels and the JPEG's colour transform change the variance by a few percent
    assert patch.var() == pytest.approx(light / 1500 + (10 / 1500) ** 2, rel=0.1)


def test_from_behind_the_picture_is_mirrored(panel: Nominal, even_paper: Paper, noise_free: Sensor) -> None:
    scene = Scene(camera=Camera(width_px=480, height_px=360), paper=even_paper, sensor=noise_free)
    front = simulate_photo(panel, scene).photo.pixels.astype(int)
    back = simulate_photo(panel, replace(scene, camera=replace(scene.camera, side="back"))).photo.pixels.astype(int)
    assert np.abs(front[:, ::-1] - back).mean() < 0.5


def test_outside_the_lit_table_only_the_rooms_light_is_left(panel: Nominal, noise_free: Sensor) -> None:
    light = Light(exposure=0.9, table_mm=(160.0, 130.0), room=0.05)
    scene = Scene(camera=Camera(width_px=480, height_px=360, fill=0.5), sensor=noise_free, light=light)
    photo = simulate_photo(panel, scene).photo
    linear = photo.linear[photo.pixels[..., 1]]
    assert linear[5, 5] == pytest.approx(0.9 * 0.05, abs=0.003)
    x, y = np.rint(simulate_photo(panel, scene).truth.map.to_px(np.array([[76.0, 50.0]]))).astype(int)[0]
    assert linear[y, x] == pytest.approx(0.9, abs=0.01)


def test_overexposed_table_is_clipped(panel: Nominal) -> None:
    photo = simulate_photo(panel, replace(SMALL, light=Light(exposure=1.6))).photo
    assert photo.pixels[:40, :40].min() == 255


@pytest.mark.parametrize("difficulty", ["easy", "medium", "hard"])
@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("view", ["backlit", "front", "back"])
def test_practice_scenes_show_the_whole_piece(panel: Nominal, view: str, difficulty: str, seed: int) -> None:
    scene = practice_scene(seed, difficulty, view)
    small = replace(scene, camera=replace(scene.camera, width_px=480, height_px=360))
    truth = simulate_photo(panel, small).truth
    px = truth.map.to_px(truth.vertices_mm)
    assert px.min() > 0
    assert (px < [480, 360]).all()


def test_practice_scenes_show_the_corners_of_the_sheet_under_the_piece() -> None:
    seen = 0
    for seed in range(60):
        scene = practice_scene(seed, "hard", "front")
        if scene.reference is not None:
            corners = Pinhole(scene.camera, 120.0).project(reference_corners(scene.reference))
            assert corners.min() > 0
            assert (corners < [scene.camera.width_px, scene.camera.height_px]).all()
            seen += 1
    assert 10 < seen < 30


@pytest.mark.parametrize("view", ["backlit", "front", "back"])
def test_practice_scenes_vary_and_repeat(view: str) -> None:
    assert practice_scene(5, view=view) == practice_scene(5, view=view)
    assert len({str(practice_scene(seed, view=view)) for seed in range(20)}) == 20


def test_practice_of_one_seed_is_one_piece_in_all_views() -> None:
    backlit, front = practice_scene(5), practice_scene(5, view="front")
    assert (front.errors, front.sensor, front.seed) == (backlit.errors, backlit.sensor, backlit.seed)

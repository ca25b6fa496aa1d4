"""The flatbed scanner: straight from above, its dpi in the file, its scale off in one direction."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from foldtrue.errors import UsageError
from foldtrue.handover import Nominal
from foldtrue.photo import read_photo
from foldtrue.simulate import Camera, Ground, Lamp, Lie, Relief, Scanner, Scene, Sensor, simulate_photo
from foldtrue.simulate.camera import Flatbed

LID = Ground(colour=(0.92, 0.92, 0.92))
BAR = Lamp(azimuth_deg=90.0, elevation_deg=45.0, size_deg=20.0)
SCAN = Scene(
    view="front", camera=Scanner(dpi=150, area_mm=(150.0, 140.0), roll_deg=7), ground=LID, lamp=BAR, lie=Lie(glass=True)
)


@pytest.mark.parametrize("side", ["front", "back"])
def test_a_millimetre_has_as_many_pixels_as_dpi_and_stretch_say_everywhere(side: str) -> None:
    scanner = Scanner(dpi=300, stretch=(1.0, 1.002), area_mm=(200.0, 150.0))
    px = Flatbed(scanner, side).project(np.array([[0.0, 0.0], [50.8, 0.0], [0.0, 50.8], [-80.0, 60.0], [-80.0, 9.2]]))
    mirrored = 1 if side == "front" else -1
    assert px[0] == pytest.approx([(2363 - 1) / 2, (1772 - 1) / 2])
    assert px[1] - px[0] == pytest.approx([600 * mirrored, 0])
    assert px[2] - px[0] == pytest.approx([0, -600 * 1.002])
    assert px[3] - px[4] == pytest.approx([0, -600 * 1.002])


@pytest.mark.parametrize("side", ["front", "back"])
def test_the_piece_appears_turned_counter_clockwise_by_the_roll(side: str) -> None:
    px = Flatbed(Scanner(roll_deg=30), side).project(np.array([[0.0, 0.0], [10.0 if side == "front" else -10.0, 0.0]]))
    across, down = px[1] - px[0]
    assert np.degrees(np.arctan2(-down, across)) == pytest.approx(30)


@pytest.mark.parametrize("view", ["front", "back"])
def test_the_map_of_the_truth_is_the_scanners(panel: Nominal, view: str) -> None:
    scene = replace(SCAN, view=view, camera=replace(SCAN.camera, stretch=(0.999, 1.003), centre_mm=(3.0, -2.0)))
    truth = simulate_photo(panel, scene).truth
    for twist, tips_px in zip(panel.twists, truth.tips_px, strict=True):
        assert truth.map.to_px(truth.vertices_mm[list(twist.tips)]) == pytest.approx(tips_px, abs=1e-9)
    assert truth.map.homography[2] == pytest.approx([0, 0, 1])
    assert truth.map.k1 == 0
    assert truth.settings["distance_mm"] is None


def test_heights_do_not_show(panel: Nominal) -> None:
    low, high = (
        simulate_photo(panel, replace(SCAN, lie=lie)) for lie in (Lie(), Lie(height_mm=3.0, wave_mm=0.5, bulge_mm=1.0))
    )
    assert low.jpeg == high.jpeg


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF"])
@pytest.mark.parametrize(("dpi", "orientation"), [(150.0, 1), (240.0, 6)])
def test_the_reader_finds_the_dpi_in_every_kind_of_file(
    panel: Nominal, tmp_path: Path, kind: str, dpi: float, orientation: int
) -> None:
    camera = Scanner(dpi=dpi, area_mm=(150.0, 140.0), stretch=(1.0, 1.01))
    made = simulate_photo(panel, replace(SCAN, camera=camera, sensor=Sensor(file=kind, orientation=orientation)))
    path = tmp_path / "scan"
    path.write_bytes(made.jpeg)
    read = read_photo(path)
    assert read.dpi == pytest.approx((dpi, dpi), abs=0.02)
    assert read.focal_35mm is None
    for name in ("file_format", "orientation", "focal_35mm", "dpi", "sha256"):
        assert getattr(read, name) == getattr(made.photo, name)
    assert np.abs(read.pixels.astype(int) - made.photo.pixels).max() <= (3 if kind == "JPEG" else 0)


def test_the_picture_is_as_large_as_area_and_dpi_say(panel: Nominal) -> None:
    assert simulate_photo(panel, SCAN).photo.pixels.shape == (827, 886, 3)  # 140 and 150 mm at 150 dpi, rounded up


def test_the_bar_shades_the_side_of_the_piece_away_from_it(panel: Nominal) -> None:
    scene = replace(SCAN, camera=replace(SCAN.camera, roll_deg=0), relief=Relief(rim_lift_mm=1.0))
    made = simulate_photo(panel, replace(scene, sensor=Sensor(full_well_e=None)))
    # The rim's upper and lower sides pass x = 15 mm; just outside them the lid is seen.
    beyond = panel.outline_mm[:, 1].max() - 15 / np.sqrt(3)
    light = []
    for y in (beyond + 0.6, -beyond - 0.6):
        u, v = np.rint(made.truth.map.to_px(np.array([[15.0, y]])))[0].astype(int)
        light.append(made.photo.linear[made.photo.pixels[v, u, 1]])
    assert light[1] < 0.8 * light[0]


def test_no_scan_is_made_through_the_paper() -> None:
    with pytest.raises(UsageError, match="scanner"):
        Scene(view="backlit", camera=Scanner())


# ---- what a camera writes


def header(made: bytes, tmp_path: Path) -> dict[int, object]:
    (tmp_path / "photo").write_bytes(made)
    with Image.open(tmp_path / "photo") as picture:
        exif = picture.getexif()
        return dict(exif) | dict(exif.get_ifd(0x8769))


@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_a_camera_notes_its_focal_length_and_can_be_kept_from_it(panel: Nominal, tmp_path: Path, kind: str) -> None:
    camera = Camera(width_px=320, height_px=240, focal_35mm=28.0)
    for noted, expected in ((True, 28.0), (False, None)):
        made = simulate_photo(panel, Scene(camera=camera, sensor=Sensor(file=kind, focal_noted=noted)))
        (tmp_path / "photo").write_bytes(made.jpeg)
        assert read_photo(tmp_path / "photo").focal_35mm == made.photo.focal_35mm == expected
        assert read_photo(tmp_path / "photo").dpi is None


@pytest.mark.parametrize("camera", [Camera(width_px=320, height_px=240), SCAN.camera])
def test_maker_and_model_are_never_told(panel: Nominal, tmp_path: Path, camera: Camera | Scanner) -> None:
    tags = header(simulate_photo(panel, replace(SCAN, camera=camera)).jpeg, tmp_path)
    assert 0x010F not in tags  # Make
    assert 0x0110 not in tags  # Model
    assert tags[0x0131] == "foldtrue, simulated photo"

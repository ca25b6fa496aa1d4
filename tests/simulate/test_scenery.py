"""What lies around the piece: the sheet of standard size, the table, a thumb."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from foldtrue.frames import Array
from foldtrue.handover import Nominal, Simulated
from foldtrue.simulate import Camera, Ground, Reference, Relief, Scene, Sensor, Surface, Thumb, simulate_photo
from foldtrue.simulate.camera import Pinhole
from foldtrue.simulate.scenery import ground_texture

CAMERA = Camera(width_px=1000, height_px=800, fill=0.25, roll_deg=8, tilt_deg=9, tilt_axis_deg=40)
SCENE = Scene(
    view="front",
    camera=CAMERA,
    sensor=Sensor(full_well_e=None, jpeg_quality=100, chroma="4:4:4"),
    surface=Surface(texture=0.0),
    ground=Ground(colour=(0.1, 0.1, 0.1)),
)


def grey(made: Simulated) -> Array:
    return np.asarray(made.photo.linear[made.photo.pixels[..., 1]], dtype=float)


@pytest.mark.parametrize(("size", "width_mm", "height_mm"), [("A4", 210.0, 297.0), ("Letter", 215.9, 279.4)])
@pytest.mark.parametrize("view", ["front", "back"])
def test_corners_in_the_truth_are_those_of_the_standard_size(
    panel: Nominal, view: str, size: str, width_mm: float, height_mm: float
) -> None:
    reference = Reference(size=size, turn_deg=90.0, centre_mm=(5.0, -3.0))  # type: ignore[arg-type]
    truth = simulate_photo(panel, replace(SCENE, view=view, reference=reference)).truth
    # Turned by a quarter: its lower left corner comes to lie at the lower right.
    x, y = height_mm / 2, width_mm / 2
    corners = np.array([[x, -y], [x, y], [-x, y], [-x, -y]]) + np.array([5.0, -3.0])
    assert np.array(truth.settings["reference_corners_px"]) == pytest.approx(truth.map.to_px(corners), abs=1e-6)


@pytest.mark.parametrize("k1", [0.0, 0.05])
def test_sides_of_the_sheet_in_the_picture_run_between_those_corners(panel: Nominal, k1: float) -> None:
    scene = replace(SCENE, camera=replace(CAMERA, k1=k1), reference=Reference(turn_deg=17.0))
    made = simulate_photo(panel, scene)
    image, corners_mm = grey(made), made.truth.map.to_mm(np.array(made.truth.settings["reference_corners_px"]))
    depth = np.arange(-8, 8.01, 0.05)
    for a, b in zip(corners_mm, np.roll(corners_mm, -1, axis=0), strict=True):
        places = made.truth.map.to_px(a + np.linspace(0.1, 0.9, 60)[:, None] * (b - a))
        ahead = np.gradient(places, axis=0)
        normal = np.column_stack([-ahead[:, 1], ahead[:, 0]]) / np.hypot(*ahead.T)[:, None]
        x, y = (places[:, None] + depth[None, :, None] * normal[:, None]).transpose(2, 0, 1)
        light = map_coordinates(image, [y, x], order=1)
        # Where a sharp step that keeps the light's mean would lie.
        share = (light - light[:, -1:]) / (light[:, :1] - light[:, -1:])
        offset = share.sum(axis=1) * 0.05 - 8.025
        assert abs(offset.mean()) < 0.02
        assert offset.std() < 0.1


def test_sides_that_curl_up_are_seen_farther_from_the_point_below_the_camera(panel: Nominal) -> None:
    """Central projection: by their height / (the camera's distance - it) of the way there."""
    scene = replace(SCENE, camera=replace(CAMERA, distance_mm=500.0, tilt_deg=0.0))
    flat, curled = (
        made.truth.map.to_mm(np.array(made.truth.settings["reference_corners_px"]))
        for made in (
            simulate_photo(panel, replace(scene, reference=Reference(turn_deg=9.0, curl_mm=height)))
            for height in (0.0, 2.0)
        )
    )
    assert curled == pytest.approx(flat * (1 + 2 / 498), abs=1e-6)


def test_sheet_lies_on_the_table_and_under_the_piece(panel: Nominal) -> None:
    reference = Reference(colour=(0.8, 0.8, 0.8))
    scene = replace(SCENE, reference=reference, relief=Relief(shadow=0, occlusion=0, facet_tilt_deg=0))
    made = simulate_photo(panel, replace(scene, surface=Surface(front=(0.4, 0.4, 0.4), texture=0.0)))
    x, y = np.rint(made.truth.map.to_px(np.array([[3.0, 20.0], [0.0, 130.0], [130.0, 0.0]]))).astype(int).T
    assert grey(made)[y, x] == pytest.approx(0.9 * np.array([0.4, 0.8, 0.1]), abs=0.006)


@pytest.mark.parametrize("kind", ["plain", "clouds", "grain"])
def test_tables_are_as_uneven_as_asked_for(kind: str) -> None:
    ground = Ground(kind=kind, contrast=0.1, grain_mm=6.0)  # type: ignore[arg-type]
    texture = ground_texture(replace(SCENE, ground=ground), Pinhole(CAMERA, 120.0), np.random.default_rng(2))
    assert texture.mean() == pytest.approx(1, abs=0.03)
    assert texture.std() == pytest.approx(0.0 if kind == "plain" else 0.1, rel=0.35)


@pytest.mark.parametrize("grain_deg", [0.0, 30.0, 120.0])
def test_grain_runs_in_its_direction(grain_deg: float) -> None:
    ground = Ground(kind="grain", grain_deg=grain_deg)
    texture = ground_texture(replace(SCENE, ground=ground), Pinhole(CAMERA, 120.0), np.random.default_rng(2))
    down, right = np.gradient(texture)
    a = np.radians(grain_deg)
    along = right * np.cos(a) - down * np.sin(a)
    across = right * np.sin(a) + down * np.cos(a)
    assert along.std() < 0.3 * across.std()


@pytest.mark.parametrize("roll_deg", [0.0, 40.0])
def test_thumb_comes_in_from_its_place_on_the_rim(panel: Nominal, roll_deg: float) -> None:
    scene = replace(SCENE, camera=replace(CAMERA, roll_deg=roll_deg, tilt_deg=0.0))
    thumb = Thumb(rim_deg=0.0, reach_mm=20.0)
    without, held = (simulate_photo(panel, replace(scene, thumb=t)) for t in (None, thumb))
    changed = np.abs(grey(held) - grey(without)) > 0.02
    middle = held.truth.map.to_px(panel.outline_mm).mean(axis=0)
    x = np.flatnonzero(changed.any(axis=0))
    assert x.min() > middle[0]  # from the right, whatever the turn of the piece
    assert changed[round(float(middle[1])), x.max() - 5]
    assert np.array_equal(held.truth.vertices_mm, without.truth.vertices_mm)


def test_the_colour_of_the_paper_on_a_table_of_the_same_colour_leaves_only_shadows(panel: Nominal) -> None:
    colour = (0.8, 0.8, 0.8)
    scene = replace(SCENE, surface=Surface(front=colour, back=colour, texture=0.0), ground=Ground(colour=colour))
    off = Relief(facet_tilt_deg=0, lift_mm=0, rim_lift_mm=0, shadow=0, occlusion=0, fold_radius_mm=0)
    assert np.ptp(grey(simulate_photo(panel, replace(scene, relief=off)))) < 0.01
    assert np.ptp(grey(simulate_photo(panel, scene))) > 0.2

"""Every part of the uncertainty budget can be switched off in a scene, and then its effect on the picture is gone."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from rimplaces import rim_px

from foldtrue.frames import Array
from foldtrue.handover import Nominal, Simulated
from foldtrue.simulate import (
    Camera,
    Errors,
    Lamp,
    Lie,
    Light,
    Paper,
    Relief,
    Scanner,
    Scene,
    Sensor,
    Surface,
    simulate_photo,
)
from foldtrue.simulate.camera import camera_at

EVEN = Paper(reflectance=(0.6, 0.6, 0.6), transmittance=(0.35, 0.35, 0.35), formation=0, scatter=0, crease_contrast=0)
FLAT = Relief(facet_tilt_deg=0, patch_tilt_deg=0, lift_mm=0, rim_lift_mm=0, shadow=0, occlusion=0, fold_radius_mm=0)
OFF = Scene(
    camera=Camera(width_px=560, height_px=480, distance_mm=250, focal_35mm=30, tilt_deg=5, roll_deg=4),
    light=Light(exposure=0.9),
    lamp=Lamp(elevation_deg=30),
    paper=EVEN,
    sensor=Sensor(full_well_e=None, jpeg_quality=100, chroma="4:4:4"),
    surface=Surface(texture=0),
    relief=FLAT,
)


def of(scene: Scene, **changes: dict[str, Any]) -> Scene:
    """The scene with fields of its settings changed."""
    return replace(scene, **{name: replace(getattr(scene, name), **fields) for name, fields in changes.items()})


def rim_from_plan(nominal: Nominal, scene: Scene) -> Array:
    """(6,) px by which the rim in the picture lies off the perfect piece on the table before a camera without a lens
    term."""
    made = simulate_photo(nominal, scene)
    plain = replace(scene.camera, **({"stretch": (1, 1)} if isinstance(scene.camera, Scanner) else {"k1": 0.0}))
    return rim_px(made.photo, camera_at(replace(scene, camera=plain), 1.0).plane_map(), nominal.outline_mm)


MOVES_EDGES = {
    "lens": {"camera": {"k1": 0.06}},
    "height": {"lie": {"height_mm": 1.0}},
    "waves": {"lie": {"wave_mm": 0.5}},
    "bulge": {"lie": {"bulge_mm": 3.0}},
    "tone curve": {"sensor": {"tone": 1.5}},
    "position": {"errors": {"position_mm": 0.3}},
    "turn": {"errors": {"angle_deg": 1.5}},
    "vertices": {"errors": {"vertex_mm": 0.2}},
    "drift": {"errors": {"drift_mm": 0.8}},
    "overturn": {"errors": {"overturn_deg": 3.0}},
    "scale": {"errors": {"scale": 0.99}},
    "rims of folds": {"paper": {"rim_mm": (0.3, 0.3, 0.3)}},
    "outliers": {"errors": {"random_outliers": 8}},
}


@pytest.mark.parametrize("view", ["backlit", "front", "back"])
def test_with_everything_off_the_rim_lies_where_the_plan_has_it(panel: Nominal, view: str) -> None:
    assert np.abs(rim_from_plan(panel, replace(OFF, view=view))).max() < 0.03


@pytest.mark.parametrize("view", ["backlit", "front"])
@pytest.mark.parametrize("term", MOVES_EDGES)
def test_each_term_alone_moves_the_rim(panel: Nominal, view: str, term: str) -> None:
    assert np.abs(rim_from_plan(panel, of(replace(OFF, view=view), **MOVES_EDGES[term]))).max() > 0.1


def test_glass_takes_the_waves_and_the_bulge_away(panel: Nominal) -> None:
    scene = replace(OFF, view="front", lie=Lie(wave_mm=0.5, bulge_mm=3.0, glass=True))
    assert np.abs(rim_from_plan(panel, scene)).max() < 0.03


@pytest.mark.parametrize(("stretch", "moved"), [((1.0, 1.0), False), ((1.0, 1.01), True), ((0.99, 1.0), True)])
def test_a_scanners_stretch_moves_the_rim(panel: Nominal, stretch: tuple[float, float], moved: bool) -> None:
    scene = replace(OFF, view="front", camera=Scanner(dpi=100, area_mm=(150, 150), stretch=stretch))
    assert (np.abs(rim_from_plan(panel, scene)).max() > 0.5) == moved
    assert moved or np.abs(rim_from_plan(panel, scene)).max() < 0.03


@pytest.mark.parametrize("term", ["shadow", "occlusion"])
def test_light_beside_a_step_moves_the_rim_only_while_it_is_on(panel: Nominal, term: str) -> None:
    thick = of(replace(OFF, view="front"), paper={"thickness_mm": 0.3}, relief={"rim_lift_mm": 0.5})
    table = replace(thick.ground, colour=(0.4, 0.4, 0.4))
    thick = replace(thick, ground=table)
    assert np.abs(rim_from_plan(panel, thick)).max() < 0.03
    assert np.abs(rim_from_plan(panel, of(thick, relief={term: 1.0}))).max() > 0.1


def light_on(made: Simulated, corners_mm: Array) -> Array:
    """Linear light of the pixels in an upright rectangle of the piece: two opposite corners (2, 2) mm."""
    x, y = np.rint(np.sort(made.truth.map.to_px(corners_mm), axis=0)).astype(int).T
    return np.asarray(made.photo.linear[made.photo.pixels[y[0] : y[1], x[0] : x[1], 1]], dtype=float)


UNEVEN_LIT = {
    "facets tilted": {"relief": {"facet_tilt_deg": 3.0}},
    "patches tilted": {"relief": {"patch_tilt_deg": 3.0}},
    "rounded folds": {"relief": {"fold_radius_mm": 0.5}},
    "cast shadows": {"relief": {"shadow": 1.0, "lift_mm": 0.4}},
    "dimmed steps": {"relief": {"occlusion": 1.0, "lift_mm": 0.4}},
    "creases": {"relief": {"crease_deg": 20.0, "crease_mm": 0.8}},
    "wear": {"relief": {"crease_wear": 0.2}},
    "texture": {"surface": {"texture": 0.05}},
    "uneven lamp": {"light": {"gradient": 0.3}},
    "noise": {"sensor": {"full_well_e": 2000.0}},
}


@pytest.mark.parametrize("term", UNEVEN_LIT)
def test_the_face_is_even_unless_a_term_makes_it_uneven(panel: Nominal, term: str) -> None:
    scene, inside = replace(OFF, view="front"), np.array([[-35.0, -35.0], [35.0, 35.0]])
    assert light_on(simulate_photo(panel, scene), inside).std() < 0.002
    assert light_on(simulate_photo(panel, of(scene, **UNEVEN_LIT[term])), inside).std() > 0.004


UNEVEN_BACKLIT = {
    "formation": {"paper": {"formation": 0.04}},
    "fibres": {"paper": {"fibres_per_cm2": 10.0, "fibre_contrast": 0.4}},
    "creases": {"paper": {"crease_contrast": 0.1}},
    "uneven table": {"light": {"gradient": 0.4}},
    "noise": {"sensor": {"full_well_e": 2000.0}},
}


@pytest.mark.parametrize("term", UNEVEN_BACKLIT)
def test_one_layer_is_even_unless_a_term_makes_it_uneven(pleat: Nominal, term: str) -> None:
    inside = np.array([[-55.0, -25.0], [-15.0, 25.0]])
    assert light_on(simulate_photo(pleat, OFF), inside).std() < 0.002
    assert light_on(simulate_photo(pleat, of(OFF, **UNEVEN_BACKLIT[term])), inside).std() > 0.003


@pytest.mark.parametrize(("scatter", "blur_px"), [(0.0, 0.0), (5.0, 1.0)])
def test_scatter_blurs_buried_edges_by_paper_thicknesses(pleat: Nominal, scatter: float, blur_px: float) -> None:
    # The valley fold at x = -10 lies under the left cell: its step is the optics' Gaussian and the scatter's on top.
    scene = of(OFF, paper={"scatter": scatter, "thickness_mm": 0.1}, camera={"tilt_deg": 0.0, "roll_deg": 0.0})
    made = simulate_photo(pleat, scene)
    px_mm = made.truth.map.homography[0, 0]
    profile = light_on(made, np.array([[-15.0, -20.0], [-5.0, 20.0]])).mean(axis=0)
    density = np.diff(profile) / (profile[-1] - profile[0])
    place = np.arange(len(density))
    spread = np.sqrt(density @ (place - density @ place) ** 2)
    # The picture's own spread: blur, the pixel's aperture, and what differences of pixels add (1/12 px^2 each).
    optics = np.sqrt(0.9**2 + 2 / 12)
    assert spread == pytest.approx(np.hypot(optics, blur_px * 0.5 * px_mm), rel=0.1)


def test_the_file_holds_the_light_when_the_tone_curve_is_srgb(pleat: Nominal) -> None:
    inside = np.array([[-55.0, -25.0], [-15.0, 25.0]])
    light = {
        tone: light_on(simulate_photo(pleat, of(OFF, sensor={"tone": tone})), inside).mean() for tone in ("srgb", 2.0)
    }
    assert light["srgb"] == pytest.approx(0.9 * 0.35, abs=0.003)
    assert abs(light[2.0] - 0.9 * 0.35) > 0.03


def test_without_noise_another_seed_is_the_same_photo_of_the_same_piece(panel: Nominal) -> None:
    one, two = (simulate_photo(panel, of(replace(OFF, seed=s), errors={"seed": 5})) for s in (1, 2))
    assert np.array_equal(one.photo.pixels, two.photo.pixels)


def test_errors_scale_is_the_size_of_the_whole_piece(panel: Nominal) -> None:
    truth = simulate_photo(panel, replace(OFF, errors=Errors(scale=0.985))).truth
    assert truth.vertices_mm == pytest.approx(0.985 * panel.vertices_mm, abs=1e-4)

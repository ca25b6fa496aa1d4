"""Light on the piece from the front and the back: flat colours, exact borders, shadows, folds, creases, print."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from foldtrue.frames import Array
from foldtrue.handover import Nominal
from foldtrue.simulate import Camera, Lamp, Paper, Relief, Scene, Sensor, Surface, simulate_photo
from foldtrue.simulate.arrangement import cut_at_crossings, nudged
from foldtrue.simulate.camera import Pinhole
from foldtrue.simulate.daylight import LitPiece, light_back

CAMERA = Camera(width_px=1000, height_px=700, distance_mm=100.0)
PLAIN = Surface(front=(1.0, 1.0, 1.0), back=(1.0, 1.0, 1.0), texture=0.0)
OFF = Relief(facet_tilt_deg=0.0, lift_mm=0.0, rim_lift_mm=0.0, shadow=0.0, occlusion=0.0, fold_radius_mm=0.0)
POINT_LAMP = Lamp(azimuth_deg=180.0, elevation_deg=30.0, size_deg=0.0, ambient=0.4)
BASE = Scene(view="front", camera=CAMERA, surface=PLAIN, relief=OFF, lamp=POINT_LAMP, paper=Paper(thickness_mm=0.5))


class Shot:
    """A piece's light, read along a line across the strip with one pleat (conftest.py)."""

    def __init__(self, nominal: Nominal, scene: Scene) -> None:
        self.pinhole = Pinhole(scene.camera, 100.0, scene.side)
        self.vertices = nudged(nominal.vertices_mm, 1)
        pieces = cut_at_crossings(self.vertices, nominal.facets)
        self.lit: LitPiece = light_back(nominal, self.vertices, pieces, self.pinhole, scene)

    def paper(self, points_mm: Array, colour: int = 0) -> Array:
        return self._read(self.lit.papers[colour][1], points_mm)

    def table(self, points_mm: Array) -> Array:
        return self._read(self.lit.table, points_mm)

    def _read(self, image: Array, points_mm: Array) -> Array:
        x, y = np.rint(self.pinhole.project(points_mm)).astype(int).T
        return np.asarray(image[y - self.lit.window.y, x - self.lit.window.x])


def along(x_mm: Array | list[float], y_mm: float = 3.0) -> Array:
    x = np.asarray(x_mm, float)
    return np.column_stack([x, np.full(len(x), y_mm)])


@pytest.mark.parametrize("view", ["front", "back"])
def test_with_all_effects_off_paper_and_table_are_flat(panel: Nominal, view: str) -> None:
    surface = replace(PLAIN, front=(0.8, 0.5, 0.2), back=(0.1, 0.2, 0.3))
    scene = replace(BASE, view=view, camera=Camera(width_px=500, height_px=400), surface=surface)
    shot = Shot(panel, scene)
    front, back = (light for _, light in shot.lit.papers)
    # Twist polygons and cells, all one way up, are what shows: their front from the front, their back from the back.
    seen, hidden = (front, back) if view == "front" else (back, front)
    middle = seen[shot.lit.window.height // 2 - 60 : -(shot.lit.window.height // 2 - 60), 150:-150]
    assert middle == pytest.approx(1, abs=1e-4)
    assert np.abs(hidden).max() < 0.02  # hair slivers between touching polygons
    assert front + back + shot.lit.table == pytest.approx(1, abs=1e-4)


def test_every_photo_pixel_is_a_blend_of_the_colours_given(pleat: Nominal) -> None:
    sensor = replace(BASE.sensor, full_well_e=None, jpeg_quality=100, chroma="4:4:4")
    scene = replace(BASE, camera=Camera(width_px=400, height_px=300), sensor=sensor, surface=Surface(texture=0.0))
    made = simulate_photo(pleat, scene)
    linear = made.photo.linear[made.photo.pixels]
    x, y = np.rint(made.truth.map.to_px(np.array([[-30.0, 5.0], [20.0, 5.0], [52.0, 0.0]]))).astype(int).T
    for place, colour in zip(range(3), (scene.surface.front, scene.surface.front, scene.ground.colour), strict=True):
        # Half an 8-bit step is 0.004 at this light.
        assert linear[y[place], x[place]] == pytest.approx(0.9 * np.array(colour), abs=0.005)


def test_a_facet_turned_over_shows_the_back_of_the_paper(pleat: Nominal) -> None:
    on_top = replace(pleat, above=np.array([[1, 0], [1, 2], [0, 2]]))
    surface = replace(PLAIN, back=(0.2, 0.2, 0.2))
    shot = Shot(on_top, replace(BASE, surface=surface))
    x = along([-30.0, -5.0, 20.0])
    assert shot.paper(x, 0) == pytest.approx([1, 0, 1], abs=1e-4)
    assert shot.paper(x, 1) == pytest.approx([0, 1, 0], abs=1e-4)


@pytest.mark.parametrize("roll_deg", [0.0, 3.0, 31.0])
@pytest.mark.parametrize("blur_px", [0.7, 0.9, 1.2, 2.5])  # 3, 3, 2 and 1 sub-pixels
def test_borders_of_facets_lie_where_the_vertices_say(pleat: Nominal, roll_deg: float, blur_px: float) -> None:
    on_top = replace(pleat, above=np.array([[1, 0], [1, 2], [0, 2]]))
    camera = replace(CAMERA, roll_deg=roll_deg)
    two_faced, sensor = replace(PLAIN, back=(0.2, 0.2, 0.2)), Sensor(blur_px=blur_px)
    shot = Shot(on_top, replace(BASE, camera=camera, surface=two_faced, sensor=sensor))
    turned, window = shot.lit.papers[1][1], shot.lit.window
    offsets = []
    for y_mm in np.linspace(-15, 15, 40):
        row = round(float(shot.pinhole.project(np.array([[-5.0, y_mm]]))[0, 1]))
        ends = shot.pinhole.project(np.array([[x, y] for x in (-10.0, 0.0) for y in (-30.0, 30.0)]))
        cut = [a[0] + (row - a[1]) * (b[0] - a[0]) / (b[1] - a[1]) for a, b in (ends[:2], ends[2:])]
        profile = turned[row - window.y].astype(float)
        middle = round(0.5 * (cut[0] + cut[1]))  # the light up to there, in pixels, says where the border lies
        left, right = profile[: middle - window.x].sum(), profile[middle - window.x :].sum()
        offsets.append([middle - 0.5 - left - cut[0], middle - 0.5 + right - cut[1]])
    assert np.abs(offsets).max() < 5e-4
    assert np.abs(np.mean(offsets, axis=0)).max() < 2e-4


def test_the_back_view_is_mirrored_and_shows_the_other_fold(pleat: Nominal) -> None:
    tilted = replace(OFF, facet_tilt_deg=5.0)
    shot = Shot(pleat, replace(BASE, view="back", relief=tilted))
    light = shot.paper(along([-30.0, -11.0, -9.0, -1.0, 1.0, 20.0]))
    assert np.ptp(light[:2]) < 1e-4 < abs(light[1] - light[2])  # the valley fold at -10 shows
    assert np.ptp(light[2:]) < 1e-4  # the mountain fold at 0 does not
    left, right = shot.pinhole.project(along([-30.0, 20.0]))[:, 0]
    assert left > right


def lost_mm(light: Array, x_mm: Array, full: float) -> float:
    """Width in mm over which a drop of `full` takes away as much light as is missing."""
    return float(np.sum(1 - light) / full * (x_mm[1] - x_mm[0]))


SHADOWS = replace(OFF, shadow=1.0)


@pytest.mark.parametrize("elevation_deg", [20.0, 30.0, 50.0])
@pytest.mark.parametrize("turn_deg", [0.0, 50.0])
@pytest.mark.parametrize("roll_deg", [0.0, 25.0])
def test_shadow_has_the_width_geometry_gives(
    pleat: Nominal, elevation_deg: float, turn_deg: float, roll_deg: float
) -> None:
    # The mountain fold at x = 0 stands two thicknesses, 1 mm, over the right cell; the lamp is on its left.
    lamp = replace(POINT_LAMP, azimuth_deg=180.0 + turn_deg + roll_deg, elevation_deg=elevation_deg)
    camera = replace(CAMERA, roll_deg=roll_deg)
    shot = Shot(pleat, replace(BASE, relief=SHADOWS, lamp=lamp, camera=camera))
    expected = 1.0 / math.tan(math.radians(elevation_deg)) * math.cos(math.radians(turn_deg))
    x = np.linspace(-3, 7, 4001)
    light = np.mean([shot.paper(along(x, y)) for y in np.linspace(-3, 3, 13)], axis=0)
    assert lost_mm(light, x, 0.6) == pytest.approx(expected, abs=0.02)
    assert light[(x > 0.8) & (x < expected - 0.8)] == pytest.approx(0.4, abs=1e-4)
    assert light[(x < -0.8) | (x > expected + 0.8)] == pytest.approx(1, abs=1e-4)


def test_no_shadow_towards_the_lamp(pleat: Nominal) -> None:
    shot = Shot(pleat, replace(BASE, relief=SHADOWS, lamp=replace(POINT_LAMP, azimuth_deg=0.0)))
    assert shot.paper(along(np.linspace(-20, 20, 400))) == pytest.approx(1, abs=1e-4)


def test_from_behind_the_shadow_falls_to_the_other_side_of_the_plan(pleat: Nominal) -> None:
    # Lamp on the photo's left; the right cell is on top, its fold at x = -10; the photo's right is the plan's left.
    shot = Shot(pleat, replace(BASE, view="back", relief=SHADOWS))
    width = 1.0 / math.tan(math.radians(30))
    light = shot.paper(along([-10 - width - 0.5, -10 - width + 0.5, -10.6, -9.5, -5.0]))
    assert light == pytest.approx([1, 0.4, 0.4, 1, 1], abs=1e-3)


def test_the_rim_shades_the_table_by_its_layers(pleat: Nominal) -> None:
    shot = Shot(pleat, replace(BASE, relief=SHADOWS))
    x = np.linspace(39, 44, 2001)
    light = shot.table(along(x)) + shot.paper(along(x))
    assert lost_mm(light, x, 0.6) == pytest.approx(0.5 / math.tan(math.radians(30)), abs=0.02)


def test_lift_widens_the_shadow(pleat: Nominal) -> None:
    x = np.linspace(-3, 20, 4001)
    width = []
    for lift_mm in (0.0, 1.0):
        shot = Shot(pleat, replace(BASE, relief=replace(SHADOWS, lift_mm=lift_mm)))
        width.append(lost_mm(shot.paper(along(x, 0.0)), x, 0.6))
    assert width[1] > width[0] + 0.1


def test_penumbra_lies_between_the_throws_of_the_lamps_rims(pleat: Nominal) -> None:
    lamp = replace(POINT_LAMP, size_deg=16.0)
    shot = Shot(pleat, replace(BASE, relief=SHADOWS, lamp=lamp))
    core, end = (1.0 / math.tan(math.radians(e)) for e in (38.0, 22.0))
    x = np.linspace(0.5, 4, 1500)
    light = shot.paper(along(x))
    assert light[x < core - 0.3] == pytest.approx(0.4, abs=1e-3)
    assert light[x > end + 0.3] == pytest.approx(1, abs=1e-3)
    assert np.diff(light).min() > -1e-4
    # Where the ray to the lamp's middle ends, half of its disc is hidden.
    assert light[np.argmin(abs(x - 1.0 / math.tan(math.radians(30))))] == pytest.approx(0.7, abs=0.08)


def test_a_step_dims_what_lies_beside_it(pleat: Nominal) -> None:
    lamp = replace(POINT_LAMP, ambient=1.0)
    shot = Shot(pleat, replace(BASE, relief=replace(OFF, occlusion=1.0), lamp=lamp))
    x = np.linspace(-2, 6, 3001)
    light = shot.paper(along(x))
    # A wall of height 1 takes (1 - d / sqrt(d^2 + 1)) / 2 at distance d: up to d = 2.5 that adds up to 0.404 mm.
    assert lost_mm(light, x, 1.0) == pytest.approx(0.5 * (2.5 + 1 - math.hypot(2.5, 1)), abs=0.01)
    assert light[x < -0.5] == pytest.approx(1, abs=1e-4)
    assert light[np.argmin(abs(x - 0.5))] < light[np.argmin(abs(x - 2.0))] < 1


@pytest.mark.parametrize(("azimuth_deg", "bright"), [(0.0, True), (180.0, False)])
def test_a_fold_is_bright_towards_the_lamp_and_dark_away_from_it(
    pleat: Nominal, azimuth_deg: float, bright: bool
) -> None:
    lamp = replace(POINT_LAMP, azimuth_deg=azimuth_deg)
    shot = Shot(pleat, replace(BASE, relief=replace(OFF, fold_radius_mm=0.8), lamp=lamp))
    x = np.linspace(-3, 3, 1201)
    light = shot.paper(along(x))
    inside = (x > -0.8) & (x < -0.4)
    assert (light[inside].mean() > 1.05) == bright
    assert (light[inside].mean() < 0.95) == (not bright)
    assert light[(x < -1.6) | (x > 0.8)] == pytest.approx(1, abs=1e-4)


def test_touching_facets_leave_a_narrow_dark_groove(panel: Nominal) -> None:
    # Between two twist polygons of a dense panel: neither lies over the other, so no shadow but two rounded edges.
    camera = Camera(width_px=900, height_px=900, distance_mm=60.0, focal_35mm=40)
    relief = replace(OFF, shadow=1.0, occlusion=1.0, fold_radius_mm=0.3)
    scene = replace(BASE, camera=camera, relief=relief, paper=Paper(thickness_mm=0.1))
    tips = panel.vertices_mm[list(panel.twists[0].tips)]
    middle, away = 0.5 * (tips[0] + tips[1]), tips.mean(axis=0) - 0.5 * (tips[0] + tips[1])
    away /= np.hypot(*away)
    # Aim at the side's middle, to have it large in the picture.
    aimed = replace(scene, camera=replace(camera, aim_mm=(float(middle[0]), float(middle[1]))))
    shot = Shot(panel, aimed)
    distance = np.linspace(-1.5, 1.5, 601)
    light = shot.paper(middle + distance[:, None] * away)
    assert abs(distance[np.argmin(light)]) < 0.1
    assert light.min() < 0.5
    assert light[abs(distance) > 0.5] == pytest.approx(1, abs=1e-3)


def test_facets_differ_by_lamberts_law(pleat: Nominal) -> None:
    light = {}
    for elevation_deg in (30.0, 60.0):
        lamp = replace(POINT_LAMP, elevation_deg=elevation_deg, ambient=0.0)
        shot = Shot(pleat, replace(BASE, relief=replace(OFF, facet_tilt_deg=3.0), lamp=lamp))
        light[elevation_deg] = shot.paper(along([-30.0]))[0] - 1
    # To first order a tilt changes the light by tilt / tan(elevation).
    ratio = light[30.0] / light[60.0]
    assert ratio == pytest.approx(math.tan(math.radians(60)) / math.tan(math.radians(30)), rel=0.15)


def test_grid_creases_are_pairs_of_light_and_dark_that_change_with_the_lamp(pleat: Nominal) -> None:
    # The strip's grid, read off its pitch, has lines along y-normal rows: y = k * 10 mm.
    relief = replace(OFF, crease_deg=10.0, crease_mm=1.0, crease_valley=0.0)
    y = np.array([0.25, -0.25])
    pairs = {}
    for azimuth_deg in (90.0, 270.0):
        shot = Shot(pleat, replace(BASE, relief=relief, lamp=replace(POINT_LAMP, azimuth_deg=azimuth_deg)))
        pairs[azimuth_deg] = np.mean(shot.paper(np.array([[-30.0, v] for v in y]))[:, None], axis=1) - 1
    upper, lower = pairs[90.0]
    assert upper > 0.01  # a ridge's side towards the lamp is brighter
    assert lower == pytest.approx(-upper, rel=0.05)
    assert pairs[270.0] == pytest.approx(pairs[90.0][::-1], rel=0.05)
    behind = Shot(pleat, replace(BASE, view="back", relief=relief, lamp=replace(POINT_LAMP, azimuth_deg=90.0)))
    valley = behind.paper(np.array([[20.0, v] for v in y])) - 1
    assert valley[0] == pytest.approx(-upper, rel=0.05)  # the sheet's mountain is a valley from behind


def test_stripes_are_carried_by_the_sheet(pleat: Nominal) -> None:
    surface = replace(PLAIN, pattern="stripes", pattern_mm=7.0, pattern_deg=0.0, pattern_share=0.5)
    shot = Shot(pleat, replace(BASE, surface=surface))
    x = np.linspace(-55, 38, 700)
    sheet = np.where(x < 0, x, x + 20)  # the right cell is folded 20 mm to the left
    from_line = abs(sheet / 7 - np.rint(sheet / 7)) * 7
    clear = (abs(from_line - 1.75) > 0.4) & (abs(x) > 0.4)
    ink = shot.paper(along(x), 1)
    assert ink[clear] == pytest.approx((from_line < 1.75)[clear].astype(float), abs=0.01)


def test_foil_shines_where_it_mirrors_the_lamp(pleat: Nominal) -> None:
    foil = replace(PLAIN, gloss=3.0, roughness_deg=10.0, crumple_deg=0.0)
    steep, flat = (
        Shot(pleat, replace(BASE, surface=foil, lamp=replace(POINT_LAMP, elevation_deg=e))).paper(along([-30.0]))[0]
        for e in (89.0, 30.0)
    )
    assert steep == pytest.approx(1 + 3.0 * 0.6, abs=0.02)
    assert flat == pytest.approx(1, abs=0.05)


def test_mottle_has_the_strength_asked_for(pleat: Nominal) -> None:
    shot = Shot(pleat, replace(BASE, surface=replace(PLAIN, texture=0.04, texture_mm=1.5)))
    light = shot.paper(along(np.linspace(-58, -2, 4000), 10.0))
    assert light.std() == pytest.approx(0.04, rel=0.4)
    assert light.mean() == pytest.approx(1, abs=0.01)

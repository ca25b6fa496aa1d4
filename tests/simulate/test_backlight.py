"""The light through a piece: blurred edges, flat areas, slivers, scatter."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from foldtrue.frames import Array
from foldtrue.handover import Nominal
from foldtrue.simulate import Camera, Paper, Scene, Sensor
from foldtrue.simulate.arrangement import cut_at_crossings, nudged
from foldtrue.simulate.backlight import light_through
from foldtrue.simulate.camera import Pinhole
from foldtrue.simulate.light import stack_transmittance
from foldtrue.simulate.raster import Image, Window

THROUGH = stack_transmittance(0.6, 0.35, 5)  # the even paper of conftest.py


def backlit(nominal: Nominal, vertices_mm: Array, scene: Scene) -> tuple[Window, Image, Pinhole]:
    pinhole = Pinhole(scene.camera, 100.0)
    vertices = nudged(vertices_mm, 1)
    pieces = cut_at_crossings(vertices, nominal.facets)
    window, channels = light_through(nominal, vertices, pieces, pinhole, scene)
    return window, channels[0], pinhole


def pixel_mean(distance_px: Array, normal: Array, sigma_px: float) -> Array:
    """Share of light right of a straight blurred edge, averaged over each square pixel (10 x 10 Gauss-Legendre)."""
    node, weight = np.polynomial.legendre.leggauss(10)
    across = 0.5 * np.add.outer(node * normal[0], node * normal[1]).ravel()
    mean = ndtr((distance_px[..., None] + across) / sigma_px) @ np.outer(weight, weight).ravel()
    return np.asarray(mean / 4)


@pytest.mark.parametrize("roll_deg", [0.0, 90.0, 7.3, 45.0, 1.1])
@pytest.mark.parametrize("blur_px", [0.7, 1.6])
def test_blurred_edge_is_the_error_function_averaged_over_pixels(
    pleat: Nominal, even_paper: Paper, roll_deg: float, blur_px: float
) -> None:
    camera = Camera(width_px=400, height_px=300, roll_deg=roll_deg, fill=0.6)
    scene = Scene(camera=camera, paper=even_paper, sensor=Sensor(blur_px=blur_px))
    window, light, pinhole = backlit(pleat, pleat.vertices_mm, scene)
    a, b = pinhole.project(np.array([[40.0, -30.0], [40.0, 30.0]]))  # the rim: one layer left of it, none right
    along = (b - a) / np.hypot(*(b - a))
    normal = np.array([-along[1], along[0]])
    y, x = np.mgrid[: light.shape[0], : light.shape[1]]
    rel = np.stack([x + window.x - a[0], y + window.y - a[1]], axis=2)
    distance = rel @ normal
    middle = (abs(distance) < 6) & (rel @ along > 12) & (rel @ along < np.hypot(*(b - a)) - 12)
    share = pixel_mean(distance[middle], normal, blur_px)
    expected = THROUGH[1] + (1 - THROUGH[1]) * share
    assert middle.sum() > 500
    assert np.abs(light[middle] - expected).max() < 0.004 * (1 - THROUGH[1])


def test_the_rest_of_the_sampling_error_goes_with_oversampling(pleat: Nominal, even_paper: Paper) -> None:
    camera = Camera(width_px=400, height_px=300, roll_deg=7.3, fill=0.6)
    fine, normal, coarse = (
        backlit(pleat, pleat.vertices_mm, Scene(camera=camera, paper=even_paper, oversample=s))[1] for s in (8, 3, 1)
    )
    error = [float(np.abs(picture[30:-30, 30:-30] - fine[30:-30, 30:-30]).max()) for picture in (normal, coarse)]
    assert error[0] < 0.004
    assert error[1] > 5 * error[0]


def test_flat_areas_hold_the_stack_light_of_their_layers(pleat: Nominal, even_paper: Paper) -> None:
    scene = Scene(camera=Camera(width_px=400, height_px=300), paper=even_paper)
    window, light, pinhole = backlit(pleat, pleat.vertices_mm, scene)
    px = np.rint(pinhole.project(np.array([[-30.0, 5.0], [-5.0, 5.0], [20.0, 5.0], [43.0, 5.0]]))).astype(int)
    found = light[px[:, 1] - window.y, px[:, 0] - window.x]
    assert found == pytest.approx([THROUGH[1], THROUGH[3], THROUGH[1], 1.0], abs=1e-5)


def test_light_lost_is_layers_over_area_also_when_tilted_and_bent(pleat: Nominal, even_paper: Paper) -> None:
    # The picture's missing light must be that of the projected areas, whatever the sampling: exact to rounding.
    camera = Camera(width_px=400, height_px=300, tilt_deg=20, tilt_axis_deg=30, k1=0.05, roll_deg=11)
    _, light, pinhole = backlit(pleat, pleat.vertices_mm, Scene(camera=camera, paper=even_paper))

    def area_px(left: float, right: float) -> float:
        t = np.linspace(0, 1, 400, endpoint=False)[:, None]
        corner = np.array([[left, -30], [right, -30], [right, 30], [left, 30]], float)
        rim = np.concatenate([a + t * (b - a) for a, b in zip(corner, np.roll(corner, -1, axis=0), strict=True)])
        x, y = pinhole.project(rim).T
        return abs(float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))) / 2

    once, thrice = area_px(-60, 40), area_px(-10, 0)
    expected = (1 - THROUGH[1]) * (once - thrice) + (1 - THROUGH[3]) * thrice
    assert float(np.sum(1 - light.astype(float))) == pytest.approx(expected, rel=2e-5)


def test_a_gap_between_edges_shows_as_a_bright_sliver(panel: Nominal, even_paper: Paper) -> None:
    # Twists of this panel touch along their sides; pulled apart by 0.2 mm, fewer layers lie in the gap than beside it.
    camera = Camera(width_px=800, height_px=600, distance_mm=200)
    scene = Scene(camera=camera, paper=even_paper)
    _, whole, _ = backlit(panel, panel.vertices_mm, scene)
    first = panel.twists[0]
    pulled = panel.vertices_mm.copy()
    pulled[list(first.tips)] += [0.2, 0.0]
    _, gaping, _ = backlit(panel, pulled, scene)
    change = gaping[: whole.shape[0], : whole.shape[1]] - whole[: gaping.shape[0], : gaping.shape[1]]
    assert change.max() > 0.05
    assert change.min() < -0.02


def test_scatter_blurs_buried_folds_and_leaves_the_top_ones(pleat: Nominal, even_paper: Paper) -> None:
    camera = Camera(width_px=400, height_px=300, fill=0.7)
    sharp = Scene(camera=camera, paper=even_paper)
    soft = Scene(camera=camera, paper=replace(even_paper, scatter=1.0, thickness_mm=0.6))
    steepest = []
    for scene in (sharp, soft):
        window, light, pinhole = backlit(pleat, pleat.vertices_mm, scene)
        row = light[150 - window.y]
        step = np.abs(np.diff(row))
        places = np.rint(pinhole.project(np.array([[-10.0, 0.0], [0.0, 0.0]]))[:, 0]).astype(int) - window.x
        steepest.append([step[p - 4 : p + 4].max() for p in places])
    (valley, mountain), (soft_valley, soft_mountain) = steepest
    assert soft_valley < 0.75 * valley  # under the left cell
    assert soft_mountain == pytest.approx(mountain, rel=0.05)  # on top


def test_scatter_does_not_move_a_fold(pleat: Nominal, even_paper: Paper) -> None:
    camera = Camera(width_px=400, height_px=300, fill=0.7, roll_deg=3)
    paper = replace(even_paper, scatter=1.0, thickness_mm=0.6)
    window, light, pinhole = backlit(pleat, pleat.vertices_mm, Scene(camera=camera, paper=paper))
    place = pinhole.project(np.array([[-10.0, 0.0]]))[0]
    row = round(place[1])
    a, b = pinhole.project(np.array([[-10.0, -5.0], [-10.0, 5.0]]))
    exact = a[0] + (row - a[1]) * (b[0] - a[0]) / (b[1] - a[1])
    first = round(exact) - window.x - 8
    step = -np.diff(light[row - window.y, first : first + 17].astype(float))
    found = np.sum(step * (np.arange(16) + 0.5)) / step.sum() + first + window.x
    assert found == pytest.approx(exact, abs=0.01)


def test_a_piece_larger_than_the_photo_is_cropped_not_changed(panel: Nominal, even_paper: Paper) -> None:
    whole = Scene(camera=Camera(width_px=900, height_px=800, focal_35mm=26, distance_mm=120), paper=even_paper)
    # The same focal length in px and the same centre, on a smaller sensor.
    share = np.hypot(300, 200) / np.hypot(900, 800)
    small = Camera(width_px=300, height_px=200, focal_35mm=26 / share, distance_mm=120)
    window, light, _ = backlit(panel, panel.vertices_mm, whole)
    part, cropped, _ = backlit(panel, panel.vertices_mm, replace(whole, camera=small))
    x, y = 300 - window.x, 300 - window.y  # the smaller photo starts at pixel (300, 300) of the larger one
    inner = cropped[-part.y : 200 - part.y, -part.x : 300 - part.x]
    assert inner == pytest.approx(light[y : y + 200, x : x + 300], abs=1e-4)

"""Slivers between two folds on one line: measured on photos whose every vertex is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from panels import folded_panel

from foldtrue.detect.edges import find_features, read_light, remeasure_features
from foldtrue.detect.slivers import find_slivers, light_ratio
from foldtrue.handover import Plane
from foldtrue.simulate import Camera, Errors, Light, Paper, Scene, Sensor, simulate_photo
from foldtrue.stretches import left_normals
from foldtrue.transmission import stack_transmittance


@pytest.fixture(scope="module")
def nominal():
    """Spacing 2: neighbouring twists touch, and the sides of two lie on every line between them."""
    return folded_panel(2, 16)


def photographed(nominal, position_mm, blur_px):
    scene = Scene(
        seed=4,
        errors=Errors(position_mm=position_mm, angle_deg=0.0),
        camera=Camera(width_px=1200, height_px=1000, focal_35mm=50.0, roll_deg=7.0, fill=0.9),
        light=Light(exposure=0.95),
        paper=Paper(thickness_mm=0.0, formation=0.0),
        sensor=Sensor(jpeg_quality=100, chroma="4:4:4", blur_px=blur_px),
    )
    return simulate_photo(nominal, scene)


def looked_at(nominal):
    """A photo with its plane and light, and the edges of a first look."""
    made = photographed(nominal, 0.05, 1.0)
    plane = Plane(made.truth.map, "backlit", "front", 7.0, "none", (), "outline", 0.97, 0.5)
    light = read_light(made.photo, plane, nominal)
    return made, plane, light, find_features(light, plane, nominal)


def measured(nominal, made):
    plane = Plane(made.truth.map, "backlit", "front", 7.0, "none", (), "outline", 0.97, 0.5)
    light = read_light(made.photo, plane, nominal)
    first = find_features(light, plane, nominal)
    return remeasure_features(light, plane, nominal, first, made.truth.vertices_mm).slivers


@pytest.fixture(scope="module", params=[0.7, 1.5])
def case(nominal, request):
    made = photographed(nominal, 0.08, request.param)
    return made, measured(nominal, made)


def offsets(nominal, made, slivers, which):
    """(M,) mm how far the first (0) or second (1) fold of each sample's line truly lies off the plan, along the first
    one's left normal."""
    first = nominal.creases.ends[slivers.creases[:, 0]][slivers.line]
    ends = nominal.creases.ends[slivers.creases[:, which]][slivers.line]
    p, q = (nominal.vertices_mm[first[:, k]] for k in (0, 1))
    normal = np.stack([-(q - p)[:, 1], (q - p)[:, 0]], 1) / np.hypot(*(q - p).T)[:, None]
    point = p + (q - p) * slivers.t[:, None]
    a, b = (nominal.vertices_mm[ends[:, k]] for k in (0, 1))
    t = (np.sum((point - a) * (b - a), 1) / np.sum((b - a) ** 2, 1))[:, None]
    moved = made.truth.vertices_mm - nominal.vertices_mm
    return np.sum((moved[ends[:, 0]] * (1 - t) + moved[ends[:, 1]] * t) * normal, 1)


def widths(nominal, made, slivers):
    apart = offsets(nominal, made, slivers, 0) - offsets(nominal, made, slivers, 1)
    return slivers.sense[slivers.line] * apart


def test_every_side_of_a_twist_that_meets_another_has_a_sliver_of_three_layers_and_one_of_five(nominal):
    """Design of the fold: half of each side lies over three layers, half over five; of 24 twists with 72 sides twelve
    lie at the outline."""
    targets = find_slivers(nominal).targets
    assert len(targets.crease) == 72 - 12
    np.testing.assert_array_equal(np.unique(targets.layers_left, return_counts=True), [[3, 5], [30, 30]])


def test_where_every_twist_stands_alone_there_are_none():
    assert find_slivers(folded_panel(3, 24)) is None


def test_a_gap_is_bright_and_an_overlap_dark(case, nominal):
    made, slivers = case
    width = widths(nominal, made, slivers)
    clear = np.abs(width) > 0.03
    np.testing.assert_array_equal(np.sign(slivers.area_mm)[clear], np.sign(width)[clear])


@pytest.mark.parametrize(("layers", "bright"), [(3, False), (5, True)])
def test_the_light_of_a_sliver_is_its_width_times_what_the_photos_levels_say(case, nominal, layers, bright):
    """Three layers and five are levels that the photo shows; convolution keeps the integral, so blur takes nothing."""
    assert gain(nominal, *case, layers, bright) == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize(("layers", "bright"), [(3, True), (5, False)])
def test_where_the_photo_shows_no_such_level_its_light_is_nearly_that(case, nominal, layers, bright):
    assert gain(nominal, *case, layers, bright) == pytest.approx(1.0, abs=0.2)


def test_widths_of_one_kind_scatter_by_a_twentieth_of_a_pixel(case, nominal):
    made, slivers = case
    width = widths(nominal, made, slivers)
    use = (slivers.layers[slivers.line] == 3) & (width < 0)
    told = slivers.area_mm / np.abs(slivers.lapped)[slivers.line]
    assert np.std((told - width)[use]) < 0.05 / px_per_mm(made)


def px_per_mm(made):
    return float(np.hypot(*made.truth.map.jacobian(np.zeros((1, 2)))[0, :, 0]))


def gain(nominal, made, slivers, layers, bright):
    """Light of slivers of this kind over that which their true widths let expect."""
    width = widths(nominal, made, slivers)
    use = (slivers.layers[slivers.line] == layers) & ((width > 0) == bright) & (np.abs(width) > 0.02)
    ratio = (slivers.open if bright else slivers.lapped)[slivers.line][use]
    return np.sum(slivers.area_mm[use] / ratio * np.abs(width[use])) / np.sum(width[use] ** 2)


def test_a_clear_sliver_lies_half_way_between_its_folds(case, nominal):
    made, slivers = case
    middle = 0.5 * (offsets(nominal, made, slivers, 0) + offsets(nominal, made, slivers, 1))
    clear = np.isfinite(slivers.middle_std_mm) & (np.abs(widths(nominal, made, slivers)) > 0.06)
    assert clear.sum() > 20
    assert np.sqrt(np.mean((slivers.middle_mm - middle)[clear] ** 2)) < 0.15 * slivers.blur_mm


def test_folds_that_lie_as_planned_show_nothing(nominal):
    slivers = measured(nominal, photographed(nominal, 0.0, 1.0))
    assert np.abs(np.median(slivers.area_mm)) < 0.002
    assert np.isinf(slivers.middle_std_mm).mean() > 0.5


@pytest.fixture(scope="module")
def careless(nominal):
    """Every tip off by four tenths of a millimetre: slivers of many pixels."""
    made = photographed(nominal, 0.4, 0.7)
    return made, measured(nominal, made)


def test_the_width_of_a_sliver_with_two_edges_needs_no_level_of_light(careless, nominal):
    made, slivers = careless
    use = slivers.resolved[slivers.line] & np.isfinite(slivers.area_std_mm)
    ratio = np.where(slivers.area_mm > 0, slivers.open[slivers.line], -slivers.lapped[slivers.line])
    off = (slivers.area_mm / ratio - widths(nominal, made, slivers))[use]
    assert use.sum() > 100
    assert abs(np.median(off)) < 0.05 / px_per_mm(made)
    assert 1.4826 * np.median(np.abs(off - np.median(off))) < 0.1 / px_per_mm(made)


def test_a_sliver_with_two_edges_lies_half_way_between_its_folds(careless, nominal):
    made, slivers = careless
    middle = 0.5 * (offsets(nominal, made, slivers, 0) + offsets(nominal, made, slivers, 1))
    use = slivers.resolved[slivers.line] & np.isfinite(slivers.middle_std_mm)
    assert np.median(np.abs(slivers.middle_mm - middle)[use]) < 0.05 / px_per_mm(made)


def test_a_wide_sliver_that_is_not_there_tells_nothing(nominal):
    """The network before said that two folds lie two millimetres apart; they do not."""
    _, plane, light, first = looked_at(nominal)
    tip, far = nominal.twists[0].tips[0], np.array([2.0, 1.0])
    vertices = nominal.vertices_mm.copy()
    vertices[tip] += far
    slivers = remeasure_features(light, plane, nominal, first, vertices).slivers
    at_tip = (nominal.creases.ends[slivers.creases] == tip).any(2)
    across = np.abs(left_normals(nominal, slivers.creases[:, 0]) @ far)
    wide = (at_tip[:, 0] != at_tip[:, 1]) & (across > 4 * slivers.blur_mm)
    assert wide.any()
    assert slivers.resolved[wide].all()
    of_wide = np.isin(slivers.line, np.flatnonzero(wide))
    assert np.isinf(slivers.area_std_mm[of_wide]).all()
    assert np.isinf(slivers.middle_std_mm[of_wide]).all()


def test_burnt_out_slivers_have_no_light_to_be_told(nominal):
    made, plane, light, first = looked_at(nominal)
    dimmed = replace(light, clip_level=0.0)
    assert not len(remeasure_features(dimmed, plane, nominal, first, made.truth.vertices_mm).slivers.t)


@pytest.mark.parametrize(("here", "there"), [(3, 1), (5, 7)])
def test_levels_that_the_photo_does_not_show_follow_a_stack_of_white_paper(here, there):
    """Kubelka-Munk stack of sheets that keep two hundredths of the light; the photo shows three and five layers."""
    stack = stack_transmittance(0.565, 0.415, 8)
    wanted = stack[there] / stack[here]
    assert light_ratio({3: stack[3], 5: stack[5]}, here, there) == pytest.approx(wanted, rel=1e-3)


@pytest.mark.parametrize(("reflectance", "transmittance"), [(0.6, 0.39), (0.5, 0.46), (0.7, 0.285)])
def test_other_papers_come_near_it(reflectance, transmittance):
    """Well within the three tenths that are allowed for (fit/weak.py::GAIN)."""
    stack = stack_transmittance(reflectance, transmittance, 8)
    open_ = light_ratio({3: stack[3], 5: stack[5]}, 3, 1) - 1
    assert open_ == pytest.approx(stack[1] / stack[3] - 1, rel=0.2)


def test_levels_that_the_photo_shows_are_taken_as_they_are():
    assert light_ratio({1: 0.8, 3: 0.4, 5: 0.1}, 3, 1) == pytest.approx(2.0)


def test_light_that_falls_off_faster_goes_on_as_a_power():
    """Beer-Lambert law: each layer takes the same share."""
    assert light_ratio({3: 0.125, 5: 0.005}, 5, 7) == pytest.approx(0.04)

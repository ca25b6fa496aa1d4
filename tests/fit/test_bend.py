"""A piece that bends is found out by what a camera sees of it, computed here point by point; a flat one is not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from foldtrue.fit.bend import bend_of
from foldtrue.fit.lattice import fit_lattice
from foldtrue.fit.lens import planned_points
from foldtrue.frames import PlaneMap, rotation
from foldtrue.handover import Plane

FOCAL_35MM, WIDTH, HEIGHT = 26.0, 1440, 1080
FOCAL_PX = FOCAL_35MM / 43.2666 * np.hypot(WIDTH, HEIGHT)


@pytest.fixture(scope="module")
def picture(photo):
    blank = np.zeros((HEIGHT, WIDTH, 3), np.uint8)
    return replace(photo, pixels=blank, focal_35mm=FOCAL_35MM)


def seen_from(tilt_deg, distance_mm=230.0, k1=0.0):
    """The plane of a pinhole camera, tilted about x, whose axis meets the origin."""
    a = np.radians(tilt_deg)
    # Camera axes: x right, y down, z ahead; the plan's y is up in the picture.
    turn = np.array([[1, 0, 0], [0, -np.cos(a), np.sin(a)], [0, -np.sin(a), -np.cos(a)]])
    pose = np.column_stack([turn[:, :2], [0, 0, distance_mm]])
    centre = np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2])
    matrix = np.array([[FOCAL_PX, 0, centre[0]], [0, FOCAL_PX, centre[1]], [0, 0, 1]]) @ pose
    camera = -turn.T @ np.array([0, 0, distance_mm])
    plane_map = PlaneMap(matrix / matrix[2, 2], k1, centre, FOCAL_PX)
    return Plane(plane_map, "backlit", "front", 0.0, "none", (), "outline", 0.97, 0.5), camera


def measured(nominal, sampled, picture, seen, height, errors_mm=0.05, seed=0, noise_mm=0.01, held="free"):
    """The piece with twists off by errors_mm, raised by height(x, y) mm, as the camera sees it and the fit takes it."""
    plane, camera = seen
    rng = np.random.default_rng(seed)
    true = np.zeros_like(nominal.vertices_mm)
    for twist in nominal.twists:
        true[list(twist.tips)] += rng.normal(0, errors_mm, 2)
    features = sampled(true, noise_mm, seed)
    points, normal = planned_points(features, nominal, "backlit")
    z = height(*points.T)
    away = (points - camera[:2]) * (z / (camera[2] - z))[:, None]
    features = replace(features, offset_mm=features.offset_mm + np.sum(away * normal, 1))
    fit = fit_lattice(features, plane, nominal)
    return bend_of(fit, plane, nominal, picture, features, held)


def cylinder(nominal, height_mm, along_deg=30.0):
    """A bend about one axis: a parabola across it, as high as that from its deepest to its highest point."""
    across = rotation(along_deg)[:, 1]
    span = nominal.vertices_mm @ across
    return lambda x, y: height_mm * (x * across[0] + y * across[1]) ** 2 / np.max(span**2)


@pytest.mark.parametrize("along_deg", [0.0, 40.0, 90.0])
@pytest.mark.parametrize("tilt_deg", [0.0, 20.0])
def test_a_bend_about_one_axis_is_found_with_its_height(nominal, sampled, picture, along_deg, tilt_deg):
    shape = cylinder(nominal, 4.0, along_deg)
    found = measured(nominal, sampled, picture, seen_from(tilt_deg), shape)
    assert found.significant
    assert found.chance < 1e-3
    assert abs(found.height_mm - 4.0) < 2.5 * found.std_mm


def test_a_bulge_seen_aslant_is_found(nominal, sampled, picture):
    reach = np.hypot(*nominal.vertices_mm.T).max()
    found = measured(nominal, sampled, picture, seen_from(25.0), lambda x, y: 6.0 * (1 - (x * x + y * y) / reach**2))
    assert found.chance < 1e-3
    assert abs(found.height_mm - 6.0) < 2.5 * found.std_mm


def test_a_bulge_seen_from_straight_above_is_taken_for_what_a_lens_does_and_not_claimed(nominal, sampled, picture):
    reach = np.hypot(*nominal.vertices_mm.T).max()
    found = measured(nominal, sampled, picture, seen_from(0.0), lambda x, y: 3.0 * (1 - (x * x + y * y) / reach**2))
    assert not found.significant


def test_flat_pieces_are_not_said_to_bend(nominal, sampled, picture):
    """Twenty pieces, some of them folded badly: a chance of 0.001 each."""
    found = [
        measured(nominal, sampled, picture, seen_from(tilt), lambda x, y: 0 * x, errors_mm=errors, seed=seed)
        for seed, (tilt, errors) in enumerate([(0.0, 0.05), (20.0, 0.05), (0.0, 0.3), (20.0, 0.3)] * 5)
    ]
    assert not any(bend.significant for bend in found)
    assert np.mean([bend.chance < 0.05 for bend in found]) <= 0.25


def test_a_piece_that_drifts_but_lies_flat_is_not_said_to_bend(nominal, sampled, picture):
    """Divisions that widen towards one side move twists in a pattern, as a bend does, but leave folds straight."""
    plane, _ = seen_from(20.0)
    x = nominal.vertices_mm[:, 0]
    drift = np.stack([1.5 * (x / x.max()) ** 2, 0 * x], 1)
    features = sampled(drift, 0.01, 1)
    fit = fit_lattice(features, plane, nominal)
    assert np.hypot(*fit.position_error_mm.T).max() > 0.1  # it is there to be seen
    assert not bend_of(fit, plane, nominal, picture, features).significant


def test_less_than_the_budget_allows_for_is_not_said_to_be_a_bend(nominal, sampled, picture):
    shape = cylinder(nominal, 0.3)
    found = measured(nominal, sampled, picture, seen_from(20.0), shape, errors_mm=0.0, noise_mm=0.0005)
    assert not found.significant


def test_what_a_free_piece_may_do_is_a_bend_of_one_that_was_pressed_flat(nominal, sampled, picture):
    shape = cylinder(nominal, 0.4)
    for held in ("free", "glass"):
        found = measured(nominal, sampled, picture, seen_from(20.0), shape, errors_mm=0.0, noise_mm=0.0005, held=held)
        assert found.significant == (held == "glass")


def test_too_few_folds_tell_nothing(nominal, sampled, picture):
    plane, _ = seen_from(0.0)
    features = sampled(np.zeros_like(nominal.vertices_mm), 0.01)
    fit = fit_lattice(features, plane, nominal)
    blind = replace(features, trust=np.zeros_like(features.trust))
    assert bend_of(fit, plane, nominal, picture, blind) is None

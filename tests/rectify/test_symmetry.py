"""Placements that no photo can tell apart: the plan's own turns, about its origin or about its middle."""

from __future__ import annotations

import numpy as np
import pytest

from foldtrue.frames import apply_homography, rotation
from foldtrue.plan.file import parse_plan
from foldtrue.plan.fold import fold_plan
from foldtrue.rectify.look import layer_raster
from foldtrue.rectify.piece import rectify_photo
from foldtrue.rectify.symmetry import same_looks
from foldtrue.simulate import Camera, Scene, simulate_photo

CENTRES = [(0.5, 0.0, "ccw"), (-4.0, 0.5, "cw"), (1.0, -4.5, "cw"), (0.0, 4.5, "cw"), (5.0, -0.5, "cw")]


@pytest.fixture(scope="module")
def rhombi():
    """Five rhombus twists, alike after half a turn about the first, which is not at the sheet's centre."""
    corners = [[-19.125, -52.61104327990465], [61.875, -5.845671475544965], [28.125, 52.61104327990465]]
    corners.append([-52.875, 5.845671475544965])
    plan = parse_plan(
        {
            "format": "foldtrue-plan",
            "version": 1,
            "name": "five rhombi (invented)",
            "sheet": {"shape": "polygon", "corners_mm": corners},
            "grid": {"kind": "pitch", "pitch_mm": 9.0},
            "twists": [{"grid": [i, j], "kind": "rhombus", "hand": hand} for i, j, hand in CENTRES],
        }
    )
    return fold_plan(plan)


def drawn(nominal, matrix, shape=(520, 640)):
    return layer_raster(nominal, np.array([[4.0, 0, 320.0], [0, -4.0, 260.0], [0, 0, 1.0]]) @ matrix, shape)


@pytest.mark.parametrize("name", ["nominal", "rhombi"])
def test_every_one_of_them_shows_the_same_layers(name, request):
    """Pixels that an edge runs through may differ."""
    plan = request.getfixturevalue(name)
    looks = same_looks(plan, "backlit")
    np.testing.assert_array_equal(looks[0], np.eye(3))
    for matrix in looks:
        assert np.mean(drawn(plan, matrix) != drawn(plan, np.eye(3))) < 0.04


def test_half_a_turn_about_the_middle_twist_is_one_though_the_origin_is_elsewhere(rhombi):
    assert rhombi.symmetry["backlit"] == (0.0,)
    looks = same_looks(rhombi, "backlit")
    assert len(looks) == 2
    planned = np.array([t.planned_mm for t in rhombi.twists])
    moved = apply_homography(looks[1], planned)
    np.testing.assert_allclose(moved[0], planned[0], atol=1e-9)
    np.testing.assert_allclose(np.sort(moved, 0), np.sort(planned, 0), atol=1e-9)


def test_a_piece_centred_on_the_origin_has_its_turns_about_it(nominal):
    for matrix, turn in zip(same_looks(nominal, "backlit"), nominal.symmetry["backlit"], strict=True):
        np.testing.assert_allclose(matrix[:2, :2], rotation(turn), atol=1e-12)
        np.testing.assert_array_equal(matrix[:2, 2], [0.0, 0.0])


def test_where_layers_lie_on_one_another_differently_only_turns_about_the_origin_are_taken(rhombi):
    """On a surface the order of the layers shows, which the facets' outlines do not tell."""
    assert len(same_looks(rhombi, "front")) == 1


@pytest.mark.parametrize("roll_deg", [0.0, 75.0, 170.0])
def test_a_whole_piece_that_looks_alike_turned_about_its_middle_is_placed_upright(rhombi, roll_deg):
    """Both readings are right; the one less turned is taken, nothing is ambiguous."""
    scene = Scene(seed=2, camera=Camera(width_px=800, height_px=640, roll_deg=roll_deg, focal_35mm=50.0))
    shot = simulate_photo(rhombi, scene)
    plane = rectify_photo(shot.photo, rhombi)
    assert plane.turn_deg == pytest.approx((roll_deg + 90) % 180 - 90, abs=2.0)
    planned = np.array([t.planned_mm for t in rhombi.twists])
    found = plane.map.to_px(planned)
    readings = [shot.truth.map.to_px(apply_homography(m, planned)) for m in same_looks(rhombi, "backlit")]
    pitch_px = rhombi.pitch_mm * np.hypot(*shot.truth.map.jacobian(np.zeros((1, 2)))[0, :, 0])
    assert min(np.abs(found - r).max() for r in readings) < 0.25 * pitch_px

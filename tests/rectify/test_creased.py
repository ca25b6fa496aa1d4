"""An unfolded sheet found by its cut edges."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from sheets import photographed, scanned, small_grid, small_scene

from foldtrue.errors import NotThisPiece
from foldtrue.handover import Photo, Reference
from foldtrue.photo import linear_table
from foldtrue.rectify.creased import find_sheet, in_reference
from foldtrue.simulate.camera import Pinhole
from foldtrue.simulate.sheet_photo import simulate_grid
from foldtrue.simulate.sheet_scene import GridErrors


@pytest.mark.parametrize("view", ["backlit", "front"])
def test_the_outline_is_found_where_the_camera_sees_it(view):
    place, _ = scanned(view)
    scene, outline = small_scene(view), small_grid().outline_mm
    pinhole = Pinhole(scene.camera, 2 * float(np.hypot(*outline.T).max()))
    # Against an over-exposed pane light spills over every edge by part of its blur of 0.9 px.
    limit = 1.5 if view == "backlit" else 0.6
    assert np.abs(place.map.to_px(outline) - pinhole.project(outline)).max() < limit
    assert place.turn_deg == pytest.approx(5.0, abs=0.6)
    assert place.sides.darker == (view == "backlit")


def test_of_the_turns_that_look_alike_the_one_closest_to_upright_is_taken():
    scene = small_scene("front")
    turned = replace(scene, camera=replace(scene.camera, roll_deg=50.0))
    place = find_sheet(simulate_grid(small_grid(), turned).photo, small_grid().outline_mm)
    assert place.turn_deg == pytest.approx(-10.0, abs=0.6)


def test_a_side_cut_off_shows_in_the_plane_of_a_reference():
    made = photographed("front", GridErrors(kind="side", side=2, size=-0.8, side_mm=0.0))
    grid, scene = small_grid(), small_scene("front")
    pinhole = Pinhole(scene.camera, 2 * float(np.hypot(*grid.outline_mm.T).max()))
    reference = Reference("mat", pinhole.plane_map(), 1e-12 * np.eye(9), (0.0, 0.0), 0.0, True, (), 0.05, ())
    place = find_sheet(made.photo, grid.outline_mm)
    _, sides = in_reference(made.photo, place, grid.outline_mm, reference)
    # The frame lies between the six corners, two of which moved: differences of opposite sides are free of that.
    apart = sides.offset_error_mm + np.roll(sides.offset_error_mm, 3)
    assert apart[:3] == pytest.approx([0.0, 0.0, -0.8], abs=0.05)


@pytest.mark.parametrize("what", ["plain", "square"])
def test_what_is_no_sheet_of_this_outline_is_refused(what):
    pixels = np.full((600, 800, 3), 60, np.uint8)
    if what == "square":
        pixels[150:450, 250:550] = 200
    photo = Photo(pixels, linear_table(pixels.dtype), "0" * 64, "PNG", 1, None, None)
    with pytest.raises(NotThisPiece, match="No unfolded sheet"):
        find_sheet(photo, small_grid().outline_mm)

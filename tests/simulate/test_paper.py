"""Clouds, fibres and unused creases."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from foldtrue.handover import Nominal
from foldtrue.precreases import grid_of
from foldtrue.simulate import Camera, Paper, Scene
from foldtrue.simulate.camera import Pinhole
from foldtrue.simulate.paper import PaperPiece, clouds, crease_strokes, fibre_strokes, unevenness
from foldtrue.simulate.raster import Window


def test_clouds_have_standard_deviation_one() -> None:
    found = [clouds((400, 500), 60, 2, np.random.default_rng(seed)) for seed in range(5)]
    assert np.sqrt(np.mean(np.square(found))) == pytest.approx(1.0, abs=0.1)


def test_clouds_have_no_more_variance_on_grid_points_than_between() -> None:
    found = np.stack([clouds((64, 64), 16, 16, np.random.default_rng(seed)) for seed in range(300)])
    assert found.std(axis=0).min() > 0.8
    assert found.std(axis=0).max() < 1.2


def test_a_strip_without_twists_gets_a_grid_along_x(pleat: Nominal) -> None:
    base, _ = grid_of(pleat)
    assert base[0] == pytest.approx([pleat.pitch_mm, 0])


def test_creases_stay_on_their_facet(open_panel: Nominal) -> None:
    # A flat piece folds back onto itself: all strokes lie inside the folded outline, along multiples of 30 degrees.
    strokes, strength = crease_strokes(
        open_panel, open_panel.vertices_mm, Paper(crease_contrast=0.05), np.random.default_rng(1)
    )
    assert len(strokes) == len(strength)
    assert np.abs(strokes).max() <= np.abs(open_panel.vertices_mm).max() + 1e-9
    along = strokes[:, 1] - strokes[:, 0]
    angle = np.degrees(np.arctan2(along[:, 1], along[:, 0])) % 30
    assert np.minimum(angle, 30 - angle).max() < 1e-6


def test_creases_have_the_length_of_the_grid_less_the_folds(open_panel: Nominal) -> None:
    # The sheet holds every grid line; what is not a stroke inside a facet is a fold that lies on a grid line.
    strokes, _ = crease_strokes(
        open_panel, open_panel.vertices_mm, Paper(crease_contrast=0.05), np.random.default_rng(1)
    )
    found = float(np.sum(np.hypot(*(strokes[:, 1] - strokes[:, 0]).T)))
    side, row = 360 / np.sqrt(3), open_panel.row_mm
    offsets = row * np.arange(-16, 17)  # point to point: 32 rows across the long diagonal
    # A hexagon of side s has width min(sqrt(3) s, 2 sqrt(3) (s - |offset|)) across a line at right angles to a diagonal
    whole = 3 * float(np.sum(np.minimum(np.sqrt(3) * side, 2 * np.sqrt(3) * (side - np.abs(offsets)))))
    folds = open_panel.creases.ends[open_panel.creases.kind != "R"]
    a, b = open_panel.vertices_sheet_mm[folds[:, 0]], open_panel.vertices_sheet_mm[folds[:, 1]]
    angle = np.degrees(np.arctan2(*(b - a).T[::-1])) % 60
    on_grid = np.minimum(angle, 60 - angle) < 1e-6  # twist sides lie 30 degrees off
    assert found == pytest.approx(whole - float(np.sum(np.hypot(*(b - a)[on_grid].T))), rel=1e-6)


def test_fibres_go_with_the_area_of_the_sheet(panel: Nominal) -> None:
    strokes, strength = fibre_strokes(panel, Paper(fibres_per_cm2=2.0), np.random.default_rng(1))
    sheet_cm2 = 24.0**2 * np.sqrt(3) / 2
    assert len(strokes) / 5 == pytest.approx(2.0 * sheet_cm2, rel=0.1)
    assert strength.max() < 0


def test_nothing_uneven_outside_the_paper(panel: Nominal) -> None:
    scene = Scene(camera=Camera(width_px=300, height_px=200), paper=Paper(formation=0.1, fibres_per_cm2=5))
    bare = PaperPiece(panel, panel.vertices_mm, np.zeros((200, 300), np.float32))
    factor = unevenness(bare, scene, Pinhole(scene.camera, 120), Window(0, 0, 300, 200))
    assert np.array_equal(factor, np.ones((200, 300)))


def test_clouds_of_a_stack_grow_with_the_root_of_its_layers(panel: Nominal) -> None:
    scene = Scene(camera=Camera(width_px=300, height_px=200), paper=Paper(formation=0.02))
    one, four = (PaperPiece(panel, panel.vertices_mm, np.full((200, 300), n, np.float32)) for n in (1, 4))
    pinhole, window = Pinhole(scene.camera, 120), Window(0, 0, 300, 200)
    spread = [np.log(unevenness(piece, scene, pinhole, window)).std() for piece in (one, four)]
    assert spread[1] / spread[0] == pytest.approx(2.0, rel=1e-3)


def test_creases_belong_to_the_piece_and_not_to_the_photo(panel: Nominal) -> None:
    paper = Paper(formation=0, crease_contrast=0.05)
    first = Scene(seed=1, camera=Camera(width_px=300, height_px=200), paper=paper)
    first = replace(first, errors=replace(first.errors, seed=9))
    piece = PaperPiece(panel, panel.vertices_mm, np.ones((200, 300), np.float32))
    pinhole, window = Pinhole(first.camera, 120), Window(0, 0, 300, 200)
    again = unevenness(piece, replace(first, seed=2), pinhole, window)
    assert np.array_equal(unevenness(piece, first, pinhole, window), again)

"""Folds that end beside their creases: how facets grow, and what the picture shows of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from foldtrue.frames import Array
from foldtrue.handover import Nominal
from foldtrue.simulate import Camera, Paper, Scene, Sensor, simulate_photo
from foldtrue.simulate.arrangement import Pieces, cut_at_crossings, nudged
from foldtrue.simulate.rims import _moved_out, beyond_creases, split_at_creases

SCENE = Scene(camera=Camera(width_px=500, height_px=400, fill=0.8), sensor=Sensor(full_well_e=None, file="PNG"))


def rimmed(nominal: Nominal, out: float | Array) -> tuple[Nominal, Array, Pieces]:
    every = np.where(nominal.creases.kind == "R", 0.0, out)
    return split_at_creases(nominal, nominal.vertices_mm, every, 1, 0)


def area(polygon: Array) -> float:
    a, b = polygon, np.roll(polygon, -1, axis=0)
    return 0.5 * abs(float(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])))


@pytest.mark.parametrize("out", [0.1, -0.1])
def test_both_facets_of_a_fold_end_beyond_it_and_cut_edges_stay(pleat: Nominal, out: float) -> None:
    """The strip's folds lie at x = 0 and x = -10, its ends at -60 and 40."""
    split, corners, _ = rimmed(pleat, out)
    reach = [(corners[list(f.vertices), 0].min(), corners[list(f.vertices), 0].max()) for f in split.facets]
    assert reach == [pytest.approx(ends, abs=1e-4) for ends in ((-60, out), (-10 - out, out), (-10 - out, 40))]
    assert np.ptp(corners[:, 1]) == pytest.approx(60, abs=1e-4)


@given(st.floats(0, 0.3), st.floats(0, 360), st.integers(3, 8))
def test_a_regular_polygon_grows_by_its_perimeter_and_its_corners(out: float, turn_deg: float, sides: int) -> None:
    """Steiner's formula for sharp corners: area + perimeter x d + sides x tan(pi / sides) x d^2."""
    angle = np.radians(turn_deg) + 2 * np.pi * np.arange(sides) / sides
    corners = 10 * np.column_stack([np.cos(angle), np.sin(angle)])
    grown = 10 * 2 * np.sin(np.pi / sides) * sides * out + sides * np.tan(np.pi / sides) * out**2
    for way in (corners, corners[::-1]):
        assert area(_moved_out(way, np.full(sides, out))) - area(way) == pytest.approx(grown, abs=1e-9)


def test_a_corner_in_the_middle_of_a_straight_side_goes_with_it() -> None:
    corners = np.array([[0.0, 0], [5, 0], [10, 0], [10, 10], [0, 10]])
    moved = _moved_out(corners, np.array([0.2, 0.2, 0, 0, 0]))
    assert moved == pytest.approx(corners - [[0, 0.2], [0, 0.2], [0, 0.2], [0, 0], [0, 0]], abs=1e-9)


def test_only_kinds_that_are_named_move_and_never_the_sheets_own_border(open_panel: Nominal) -> None:
    sides, mountains, valleys = (beyond_creases(open_panel, rim) for rim in ((1, 0, 0), (0, 1, 0), (0, 0, 1)))
    assert np.array_equal(sides + mountains + valleys, (open_panel.creases.kind != "R").astype(float))
    assert sides.sum() == 3 * len(open_panel.twists)
    assert set(open_panel.creases.kind[mountains > 0]) == {"M"}
    assert set(open_panel.creases.kind[valleys > 0]) == {"V"}


def test_an_edge_piece_has_the_owners_it_has_without_rims(pleat: Nominal) -> None:
    plain = cut_at_crossings(nudged(pleat.vertices_mm, 1), pleat.facets)
    _, _, pieces = rimmed(pleat, 0.05)
    owners = {frozenset(pair) for pair in pieces.owners.tolist()}
    assert owners == {frozenset(pair) for pair in plain.owners.tolist()}


@pytest.mark.parametrize("view", ["backlit", "front", "back"])
def test_rims_on_the_creases_change_no_picture(open_panel: Nominal, view: str) -> None:
    scene = replace(SCENE, view=view)
    plain, split = (
        simulate_photo(open_panel, replace(scene, paper=Paper(rim_mm=rim))) for rim in ((0.0,) * 3, (1e-7,) * 3)
    )
    off = np.abs(plain.photo.pixels.astype(int) - split.photo.pixels.astype(int))
    assert off.mean() < 0.02
    assert np.quantile(off, 0.999) <= 2


@pytest.mark.parametrize("view", ["backlit", "front"])
def test_rims_move_edges_in_the_picture_and_not_in_the_truth(open_panel: Nominal, view: str) -> None:
    scene = replace(SCENE, view=view)
    plain, out = (
        simulate_photo(open_panel, replace(scene, paper=Paper(rim_mm=rim))) for rim in ((0.0,) * 3, (0.2,) * 3)
    )
    assert np.array_equal(plain.truth.vertices_mm, out.truth.vertices_mm)
    assert all(np.array_equal(a, b) for a, b in zip(plain.truth.tips_px, out.truth.tips_px, strict=True))
    assert np.abs(plain.photo.pixels.astype(int) - out.photo.pixels.astype(int)).max() > 10

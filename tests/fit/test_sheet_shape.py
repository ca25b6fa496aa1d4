"""The shape of a cut sheet: figures that follow from plain geometry."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from sheets import sides_of, small_grid

from foldtrue.fit.sheet import REACH, least_out_of_true, sheet_shape
from foldtrue.frames import PlaneMap
from foldtrue.handover import Reference
from foldtrue.rectify.creased import carrying_design

GRID = small_grid()
SIDE = 120.0 / np.sqrt(3)


def shape_of(offset=0.0, angle=0.0):
    sides = sides_of(GRID, offset, angle)
    return sheet_shape(GRID.outline_mm, sides, sides.cov)


def test_a_true_hexagon():
    shape = shape_of()
    assert shape.side_mm == pytest.approx(np.full(6, SIDE))
    assert shape.corner_deg == pytest.approx(np.full(6, 120.0))
    assert shape.height_mm == pytest.approx(np.full(3, 120.0))
    assert shape.best_size == pytest.approx(1.0, abs=2e-4)
    assert np.abs(shape.trim_mm).max() < 0.02


def test_a_side_one_millimetre_too_far_in():
    """Its neighbours get shorter by 1 / sin 60, itself longer by twice that times cos 60; its height is 1 mm less."""
    cut = np.zeros(6)
    cut[2] = -1.0
    shape = shape_of(cut)
    change = shape.side_mm - SIDE
    assert change[[1, 3]] == pytest.approx(np.full(2, -2 / np.sqrt(3)))
    assert change[2] == pytest.approx(2 / np.sqrt(3))
    assert shape.height_mm == pytest.approx([120.0, 120.0, 119.0])
    assert shape.best_size == pytest.approx(119 / 120, abs=2e-4)
    assert shape.trim_mm[2] == pytest.approx(0.0, abs=0.02)
    assert shape.trim_mm.max() < 0.8
    assert shape.trim_mm.min() > -1e-6


def test_a_turned_side_opens_one_corner_and_closes_the_other():
    turn = np.zeros(6)
    turn[2] = 0.5
    assert shape_of(0.0, turn).corner_deg - 120 == pytest.approx([0, 0, -0.5, 0.5, 0, 0], abs=1e-9)


def test_uncertainties_are_those_of_the_sides():
    """A height is the sum of two offsets of 0.005 mm each, a corner the difference of two angles of 0.003 deg."""
    shape = shape_of()
    assert shape.height_std_mm == pytest.approx(np.full(3, 0.005 * np.sqrt(2)), rel=0.25)
    assert shape.corner_std_deg == pytest.approx(np.full(6, 0.003 * np.sqrt(2)), rel=0.25)


def test_the_size_of_the_reference_is_in_every_length():
    plane = PlaneMap(np.array([[6.0, 0, 600], [0, -6.0, 450], [0, 0, 1]]), 0.0, np.array([599.5, 449.5]), 900.0)
    reference = Reference("scan", plane, 1e-20 * np.eye(9), (0.0, 0.0), 0.002, True, (), 0.0, ())
    sides = sides_of(GRID)
    shape = sheet_shape(GRID.outline_mm, sides, sides.cov, plane, reference)
    assert shape.height_std_mm == pytest.approx(np.full(3, 0.002 * 120), rel=0.25)
    assert shape.corner_std_deg.max() < 0.01
    assert (shape.plane, shape.reference) == ("reference", "scan")


def test_without_a_plane_only_what_no_perspective_explains_is_told():
    sides = sides_of(GRID)
    design = carrying_design(sides, REACH)
    moved = design @ np.array([0.4, -0.2, 0.3, 0.1, -0.3, 0.2, 0.1, -0.2])
    reach = REACH * sides.half_mm
    seen = replace(
        sides,
        offset_error_mm=0.5 * (moved[:6] + moved[6:]),
        angle_error_deg=np.degrees((moved[:6] - moved[6:]) / (2 * reach)),
    )
    assert least_out_of_true(seen, design)[0] < 1e-9
    cut = replace(seen, offset_error_mm=seen.offset_error_mm + np.array([0, 0, 1.0, 0, 0, 0]))
    assert 0.05 < least_out_of_true(cut, design)[0] < 1.0

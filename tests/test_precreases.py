"""Where the grid's unused creases cross the facets of a folded piece."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from panels import folded_panel

from foldtrue.precreases import grid_of, precreases


def of_twist(nominal, twist):
    """The creases of the polygon with this twist's tips."""
    own = {frozenset(f.vertices): k for k, f in enumerate(nominal.facets) if f.kind == "twist"}
    every = precreases(nominal)
    return every.pick(np.flatnonzero(every.facet == own[frozenset(twist.tips)]))


def test_grid_is_read_off_the_twists():
    panel = folded_panel(2, 16)
    base, origin = grid_of(panel)
    assert base == pytest.approx(20.0 * np.array([[1, 0], [0.5, np.sqrt(3) / 2]]), abs=1e-9)
    assert origin == pytest.approx([0, 0], abs=1e-9)


@pytest.mark.parametrize("spacing", [2, 3, 4])
def test_a_triangle_twist_bears_its_three_medians(spacing):
    """A tip lies on a grid point, and the grid's line through it and the twist's centre goes on to the middle of the
    side beyond; a triangle's medians meet in its centroid (Euclid's elements know it, Archimedes, On the Equilibrium of
    Planes I, 14, proves it [from memory])."""
    nominal = folded_panel(spacing, {2: 16, 3: 24, 4: 32}[spacing])
    for twist in nominal.twists:
        tips = nominal.vertices_mm[list(twist.tips)]
        ends = of_twist(nominal, twist).ends(nominal.vertices_mm)
        assert len(ends) == 3
        for tip, middle in zip(tips, 0.5 * (np.roll(tips, 1, 0) + np.roll(tips, 2, 0)), strict=True):
            both = [np.allclose(e, [tip, middle], atol=1e-6) or np.allclose(e, [middle, tip], atol=1e-6) for e in ends]
            assert sum(both) == 1


@given(st.integers(0, 2**32 - 1))
def test_a_line_stays_joined_over_folds_however_the_piece_came_out(seed):
    nominal = folded_panel(3, 24)
    moved = nominal.vertices_mm + np.random.default_rng(seed).normal(0, 1, nominal.vertices_mm.shape)
    every = precreases(nominal)
    planned = every.ends(nominal.vertices_sheet_mm).reshape(-1, 2)
    came_out = every.ends(moved).reshape(-1, 2)
    place = np.unique(np.round(planned, 4), axis=0, return_inverse=True)[1].ravel()
    line = np.repeat(every.line, 2)
    for k in range(0, len(place), 29):
        same = (place == place[k]) & (line == line[k])
        np.testing.assert_allclose(came_out[same], came_out[k][None].repeat(same.sum(), 0), atol=1e-4)


def test_creases_run_along_the_grid_in_the_sheet():
    nominal = folded_panel(2, 16)
    ends = precreases(nominal).ends(nominal.vertices_sheet_mm)
    way = ends[:, 1] - ends[:, 0]
    off = np.degrees(np.arctan2(way[:, 1], way[:, 0])) % 60
    assert np.minimum(off, 60 - off).max() < 1e-6

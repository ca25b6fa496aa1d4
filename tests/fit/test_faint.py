"""Lines of edges that hardly show: what a network expects of them, and what it makes of them; no picture anywhere."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from lit_folds import samples_of
from panels import folded_panel
from scipy.stats import chi2

from foldtrue.fit.expect import expect_lines
from foldtrue.fit.faint import faint_lines
from foldtrue.fit.lattice import fit_lattice
from foldtrue.fit.lines import own_lines
from foldtrue.frames import PlaneMap
from foldtrue.handover import Plane
from foldtrue.handover_faint import FaintLines
from foldtrue.stretches import SIDE, left_normals, lit_kinds

NOISE_MM, HIDDEN = 0.02, (1, 3)
"""Kinds of sides that are not found: two of the three of every twist of one hand."""


@pytest.fixture(scope="module")
def nominal():
    return folded_panel(3, 24)


@pytest.fixture(scope="module")
def plane():
    flat = PlaneMap(np.diag([8.0, -8.0, 1.0]), 0.0, np.zeros(2), 1200.0)
    return Plane(flat, "front", "front", 0.0, "none", (), "outline", 0.9, 0.1)


def hidden_stretches(nominal):
    kinds = lit_kinds(nominal, "front")
    return np.isin(kinds.kind, HIDDEN) & (kinds.kind_type == SIDE)


def hiding(nominal, seed=0, size_mm=0.1):
    """(features without the hidden kinds, displacement (V, 2) mm) of a piece whose vertices are off by chance."""
    displacement = np.random.default_rng(seed).normal(0, size_mm, nominal.vertices_mm.shape)
    features = samples_of(nominal, "front", displacement, noise_mm=NOISE_MM, seed=seed)
    gone = hidden_stretches(nominal)
    trust = np.where(gone[features.stretch], 0.0, features.trust)
    return replace(features, found=features.found & ~gone, trust=trust), displacement


def firsts(nominal):
    """The first stretch of every crease of the hidden kinds, and these creases."""
    crease = nominal.views["front"].crease
    stretch = np.flatnonzero(hidden_stretches(nominal))
    once = np.unique(crease[stretch], return_index=True)[1]
    return stretch[once], crease[stretch[once]]


def ends_of(nominal, displacement, crease):
    return np.sum(displacement[nominal.creases.ends[crease]] * left_normals(nominal, crease)[:, None], 2)


def as_drawn(nominal, displacement, std_mm, seed=9):
    """The hidden kinds' lines read with so much noise."""
    stretch, crease = firsts(nominal)
    ends = ends_of(nominal, displacement, crease)
    off, slope = np.random.default_rng(seed).normal(0, std_mm, (2, len(crease)))
    one = np.ones(len(crease))
    return FaintLines(
        stretch, 0.5 * one, ends.mean(1) + off, std_mm * one, np.diff(ends, axis=1)[:, 0] + slope, std_mm * one
    )


def tips_off(nominal, fit, displacement):
    """RMS of the tips' places about the truth after the best shift, mm."""
    tips = sorted({v for t in nominal.twists for v in t.tips})
    away = (fit.vertices_mm - nominal.vertices_mm - displacement)[tips]
    return float(np.sqrt(np.mean((away - away.mean(0)) ** 2)))


def test_lines_are_expected_where_the_network_has_their_vertices_and_no_surer(nominal, plane):
    """Sum of squares over stated variances against chi square (scipy.stats); vertices drawn half as wide as the network
    takes them to lie leave it below its mean."""
    crease = firsts(nominal)[1]
    total, count = 0.0, 0
    for seed in range(4):
        features, displacement = hiding(nominal, seed, size_mm=0.3)
        expected = expect_lines(features, plane, nominal, crease)
        ends = ends_of(nominal, displacement, expected.crease)
        away = np.stack([ends.mean(1) - expected.offset_mm, ends[:, 1] - ends[:, 0] - expected.slope_mm], 1).ravel()
        total += float(np.sum(away**2 / np.diag(expected.cov_mm2)))
        count += len(away)
    assert total < chi2.ppf(0.99, count)
    assert total > 0.2 * count


def test_creases_the_network_knows_nothing_of_are_left_out(nominal, plane):
    features, _ = hiding(nominal)
    rim = np.flatnonzero(nominal.creases.kind == "R")
    inner = firsts(nominal)[1]
    expected = expect_lines(features, plane, nominal, np.concatenate([inner, rim]))
    assert np.isin(inner, expected.crease).all()
    assert len(expected.cov_mm2) == 2 * len(expected.crease)


def test_tips_that_no_other_edge_shows_are_told_by_faint_lines(nominal, plane):
    features, displacement = hiding(nominal)
    without = fit_lattice(features, plane, nominal)
    told = fit_lattice(replace(features, faint=as_drawn(nominal, displacement, 0.03)), plane, nominal)
    assert tips_off(nominal, told, displacement) < 0.8 * tips_off(nominal, without, displacement)
    both = told.measured & without.measured
    assert np.median(told.angle_std_deg[both]) < 0.9 * np.median(without.angle_std_deg[both])


def test_faint_lines_that_say_nothing_change_nothing(nominal, plane):
    features, displacement = hiding(nominal)
    without = fit_lattice(features, plane, nominal)
    told = fit_lattice(replace(features, faint=as_drawn(nominal, displacement, 100.0)), plane, nominal)
    assert told.vertices_mm == pytest.approx(without.vertices_mm, abs=2e-3)


def test_a_faint_edge_is_no_figure_of_its_own(nominal, plane):
    """Its line rests on what was expected of it; the network alone may use it."""
    features, displacement = hiding(nominal)
    told = fit_lattice(replace(features, faint=as_drawn(nominal, displacement, 0.03)), plane, nominal)
    assert np.isnan(told.edge_offset_mm[firsts(nominal)[1]]).all()


def test_the_lens_is_taken_off(nominal):
    """A unit of k1 moves a point by the radial field (definition), so the line by that at its ends."""
    lens = PlaneMap(np.diag([8.0, -8.0, 1.0]), 0.0, np.zeros(2), 1200.0)
    seen = as_drawn(nominal, np.zeros_like(nominal.vertices_mm), 1e-9)
    lines = faint_lines(seen, nominal, "front", lens, 0.05)
    ends = nominal.vertices_mm[nominal.creases.ends[lines.crease]]
    field = np.stack([lens.radial_field(ends[:, k]) for k in (0, 1)], 1)
    across = 0.05 * np.sum(field * lines.normal[:, None], 2)
    assert lines.offset_mm == pytest.approx(-across.mean(1), abs=1e-6)
    assert lines.slope_mm == pytest.approx(across[:, 0] - across[:, 1], abs=1e-6)


def test_a_faint_line_counts_for_half_a_side(nominal):
    seen = as_drawn(nominal, np.zeros_like(nominal.vertices_mm), 0.03)
    flat = PlaneMap(np.diag([8.0, -8.0, 1.0]), 0.0, np.zeros(2), 1200.0)
    lines = faint_lines(seen, nominal, "front", flat, 0.0)
    assert not lines.stands_out.any()
    sides = np.array([np.isin(nominal.creases.ends[lines.crease], t.tips).all(1).sum() for t in nominal.twists])
    assert own_lines(lines, nominal) == pytest.approx(0.5 * sides)

"""Pleats: width, parallelism, straightness from known vertices and edges, and what is said where they do not show."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from panels import folded_panel

from foldtrue.fit.lattice import fit_lattice
from foldtrue.fit.pleats import pleat_edges, pleat_figures, pleat_rows
from foldtrue.frames import rotation


@pytest.fixture(scope="module")
def edges(nominal):
    return pleat_edges(nominal)


def moved_edge(nominal, edges, k, shift, turn_deg=0.0):
    """Vertices (V, 2) with the valley edge of pleat k shifted off its mountain, and turned about its own middle."""
    ends = edges.valley_ends[k]
    out = nominal.vertices_mm.copy()
    a, b = out[ends]
    along = (b - a) / np.hypot(*(b - a))
    away = edges.sense[k] * np.array([-along[1], along[0]])
    middle = (a + b) / 2
    out[ends] = middle + (out[ends] - middle) @ rotation(turn_deg).T + shift * away
    return out


@pytest.mark.parametrize(("spacing", "divisions"), [(2, 16), (3, 24), (4, 32)])
def test_every_pleat_is_planned_one_row_wide_and_parallel(spacing, divisions):
    nominal = folded_panel(spacing, divisions)
    edges = pleat_edges(nominal)
    width, angle = pleat_figures(edges, nominal.vertices_mm)
    assert len(width) == 42  # 24 triangle twists: 72 ends of pleats, 30 pleats join two of them
    assert sum(len(pair) == 2 for pair in edges.twists) == 30
    np.testing.assert_allclose(width, nominal.row_mm, rtol=1e-9)
    assert np.isnan(angle).all() if spacing == 2 else np.abs(angle).max() < 1e-7


def test_a_pleat_names_the_twists_that_its_own_name_names(nominal, edges):
    for facet, twists in zip(edges.facet, edges.twists, strict=True):
        names = [nominal.twists[k].id for k in twists]
        start, _, end = nominal.facets[facet].id.partition("-")
        assert names == ([start] if end.startswith("rim") else [start, end])


@pytest.mark.parametrize("k", [0, 14, 30])
def test_an_edge_shifted_away_makes_its_pleat_wider_by_as_much(nominal, edges, k):
    width, angle = pleat_figures(edges, moved_edge(nominal, edges, k, 0.3))
    assert width[k] - nominal.row_mm == pytest.approx(0.3, abs=1e-9)
    assert angle[k] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("k", [0, 14, 30])
def test_an_edge_turned_about_the_middle_opens_its_pleat_and_keeps_its_width(nominal, edges, k):
    """Turned towards the valley's side it widens outwards, which counts positive."""
    joined = len(edges.twists[k]) == 2
    turned = moved_edge(nominal, edges, k, 0.0, 0.4 * edges.sense[k])
    width, angle = pleat_figures(edges, turned)
    assert angle[k] == pytest.approx(0.4)
    if joined:  # at the rim the middle of the run is not the middle of the valley
        assert width[k] - nominal.row_mm == pytest.approx(0.0, abs=1e-3)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 999), turn=st.floats(-180, 180), size=st.floats(0.5, 2), shift=st.floats(-300, 300))
def test_moving_the_whole_piece_changes_no_figure_and_widths_grow_with_it(seed, turn, size, shift):
    nominal = folded_panel(3, 24)
    edges = pleat_edges(nominal)
    own = nominal.vertices_mm + np.random.default_rng(seed).normal(0, 0.1, nominal.vertices_mm.shape)
    width, angle = pleat_figures(edges, own)
    whole_width, whole_angle = pleat_figures(edges, size * own @ rotation(turn).T + [shift, -shift])
    np.testing.assert_allclose(whole_width, size * width, rtol=1e-9)
    np.testing.assert_allclose(whole_angle, angle, atol=1e-7)


def test_first_derivatives_are_those_of_small_steps(nominal, edges):
    rows = pleat_rows(edges, nominal.vertices_mm)
    step = 1e-5 * np.random.default_rng(1).normal(0, 1, nominal.vertices_mm.shape)
    before, after = (np.concatenate(pleat_figures(edges, nominal.vertices_mm + s)) for s in (-step, step))
    np.testing.assert_allclose(rows @ step.ravel(), (after - before) / 2, atol=1e-9)


def test_planted_errors_come_out_with_intervals_that_hold_them(nominal, edges, sampled, plane):
    """Twist sides that are all seen leave the network little to guess: figures as exact as the samples."""
    miss, held, angle_held = [], [], []
    for seed in range(5):
        true = np.random.default_rng(seed).normal(0, 0.08, nominal.vertices_mm.shape)
        found = fit_lattice(sampled(true, 0.02, seed), plane, nominal)
        back = pleat_figures(edges, nominal.vertices_mm + true)
        told = np.isfinite(found.pleats.width_error_mm)
        assert told.mean() > 0.9
        error = (found.pleats.width_error_mm - (back[0] - nominal.row_mm))[told]
        turn = (found.pleats.parallelism_deg - back[1])[told]
        miss.extend(error)
        held.extend(np.abs(error) < 1.96 * found.pleats.width_std_mm[told])
        angle_held.extend(np.abs(turn) < 1.96 * found.pleats.parallelism_std_deg[told])
    assert np.sqrt(np.mean(np.square(miss))) < 0.03
    # The whole piece's shear stays in the planted figures and not in those found: 0.08 mm over 24 twists.
    assert 0.85 <= np.mean(held) <= 1.0
    assert 0.85 <= np.mean(angle_held) <= 1.0


def test_a_width_carries_the_shift_of_both_its_edges(nominal, sampled, plane):
    """Noiseless samples still leave the edge shifts open, which move both edges to their dark sides."""
    found = fit_lattice(sampled(np.zeros_like(nominal.vertices_mm), 0.0), plane, nominal)
    told = np.isfinite(found.pleats.width_std_mm)
    assert found.pleats.width_std_mm[told].min() > 10 * found.pleats.straightness_u95_mm[told].min()


def test_a_pleat_whose_edge_is_not_seen_is_not_measured(nominal, edges, sampled, plane):
    hidden = int(edges.valley[4])
    found = fit_lattice(sampled(np.zeros_like(nominal.vertices_mm), 0.005, 1, hidden=(hidden,)), plane, nominal)
    pleats = found.pleats
    assert np.isnan([pleats.width_error_mm[4], pleats.width_std_mm[4], pleats.parallelism_deg[4]]).all()
    assert pleats.flags[4] == ("edge_not_seen",)
    assert pleats.edges_seen[4].tolist() == [True, False]
    assert np.isfinite(np.delete(pleats.width_error_mm, 4)).all()


def test_an_edge_that_runs_beside_its_vertices_gives_no_width(nominal, edges, sampled, plane):
    features = sampled(np.zeros_like(nominal.vertices_mm), 0.005, 1)
    crease = nominal.views["backlit"].crease[features.stretch]
    features = replace(features, offset_mm=features.offset_mm + np.where(crease == edges.valley[4], 0.5, 0.0))
    found = fit_lattice(features, plane, nominal)
    assert found.pleats.flags[4] == ("edge_disagrees",)
    assert np.isnan(found.pleats.width_error_mm[4])


def test_a_mountain_that_is_one_point_gives_a_width_and_no_angle():
    """At spacing 2 the mountain's length is 0 (design of the honeycomb): the width is the point's distance."""
    nominal = folded_panel(2, 16)
    edges = pleat_edges(nominal)
    assert (edges.mountain < 0).all()
    moved = nominal.vertices_mm.copy()
    ends = nominal.vertices_mm[edges.valley_ends[0]]
    normal = nominal.vertices_mm[edges.mountain_ends[0, 0]] - ends.mean(0)
    moved[edges.mountain_ends[0, 0]] += 0.2 * normal / np.hypot(*normal)
    width, angle = pleat_figures(edges, moved)
    assert width[0] - nominal.row_mm == pytest.approx(0.2, abs=1e-9)
    assert np.isnan(angle).all()


@pytest.mark.parametrize("bow_mm", [0.0, 0.05, 0.2])
def test_a_bowed_edge_is_as_unstraight_as_its_bow(nominal, edges, sampled, plane, bow_mm):
    """A parabola of height h over its chord leaves h 4 / sqrt(180) RMS about its best line (integral of its square)."""
    features = sampled(np.zeros_like(nominal.vertices_mm), 0.01, 3)
    crease = nominal.views["backlit"].crease[features.stretch]
    at = crease == edges.valley[4]
    t = features.t[at]
    bow = np.zeros(len(crease))
    bow[at] = bow_mm * 4 * t * (1 - t)
    found = fit_lattice(replace(features, offset_mm=features.offset_mm + bow), plane, nominal).pleats
    mountain = np.sum(crease == edges.mountain[4])
    share = np.sqrt(at.sum() / (at.sum() + mountain))  # both edges' points count alike
    assert abs(found.straightness_mm[4] - share * bow_mm * 4 / np.sqrt(180)) <= found.straightness_u95_mm[4]
    others = np.delete(np.arange(len(found.ids)), 4)
    assert np.mean(found.straightness_mm[others] <= found.straightness_u95_mm[others]) > 0.9

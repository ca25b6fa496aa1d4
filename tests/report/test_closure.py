"""Closure of nodes and what its uncertainty claims."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.stats import chi2

from foldtrue.report.closure import closure_u95, node_closures


def rms(points):
    return np.sqrt(np.mean(np.sum((points - points.mean(-2, keepdims=True)) ** 2, -1), -1))


def test_perfect_points_close(inspection):
    fit = dataclasses.replace(
        inspection.fit,
        vertices_mm=inspection.nominal.vertices_mm,
        vertex_measured=np.ones(len(inspection.nominal.vertices_mm), bool),
    )
    for node in node_closures(inspection.nominal, fit):
        if len(node.vertices) >= 2:
            assert node.rms_mm == pytest.approx(0, abs=1e-9)
            assert node.largest_gap_mm == pytest.approx(0, abs=1e-9)


def test_two_points_a_gap_apart_lie_half_of_it_from_their_centre(inspection):
    node = next(group for group in inspection.nominal.nodes if len(group) >= 2)[:2]
    moved = inspection.nominal.vertices_mm.copy()
    moved[node[1]] += [0.3, 0.4]
    seen = np.zeros(len(moved), bool)
    seen[list(node)] = True
    fit = dataclasses.replace(inspection.fit, vertices_mm=moved, vertex_measured=seen)
    found = [closure for closure in node_closures(inspection.nominal, fit) if closure.measured == 2]
    assert [c.rms_mm for c in found] == [pytest.approx(0.25)]
    assert [c.largest_gap_mm for c in found] == [pytest.approx(0.5)]


def test_fewer_than_two_measured_points_say_nothing(inspection):
    fit = dataclasses.replace(inspection.fit, vertex_measured=np.zeros(len(inspection.nominal.vertices_mm), bool))
    assert {(node.rms_mm, node.u95_mm) for node in node_closures(inspection.nominal, fit)} == {(None, None)}


@pytest.mark.parametrize("count", [2, 6])
def test_uncertainty_for_round_equal_noise_is_a_chi_square(count):
    # n points with noise s: the sum of squares about the mean is s^2 chi-square with 2 (n - 1) degrees of freedom
    expected = 0.02 * np.sqrt(chi2.ppf(0.95, 2 * (count - 1)) / count)
    assert closure_u95(np.eye(2 * count) * 0.02**2) == pytest.approx(expected)


def test_what_moves_all_points_alike_is_no_uncertainty_of_their_closure():
    own = np.eye(8) * 0.02**2
    shared = np.kron(np.ones((4, 4)), np.array([[0.3, 0.1], [0.1, 0.2]]))
    assert closure_u95(own + shared) == pytest.approx(closure_u95(own))


@pytest.mark.parametrize("gap", [0.0, 0.02, 0.3])
def test_the_interval_holds_the_true_closure(gap):
    """Four points whose errors hang together, as those of one network do."""
    rng = np.random.default_rng(2)
    root = rng.normal(0, 0.01, (8, 8))
    true = gap * np.array([[1.0, 0], [-1, 0], [0, 1], [0, -1]])
    noise = (rng.normal(0, 1, (20_000, 8)) @ root.T).reshape(-1, 4, 2)
    inside = np.abs(rms(true + noise) - rms(true)) <= closure_u95(root @ root.T)
    assert inside.mean() >= 0.945


def test_the_largest_gap_of_two_points_has_twice_their_closure_and_its_interval(inspection):
    """Two points lie half their gap from their mean, so gap and interval are twice the closure's."""
    for node in node_closures(inspection.nominal, inspection.fit):
        if node.measured == 2:
            assert node.largest_gap_mm == pytest.approx(2 * node.rms_mm)
            assert node.gap_u95_mm == pytest.approx(2 * node.u95_mm)


def test_a_joint_covariance_takes_the_place_of_the_vertices_own(inspection):
    fit = inspection.fit
    nodes = inspection.nominal.nodes
    alike = tuple(np.kron(np.ones((len(n), len(n))), np.eye(2) * 0.02**2) for n in nodes)
    together = node_closures(inspection.nominal, dataclasses.replace(fit, node_cov_mm2=alike))
    assert all(node.u95_mm == pytest.approx(0, abs=1e-6) for node in together if node.u95_mm is not None)
    assert any(node.u95_mm > 0.01 for node in node_closures(inspection.nominal, fit) if node.u95_mm is not None)

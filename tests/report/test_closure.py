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
    assert closure_u95(np.tile(np.eye(2) * 0.02**2, (count, 1, 1))) == pytest.approx(expected)


@pytest.mark.parametrize("gap", [0.0, 0.02, 0.3])
def test_the_interval_holds_the_true_closure(gap):
    rng = np.random.default_rng(2)
    root = rng.normal(0, 0.02, (4, 2, 2))
    covariance = root @ root.swapaxes(1, 2)
    true = gap * np.array([[1.0, 0], [-1, 0], [0, 1], [0, -1]])
    noise = np.einsum("nij,knj->kni", root, rng.normal(0, 1, (20_000, 4, 2)))
    inside = np.abs(rms(true + noise) - rms(true)) <= closure_u95(covariance)
    assert inside.mean() >= 0.945

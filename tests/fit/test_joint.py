"""What is known of several vertices together: the whole piece's fit and the lens in it, against drawing at random."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from foldtrue.alignment import fit_globally, freedoms
from foldtrue.fit.joint import joint_of, lens_root
from foldtrue.fit.lattice import FitOptions, adjust
from foldtrue.stretches import left_normals


@pytest.fixture(scope="module")
def solved(nominal, sampled, plane):
    features = sampled(np.random.default_rng(3).normal(0, 0.05, nominal.vertices_mm.shape), 0.01)
    return adjust(features, plane, nominal, FitOptions(), rounds=4)


@pytest.fixture(scope="module")
def joint(solved, nominal):
    _, k1_std, lens_map, network = solved
    planned = np.array([nominal.vertices_mm[list(t.tips)].mean(0) for t in nominal.twists])
    whole = fit_globally(planned, planned, "homography", np.ones(len(planned)))
    return joint_of(network, whole, nominal, lens_map, lens_root(k1_std))


def test_what_the_whole_pieces_fit_takes_up_is_not_left_in_any_figure(joint, nominal):
    """Fitted to one of its own freedoms, the whole piece's fit gives that one back: exactly where it is linear; the
    centre of a twist's tips is off by their curvature where it is a keystone."""
    kept = joint.taken @ joint.freedoms_at(nominal.vertices_mm)
    np.testing.assert_allclose(kept[:, :6], np.eye(8)[:, :6], atol=1e-9)
    np.testing.assert_allclose(kept[:, 6:], np.eye(8)[:, 6:], atol=0.02)


def test_covariance_is_that_of_vertices_drawn_at_random_and_fitted_again(joint, nominal):
    rng = np.random.default_rng(1)
    rows = rng.normal(0, 1, (4, 2 * len(nominal.vertices_mm)))
    drawn = rng.multivariate_normal(np.zeros(rows.shape[1]), joint.vertex_cov_mm2, 4000, method="eigh")
    tips = [list(t.tips) for t in nominal.twists]
    at_centres = np.stack([drawn.reshape(len(drawn), -1, 2)[:, t].mean(1) for t in tips], 1).reshape(len(drawn), -1)
    places = np.array([nominal.vertices_mm[t].mean(0) for t in tips])
    reach = float(np.abs(places).max())
    coefficient = np.linalg.lstsq(freedoms(places, "homography", reach)[0], at_centres.T, rcond=None)[0]
    left = drawn - (freedoms(nominal.vertices_mm, "homography", reach)[0] @ coefficient).T
    found = replace(joint, map_root=lens_root(0.0)).of_vertices(rows, nominal.vertices_mm)
    np.testing.assert_allclose(np.cov(rows @ left.T), found, atol=0.08 * np.abs(np.diag(found)).max())


def test_an_unsure_lens_moves_all_figures_together(joint, nominal):
    rows = np.random.default_rng(2).normal(0, 1, (3, 2 * len(nominal.vertices_mm)))
    sure, unsure = (replace(joint, map_root=lens_root(k)).of_vertices(rows, nominal.vertices_mm) for k in (0.0, 0.1))
    assert np.linalg.matrix_rank(unsure - sure, tol=1e-9 * np.abs(unsure).max()) == 1


def test_offsets_at_a_silhouette_carry_the_edge_shift_that_is_taken_off_them(joint, nominal):
    """Two offsets that face the same way lose the shift in their difference."""
    rim = np.flatnonzero(nominal.creases.kind == "R")[:1]
    points = nominal.vertices_mm[nominal.creases.ends[rim[0]]]
    normals = np.repeat(left_normals(nominal, rim), 2, 0)
    shift_rows = np.zeros((2, len(joint.shift_cov_mm2)))
    bare = joint.of_places(points, normals, shift_rows, nominal.vertices_mm)
    shift_rows[:, 0] = 1.0
    shifted = joint.of_places(points, normals, shift_rows, nominal.vertices_mm)
    assert shifted[0, 0] > bare[0, 0]
    apart = np.array([1.0, -1.0])
    assert apart @ shifted @ apart == pytest.approx(apart @ bare @ apart, abs=1e-9)

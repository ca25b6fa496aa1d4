"""The whole plan shifted onto its edges: eight numbers, and what is not one of them left alone."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from foldtrue.alignment import freedoms, homography_step
from foldtrue.fit.align import align_plane
from foldtrue.frames import apply_homography


def moved_by(matrix, nominal):
    return apply_homography(matrix, nominal.vertices_mm) - nominal.vertices_mm


@pytest.mark.parametrize(
    "matrix",
    [
        [[1, 0, 0.4], [0, 1, -0.3], [0, 0, 1]],
        [[1.004, -0.005, 0], [0.006, 0.997, 0], [0, 0, 1]],
        [[1, 0, 0], [0, 1, 0], [4e-5, -3e-5, 1]],
    ],
    ids=["shift", "affine", "keystone"],
)
def test_a_misplaced_plan_comes_to_lie_on_its_edges(nominal, sampled, plane, matrix):
    """The best that edges allow is the homography itself, here known; one linear step leaves its square."""
    true = np.array(matrix, float)
    aligned = align_plane(sampled(moved_by(true, nominal), 0.002), plane, nominal)
    wanted = plane.map.to_px(apply_homography(true, nominal.vertices_mm))
    before = np.abs(plane.map.to_px(nominal.vertices_mm) - wanted).max()
    after = np.abs(aligned.map.to_px(nominal.vertices_mm) - wanted).max()
    assert before > 1.0
    assert after < 0.08 * before


def test_a_few_edges_taken_for_others_do_not_pull_the_plan(nominal, sampled, plane):
    features = sampled(np.zeros_like(nominal.vertices_mm), 0.01)
    wild = np.random.default_rng(2).choice(features.stretch, 12)
    features.offset_mm[np.isin(features.stretch, wild)] += 2.0
    aligned = align_plane(features, plane, nominal)
    assert np.abs(aligned.map.to_px(nominal.vertices_mm) - plane.map.to_px(nominal.vertices_mm)).max() < 0.1


def test_edges_not_seen_have_no_say(nominal, sampled, plane):
    shifted = np.tile([0.4, -0.2], (len(nominal.vertices_mm), 1))
    seen = sampled(shifted, 0.002)
    hidden = np.random.default_rng(3).random(len(seen.t)) < 0.6
    seen.offset_mm[hidden] = -3.0
    aligned = align_plane(replace(seen, trust=np.where(hidden, 0.0, 1.0)), plane, nominal)
    wanted = plane.map.to_px(nominal.vertices_mm + np.array([0.4, -0.2]))
    assert np.abs(aligned.map.to_px(nominal.vertices_mm) - wanted).max() < 0.1


def test_where_no_edge_was_found_the_plan_stays(nominal, sampled, plane):
    every = range(len(nominal.creases.ids))
    assert align_plane(sampled(np.zeros_like(nominal.vertices_mm), hidden=every), plane, nominal) is plane


def test_freedoms_of_a_homography_are_its_derivatives():
    """Against finite differences of the map that each coefficient stands for."""
    xy = np.random.default_rng(4).uniform(-60, 60, (9, 2))
    design, _ = freedoms(xy, "homography")
    step = 1e-6
    for k in range(8):
        shift = (apply_homography(homography_step(step * np.eye(8)[k], xy), xy) - xy) / step
        np.testing.assert_allclose(design[:, k], shift.ravel(), atol=1e-4)


def test_turns_of_the_freedoms_are_half_the_curl():
    """Against finite differences; a point farther out than all keeps the unit of length the same."""
    xy, far, step = np.random.default_rng(5).uniform(-60, 60, (9, 2)), np.array([[100.0, 0.0]]), 1e-4

    def shifts(dx, dy):
        return freedoms(np.concatenate([xy + np.array([dx, dy]), far]), "homography")[0][:-2]

    along_x = (shifts(step, 0) - shifts(-step, 0)) / (2 * step)
    along_y = (shifts(0, step) - shifts(0, -step)) / (2 * step)
    _, turn = freedoms(np.concatenate([xy, far]), "homography")
    np.testing.assert_allclose((along_x[1::2] - along_y[0::2]) / 2, turn[:-1], atol=1e-7)


def test_alignment_agrees_with_opencvs_fit_to_the_moved_corners(nominal, sampled, plane):
    true = np.array([[1.002, -0.003, 0.2], [0.004, 0.999, 0.1], [1e-5, 2e-5, 1]])
    aligned = align_plane(sampled(moved_by(true, nominal)), plane, nominal)
    corners = nominal.vertices_mm
    flat = apply_homography(plane.map.homography @ true, corners)
    wanted = cv2.findHomography(corners, flat)[0]
    found = apply_homography(aligned.map.homography, corners)
    assert np.abs(found - apply_homography(wanted, corners)).max() < 0.1

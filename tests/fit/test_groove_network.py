"""Networks of views with grooves: twists come out where they lie, as surely as is stated."""

from __future__ import annotations

import numpy as np
import pytest
from lit_folds import lines_of
from panels import folded_panel

from foldtrue.fit.network import solve_network
from foldtrue.fit.poses import pose_rows
from foldtrue.fit.weak import Weak
from foldtrue.frames import rotation


@pytest.fixture(scope="module")
def tiled():
    """24 triangles that tile the front: 30 grooves."""
    return folded_panel(2, 16)


@pytest.fixture(scope="module")
def stepped():
    """24 triangles with pleats between them: no groove."""
    return folded_panel(3, 24)


def solved(nominal, view, displacement, on_top=None, seed=0, noise_mm=0.005):
    lines = lines_of(nominal, view, displacement, on_top=on_top, noise_mm=noise_mm, seed=seed)
    weak = Weak(place_mm=0.12 * nominal.pitch_mm, shift_mm=0.1, kind_shift_mm=0.1, frame=0.03)
    return solve_network(lines, nominal, weak, judge_by_shape=True)


def poses(nominal, network):
    """(T, 3) x, y mm and turn deg of every twist, and their stds."""
    found, std = [], []
    for rows, twist in zip(pose_rows(nominal), nominal.twists, strict=True):
        unknown = network.unknown_of[list(twist.tips)]
        columns = np.zeros((network.size, 4))
        columns[np.stack([2 * unknown, 2 * unknown + 1], 1).ravel()] = rows.T
        found.append(rows @ network.displacement_mm[list(twist.tips)].ravel())
        std.append(np.sqrt(np.diag(columns.T @ network.factor.solve(columns))))
    scale = np.array([1.0, 1.0, np.degrees(1.0)])
    return np.array(found)[:, :3] * scale, np.array(std)[:, :3] * scale


def one_off(nominal, twist, shift_mm, turn_deg):
    """Displacement (V, 2) when one twist alone is off."""
    moved = np.zeros_like(nominal.vertices_mm)
    tips = list(nominal.twists[twist].tips)
    arm = nominal.vertices_mm[tips] - nominal.vertices_mm[tips].mean(0)
    moved[tips] = arm @ rotation(turn_deg).T - arm + shift_mm
    return moved


@pytest.mark.parametrize("view", ["front", "back"])
def test_steps_give_a_twist_that_is_off_back_with_its_sign(stepped, view):
    """Noise of 0.005 mm on 20 samples an edge leaves 0.001 mm; the rest is what the common shifts may take up."""
    found, std = poses(stepped, solved(stepped, view, one_off(stepped, 3, [0.3, -0.2], 1.0)))
    wanted = np.zeros((24, 3))
    wanted[3] = 0.3, -0.2, 1.0
    assert (np.abs(found - wanted) < 3 * std + 0.02).all()
    np.testing.assert_allclose(found[3], wanted[3], atol=0.12)


def true_poses(nominal, displacement):
    scale = np.array([1.0, 1.0, np.degrees(1.0)])
    rows = [r @ displacement[list(t.tips)].ravel() for r, t in zip(pose_rows(nominal), nominal.twists, strict=True)]
    return np.array(rows)[:, :3] * scale


def scaled_errors(nominal, view, seeds, share=0.5):
    """(N, T, 3) errors of all poses over their stated stds, every vertex 0.1 mm off, and in each groove one edge or the
    other on top, told by nobody."""
    z = []
    for seed in range(seeds):
        rng = np.random.default_rng([seed, 11])
        true = rng.normal(0, 0.1, nominal.vertices_mm.shape)
        on_top = rng.random(len(nominal.creases.ids)) < share
        found, std = poses(nominal, solved(nominal, view, true, on_top, seed))
        z.append((found - true_poses(nominal, true)) / std)
    return np.array(z)


@pytest.mark.parametrize("share", [0.0, 0.5, 1.0])
def test_whichever_edge_of_each_groove_shows_the_stated_uncertainty_holds(tiled, share):
    """Of 6 x 24 poses, some ten a piece independent, 95 % less three standard deviations of the share lie within two of
    their stated ones."""
    z = scaled_errors(tiled, "front", 6, share)
    assert np.mean(np.abs(z) < 2) >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / 60)


@pytest.mark.xfail(
    reason="vertices that lie each for itself settle few shapes of a tiled front: what is usual stays half of what "
    "counts, and 1.6 to 3 times the error is stated"
)
def test_no_more_uncertainty_is_stated_than_twice_the_error(tiled):
    z = scaled_errors(tiled, "front", 6)
    assert (np.sqrt(np.mean(z**2, (0, 1))) > 0.5).all()


@pytest.mark.parametrize("view", ["front", "back"])
def test_turns_of_stepped_pieces_are_as_unsure_as_stated(stepped, view):
    z = scaled_errors(stepped, view, 6)[:, :, 2]
    assert np.mean(np.abs(z) < 2) >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / 60)


@pytest.mark.xfail(reason="turns at a tiled back err by 1.3 to 1.8 times what is stated")
def test_turns_at_a_tiled_back_are_as_unsure_as_stated(tiled):
    z = scaled_errors(tiled, "back", 10)[:, :, 2]
    # a root mean square of 240 turns, half of them independent, is known to 6 %
    assert np.sqrt(np.mean(z**2)) < 1.2


OFF_MM = [0.45, -0.3]


@pytest.mark.parametrize("noise_mm", [0.002, 0.01, 0.03])
def test_one_twist_far_off_on_a_tiled_back_is_not_taken_for_edges_that_lie(tiled, noise_mm):
    """Its tips are its neighbours' too; six edges agree that they have moved, by far more than their noise
    (20 samples an edge)."""
    for seed in range(4):
        found, std = poses(tiled, solved(tiled, "back", one_off(tiled, 3, OFF_MM, 0.0), seed=seed, noise_mm=noise_mm))
        assert (np.abs(found[3, :2] - OFF_MM) < 3 * std[3, :2]).all()


@pytest.mark.parametrize("view", ["front", "back"])
def test_a_tiled_piece_moved_as_a_whole_is_found_moved(tiled, view):
    """No gap anywhere: every twist has moved by the rigid motion's own shift there, and turned with it."""
    turn, shift = rotation(0.2), np.array([0.1, -0.05])
    whole = tiled.vertices_mm @ turn.T + shift - tiled.vertices_mm
    planned = np.array([t.planned_mm for t in tiled.twists])
    found, _ = poses(tiled, solved(tiled, view, whole, noise_mm=1e-4))
    np.testing.assert_allclose(found[:, :2], planned @ turn.T + shift - planned, atol=0.01)
    np.testing.assert_allclose(found[:, 2], 0.2, atol=0.02)


def test_where_both_edges_of_every_groove_lie_on_one_line_it_does_not_matter_which_shows(tiled):
    """The whole piece shifted and turned: no gap anywhere."""
    whole = tiled.vertices_mm @ rotation(0.2).T + [0.1, -0.05] - tiled.vertices_mm
    top = np.random.default_rng(2).random(len(tiled.creases.ids)) < 0.5
    one, two = (poses(tiled, solved(tiled, "front", whole, t, noise_mm=1e-4))[0] for t in (top, ~top))
    np.testing.assert_allclose(one, two, atol=0.002)

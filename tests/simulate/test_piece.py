"""Errors planted on the folded vertices, and the twist poses read back from them."""

from __future__ import annotations

import numpy as np
import pytest

from foldtrue.errors import UsageError
from foldtrue.frames import Array, PlaneMap, rotation
from foldtrue.handover import Nominal, Truth
from foldtrue.simulate import Errors, Outlier, truth_poses
from foldtrue.simulate.piece import errors_applied


def drawn(nominal: Nominal, errors: Errors, seed: int = 1) -> Array:
    return errors_applied(nominal, errors, np.random.default_rng(seed))


def truth_of(vertices_mm: Array) -> Truth:
    return Truth(vertices_mm, (), PlaneMap(np.eye(3), 0.0, np.zeros(2), 1.0), {})


def poses(nominal: Nominal, errors: Errors, seed: int = 1):  # type: ignore[no-untyped-def]
    return truth_poses(nominal, truth_of(drawn(nominal, errors, seed)))


def test_no_errors_leave_the_plan(panel: Nominal) -> None:
    assert np.array_equal(drawn(panel, Errors()), panel.vertices_mm)


def test_a_rigid_motion_of_the_piece_is_every_twists_pose(panel: Nominal) -> None:
    moved = panel.vertices_mm @ rotation(1.5).T + [0.3, -0.2]
    found = truth_poses(panel, truth_of(moved))
    centres = np.array([twist.planned_mm for twist in panel.twists])
    assert found.angle_error_deg == pytest.approx(np.full(24, 1.5), abs=1e-12)
    assert found.position_error_mm == pytest.approx(centres @ rotation(1.5).T + [0.3, -0.2] - centres, abs=1e-12)
    assert found.size_error == pytest.approx(np.zeros(24), abs=1e-12)


def test_size_error_is_the_scale_of_the_polygon(panel: Nominal) -> None:
    found = truth_poses(panel, truth_of(panel.vertices_mm * 1.01))
    assert found.size_error == pytest.approx(np.full(24, 0.01))
    assert found.angle_error_deg == pytest.approx(np.zeros(24), abs=1e-12)


def test_twists_without_common_tips_move_as_drawn(open_panel: Nominal) -> None:
    outlier = Outlier(twist=open_panel.twists[7].id, x_mm=0.8, y_mm=-0.5, angle_deg=3.0)
    found = poses(open_panel, Errors(outliers=(outlier,)))
    assert found.position_error_mm[7] == pytest.approx([0.8, -0.5])
    assert found.angle_error_deg[7] == pytest.approx(3.0)
    assert np.abs(np.delete(found.angle_error_deg, 7)).max() < 1e-12


def test_a_tip_of_two_twists_moves_with_their_mean(panel: Nominal) -> None:
    first = panel.twists[0]
    shared = {v: [t for t in panel.twists if v in t.tips] for v in first.tips}
    moved = drawn(panel, Errors(outliers=(Outlier(twist=first.id, x_mm=1.0),))) - panel.vertices_mm
    assert any(len(owners) == 2 for owners in shared.values())
    for vertex, owners in shared.items():
        assert moved[vertex] == pytest.approx([1 / len(owners), 0])


def test_a_rim_vertex_moves_with_the_twist_whose_pleat_ends_on_it(open_panel: Nominal) -> None:
    border = next(t for t in open_panel.twists if t.border)
    moved = drawn(open_panel, Errors(outliers=(Outlier(twist=border.id, x_mm=0.6, y_mm=0.4),))) - open_panel.vertices_mm
    tips = {v for t in open_panel.twists for v in t.tips}
    folds = open_panel.creases.ends[open_panel.creases.kind != "R"]
    rim = [b for a, b in [*folds, *folds[:, ::-1]] if a in border.tips and b not in tips]
    assert len(rim) >= 2
    assert moved[rim] == pytest.approx(np.tile([0.6, 0.4], (len(rim), 1)))


def test_overturn_turns_each_twist_by_its_own_hand(open_panel: Nominal) -> None:
    found = poses(open_panel, Errors(overturn_deg=0.7))
    hands = np.array([twist.hand for twist in open_panel.twists])
    assert found.angle_error_deg == pytest.approx(0.7 * hands)
    assert found.position_error_mm == pytest.approx(np.zeros((24, 2)), abs=1e-12)


def test_twists_that_share_tips_hold_each_other_back_from_overturning(panel: Nominal) -> None:
    found = poses(panel, Errors(overturn_deg=0.7))
    by_hand = found.angle_error_deg * [twist.hand for twist in panel.twists]
    assert by_hand.min() > 0.1
    assert by_hand.max() < 0.7


def test_drift_grows_from_one_side_to_its_value_at_the_other(panel: Nominal) -> None:
    moved = drawn(panel, Errors(drift_mm=0.9, drift_deg=90, drift_power=2)) - panel.vertices_mm
    y = panel.vertices_mm[:, 1]
    share = (y - y.min()) / np.ptp(y)
    assert moved == pytest.approx(np.column_stack([np.zeros_like(y), 0.9 * share**2]), abs=1e-12)


def test_random_errors_have_the_spread_asked_for(open_panel: Nominal) -> None:
    errors = Errors(position_mm=0.2, angle_deg=0.4)
    found = [poses(open_panel, errors, seed) for seed in range(60)]
    position = np.array([f.position_error_mm for f in found])
    angle = np.array([f.angle_error_deg for f in found])
    # 1440 draws of an angle: 95 % of all estimates lie within 3.7 % of the true value
    assert position.std() == pytest.approx(0.2, rel=0.04)
    assert angle.std() == pytest.approx(0.4, rel=0.05)


def test_vertex_errors_move_every_vertex_alone(panel: Nominal) -> None:
    moved = drawn(panel, Errors(vertex_mm=0.1)) - panel.vertices_mm
    assert moved.std() == pytest.approx(0.1, rel=0.2)
    assert len(np.unique(moved)) == moved.size


def test_random_outliers_are_as_many_and_as_large_as_asked(open_panel: Nominal) -> None:
    found = poses(open_panel, Errors(random_outliers=3, outlier_mm=1.2, outlier_deg=2.5))
    off = np.hypot(*found.position_error_mm.T) > 1e-9
    assert off.sum() == 3
    assert np.hypot(*found.position_error_mm[off].T) == pytest.approx(np.full(3, 1.2))
    assert np.abs(found.angle_error_deg[off]) == pytest.approx(np.full(3, 2.5))


def test_an_unknown_twist_is_named_in_the_refusal(panel: Nominal) -> None:
    with pytest.raises(UsageError, match="no twist 'T999'"):
        drawn(panel, Errors(outliers=(Outlier(twist="T999"),)))

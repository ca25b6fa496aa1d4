"""What all twists do alike: a look has no zero but the mean place of its edges, so a habit that moves them all is not
seen in them, and must be as unsure as it is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from lit_folds import lines_of
from panels import folded_panel

from foldtrue.fit.network import solve_network
from foldtrue.fit.poses import pose_rows
from foldtrue.fit.weak import Weak, overturned
from foldtrue.stretches import left_normals

USUAL_MM = 0.02


@pytest.fixture(scope="module")
def stepped():
    """24 triangles with pleats between them; at the back the cells' sides alone show."""
    return folded_panel(3, 24)


def solved(nominal, lines):
    weak = Weak(
        place_mm=0.06 * nominal.pitch_mm, shift_mm=0.1, kind_shift_mm=0.1, habit_mm=0.3, frame=0.03, overturn_deg=1.0,
        apart_mm=USUAL_MM,
    )  # fmt: skip
    return solve_network(lines, nominal, weak, judge_by_shape=True)


def from_their_mean(lines):
    """Lines as looks give them: of each kind only how far each departs from the rest."""
    outward = -lines.dark * lines.offset_mm
    mean = np.bincount(lines.kind, outward) / np.maximum(np.bincount(lines.kind), 1)
    return replace(lines, offset_mm=-lines.dark * (outward - mean[lines.kind]))


def common_overturn(nominal, network):
    """Mean of hand x turn, deg, and its std."""
    rows = np.zeros(network.size)
    found = 0.0
    for row, twist in zip(pose_rows(nominal), nominal.twists, strict=True):
        unknown, share = network.unknown_of[list(twist.tips)], twist.hand / len(nominal.twists)
        rows[np.stack([2 * unknown, 2 * unknown + 1], 1).ravel()] += share * row[2]
        found += share * row[2] @ network.displacement_mm[list(twist.tips)].ravel()
    return np.degrees(found), np.degrees(np.sqrt(rows @ network.factor.solve(rows)))


def test_overturned_twists_turn_in_the_sense_of_their_hand(stepped):
    """By the unit of the field, 1 rad, and stay in their place."""
    field = overturned(stepped)
    for row, twist in zip(pose_rows(stepped), stepped.twists, strict=True):
        x, y, turn = (row @ field[list(twist.tips)].ravel())[:3]
        assert (x, y, turn) == pytest.approx((0, 0, twist.hand), abs=1e-9)


def test_a_pleat_that_runs_to_the_rim_goes_with_the_tip_it_starts_at(stepped):
    """It keeps its direction: no hand at a tip turns the pleat it holds."""
    tips = {v for t in stepped.twists for v in t.tips}
    crease = np.array(
        [c for c, (a, b) in enumerate(stepped.creases.ends)
         if (a in tips) != (b in tips) and stepped.creases.kind[c] != "R"]
    )  # fmt: skip
    across = np.einsum("ckj,cj->ck", overturned(stepped)[stepped.creases.ends[crease]], left_normals(stepped, crease))
    np.testing.assert_allclose(across[:, 0], across[:, 1], atol=1e-9)


@pytest.mark.parametrize("overturn_deg", [-0.7, 0.4, 1.2])
def test_a_common_overturn_at_a_stepped_back_is_as_unsure_as_it_is_unseen(stepped, overturn_deg):
    """Every cell's side moves by the same amount along its facing: their mean is all that an edge is measured from."""
    true = np.radians(overturn_deg) * overturned(stepped)
    found, std = common_overturn(stepped, solved(stepped, from_their_mean(lines_of(stepped, "back", true))))
    assert abs(found - overturn_deg) < 2 * std


def test_the_same_overturn_of_a_front_is_told_by_how_its_twists_sides_turn(stepped):
    true = np.radians(0.8) * overturned(stepped)
    found, std = common_overturn(stepped, solved(stepped, from_their_mean(lines_of(stepped, "front", true))))
    assert found == pytest.approx(0.8, abs=0.1)
    assert std < 0.4


def test_lines_that_hardly_anything_checks_miss_each_other_as_is_usual(stepped):
    """The sides of the cells fix their corners and little more, and meet the better for it."""
    lines = lines_of(stepped, "back", np.zeros_like(stepped.vertices_mm), noise_mm=0.005)
    assert solved(stepped, lines).misfit_mm == pytest.approx(USUAL_MM, rel=0.25)


def test_lines_that_others_check_say_themselves_how_they_miss_each_other(stepped):
    """Sides and pleats of a front that meet to 0.005 mm: what is usual counts as ten of some hundred equations."""
    lines = lines_of(stepped, "front", np.zeros_like(stepped.vertices_mm), noise_mm=0.005)
    assert solved(stepped, lines).misfit_mm < 0.5 * USUAL_MM

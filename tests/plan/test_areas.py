"""Panels and unmodelled areas: measured by their corners, nothing predicted inside."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from foldtrue.errors import PlanError
from foldtrue.plan.file import parse_plan, plan_sha256
from foldtrue.plan.fold import fold_plan

# Three twists of the first ring around one grid point of the folded frame: a triangle twice their size.
SUNK = [[0, 0], [2, -1], [1, 1]]
HEXAGON = [[1, 1], [-1, 2], [-2, 1], [-1, -1], [1, -2], [2, -1]]


@pytest.fixture
def make(plans):
    def nominal(**areas):
        return fold_plan(parse_plan(plans.honeycomb().model_dump(exclude_none=True) | areas))

    return nominal


@pytest.fixture
def plain(plans):
    return plans.folded("honeycomb L2")


def points_of(nominal, view, share=0.5):
    s = nominal.views[view]
    ends = nominal.vertices_mm[nominal.creases.ends[s.crease]]
    t = s.t0 + share * (s.t1 - s.t0)
    return ends[:, 0] + t[:, None] * (ends[:, 1] - ends[:, 0])


def depth(points, polygon):
    """Distance inside a convex counter-clockwise polygon, negative outside."""
    side = np.roll(polygon, -1, 0) - polygon
    inward = np.column_stack([-side[:, 1], side[:, 0]]) / np.hypot(*side.T)[:, None]
    return np.einsum("pkx,kx->pk", points[:, None] - polygon, inward).min(1)


def length(nominal, view):
    s = nominal.views[view]
    ends = nominal.vertices_mm[nominal.creases.ends[s.crease]]
    return float(((s.t1 - s.t0) * np.hypot(*(ends[:, 1] - ends[:, 0]).T)).sum())


@pytest.mark.parametrize("view", ["backlit", "front", "back"])
def test_nothing_is_predicted_inside_an_unmodelled_area_and_all_is_kept_outside(make, plain, view):
    nominal = make(unmodelled=[{"corners": HEXAGON}])
    area = nominal.unmodelled_mm[0]
    assert depth(points_of(plain, view), area).max() > 1
    for share in np.linspace(0, 1, 11):
        assert depth(points_of(nominal, view, share), area).max() < 1e-6
    # what lies outside, measured along many points of each stretch, is all still there
    share = (np.arange(400) + 0.5) / 400
    outside = np.mean([depth(points_of(plain, view, s), area) < 1e-6 for s in share], axis=0)
    s = plain.views[view]
    ends = plain.vertices_mm[plain.creases.ends[s.crease]]
    every = (s.t1 - s.t0) * np.hypot(*(ends[:, 1] - ends[:, 0]).T)
    assert length(nominal, view) == pytest.approx(float((every * outside).sum()), rel=2e-3)


def test_a_stretch_that_only_passes_through_keeps_its_parts_on_both_sides(make, plain):
    nominal = make(unmodelled=[{"corners": [[0.2, 0.2], [0.6, 0.2], [0.4, 0.5]]}])
    before, after = plain.views["backlit"], nominal.views["backlit"]
    assert len(after.crease) != len(before.crease)
    assert set(after.crease.tolist()) == set(before.crease.tolist())
    assert (after.t0 < after.t1).all()


def test_a_panel_is_measured_by_vertices_at_its_corners(make, plain):
    nominal = make(panels=[{"corners": SUNK, "layers": 3}])
    panel = nominal.panels[0]
    assert (panel.id, panel.kind, panel.layers) == ("panel0", "panel", 3)
    corners = nominal.vertices_mm[list(panel.tips)]
    expected = np.array([[i + j / 2, j * np.sqrt(3) / 2] for i, j in SUNK]) * nominal.pitch_mm
    assert sorted(np.round(corners, 6).tolist()) == sorted(np.round(expected, 6).tolist())
    assert panel.planned_mm == pytest.approx(expected.mean(0))
    x, y = corners.T
    assert (x * np.roll(y, -1) - y * np.roll(x, -1)).sum() > 0
    assert len(nominal.unmodelled_mm) == 1
    np.testing.assert_array_equal(nominal.vertices_mm, plain.vertices_mm)


def test_a_panel_needs_folds_that_end_at_its_corners(make):
    with pytest.raises(PlanError, match=r"panels\[0\]: no fold of the plan ends at its corner \(3, -1\)"):
        make(panels=[{"corners": [[0, 0], [3, -1], [1, 1]]}])


def test_areas_that_are_not_on_the_piece_or_not_areas_are_refused(make):
    with pytest.raises(PlanError, match=r"unmodelled\[0\] lies outside the finished piece"):
        make(unmodelled=[{"corners": [[20, 0], [22, 0], [20, 2]]}])
    for crossed in ([[0, 0], [2, 2], [2, 0], [0, 2]], [[0, 0], [1, 1], [2, 2]], [[0, 0], [0, 0], [1, 0], [0, 1]]):
        with pytest.raises(PlanError, match=r"unmodelled\[0\]: expected the corners of an area") as refusal:
            make(unmodelled=[{"corners": crossed}])
        assert "entries" not in str(refusal.value)


def test_only_turns_that_carry_the_areas_onto_each_other_leave_the_look_as_it_is(make, plain):
    assert make(unmodelled=[{"corners": HEXAGON}]).symmetry == plain.symmetry
    assert make(unmodelled=[{"corners": SUNK}]).symmetry == dict.fromkeys(plain.symmetry, (0.0,))


def test_a_plan_without_areas_is_what_it_was(plans, plain):
    assert (plain.panels, plain.unmodelled_mm) == ((), ())
    # the hash of an older plan does not change with fields it does not use
    content = plans.honeycomb().model_dump(mode="json", exclude_none=True)
    assert set(content) == {"format", "version", "name", "sheet", "grid", "twists"}
    assert len(plan_sha256(plans.honeycomb())) == 64


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(st.floats(-2.5, 2.5), st.floats(-2.5, 2.5)), min_size=3, max_size=3, unique=True))
def test_any_triangle_takes_out_what_is_inside_it(plans, corners):
    (a, b), (c, d), (e, f) = corners
    if abs((c - a) * (f - b) - (d - b) * (e - a)) < 0.05:
        return
    plan = plans.honeycomb().model_dump(exclude_none=True) | {"unmodelled": [{"corners": corners}]}
    nominal = fold_plan(parse_plan(plan))
    for view in nominal.views:
        for share in (0.01, 0.3, 0.7, 0.99):
            assert depth(points_of(nominal, view, share), nominal.unmodelled_mm[0]).max() < 1e-6

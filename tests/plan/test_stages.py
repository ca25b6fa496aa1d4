"""Half-done pieces: a part of the plan is a plan, with the ids, rings and hands of the whole."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from panels import panel_plan

from foldtrue.errors import PlanError, UsageError
from foldtrue.frames import apply_homography
from foldtrue.plan.file import parse_plan
from foldtrue.plan.fold import fold_plan
from foldtrue.plan.stages import foldable_stages, stage_of_rings, stage_of_twists

RING_1 = ("t0", "t1", "t2", "t3", "t4", "t5")


@pytest.fixture(scope="module")
def plan():
    return panel_plan()


@pytest.fixture(scope="module")
def whole(plan):
    return fold_plan(plan)


def closure_mm(nominal):
    """Largest distance of a folded vertex from where any of its facets carries it: 0 of a sheet that folds flat."""
    worst = 0.0
    for facet in nominal.facets:
        own = list(facet.vertices)
        there = apply_homography(np.vstack([facet.motion, [0, 0, 1]]), nominal.vertices_sheet_mm[own])
        worst = max(worst, float(np.abs(there - nominal.vertices_mm[own]).max()))
    return worst


@settings(max_examples=12, deadline=None)
@given(spacing=st.integers(2, 4), rings=st.integers(2, 3), first=st.sampled_from(["ccw", "cw"]), data=st.data())
def test_every_number_of_rings_folds_flat_and_keeps_the_whole_plans_ids(spacing, rings, first, data):
    content = panel_plan(spacing, 48, 480.0, rings).model_dump(mode="json", exclude_none=True)
    content["twists"]["first_hand"] = first
    plan = parse_plan(content)
    whole = fold_plan(plan)
    stage = stage_of_rings(plan, whole, data.draw(st.integers(1, rings - 1)))
    kept = [t for t in whole.twists if t.ring <= stage.rings]
    of = [(t.id, t.kind, t.hand, t.ring, t.grid) for t in stage.nominal.twists]
    assert of == [(t.id, t.kind, t.hand, t.ring, t.grid) for t in kept]
    assert [t.id for t in stage.not_made] == [t.id for t in whole.twists if t.ring > stage.rings]
    assert closure_mm(stage.nominal) < 1e-9 * 480


def test_the_paper_of_a_half_done_piece_is_the_whole_sheets(plan, whole):
    stage = stage_of_rings(plan, whole, 1)
    assert area(stage.nominal.sheet_outline_mm) == pytest.approx(area(whole.sheet_outline_mm))
    facets = sum(area(stage.nominal.vertices_sheet_mm[list(f.vertices)]) for f in stage.nominal.facets)
    assert facets == pytest.approx(area(whole.sheet_outline_mm))


def area(polygon):
    x, y = np.asarray(polygon).T
    return abs(float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))) / 2


def test_ring_1_makes_the_sheet_three_pitches_lower(plan, whole):
    """A honeycomb of R rings on a point-to-point grid is folded to the sheet's height less 3 R pitches."""
    height = np.ptp(stage_of_rings(plan, whole, 1).nominal.outline_mm[:, 0])
    assert height == pytest.approx(240 - 3 * plan.pitch_mm)


def test_the_twists_of_ring_1_lie_where_the_finished_piece_has_them(plan, whole):
    stage = stage_of_rings(plan, whole, 1)
    there = {t.id: t.planned_mm for t in whole.twists}
    assert [t.planned_mm for t in stage.nominal.twists] == [pytest.approx(there[t.id]) for t in stage.nominal.twists]


def test_all_rings_are_the_finished_piece(plan, whole):
    stage = stage_of_rings(plan, whole, 2)
    assert stage.finished
    assert stage.nominal is whole


def test_every_stage_of_a_honeycomb_is_found_the_finished_piece_last(plan, whole):
    assert [(s.rings, s.finished) for s in foldable_stages(plan, whole)] == [(1, False), (2, True)]


@pytest.mark.parametrize("more", [("t6",), ("t6", "t12", "t18"), ("t6", "t7", "t8", "t9")])
def test_part_of_a_ring_folds_flat_where_its_pleats_run_out_freely(plan, whole, more):
    stage = stage_of_twists(plan, whole, RING_1 + more)
    assert [t.id for t in stage.nominal.twists] == [*RING_1, *more]
    assert stage.rings is None
    assert closure_mm(stage.nominal) < 1e-9 * 240


def test_four_of_six_twists_do_not_lie_flat_and_the_reason_names_them(plan, whole):
    with pytest.raises(PlanError, match="t0 and t3 run into each other") as caught:
        stage_of_twists(plan, whole, ["t0", "t1", "t2", "t3"])
    assert caught.value.twists == ("t0", "t3")


@pytest.mark.parametrize("ids", [["t99"], []])
def test_twists_that_the_plan_has_not_are_refused(plan, whole, ids):
    with pytest.raises(UsageError):
        stage_of_twists(plan, whole, ids)


@pytest.mark.parametrize("rings", [0, 3])
def test_rings_that_the_plan_has_not_are_refused(plan, whole, rings):
    with pytest.raises(UsageError, match="rings are 1 to 2"):
        stage_of_rings(plan, whole, rings)


def test_a_half_done_piece_has_no_panels_and_the_plans_hash(plan):
    panel = {"corners": [[0, 0], [2, -1], [1, 1]]}
    finished = parse_plan(plan.model_dump(mode="json", exclude_none=True) | {"panels": [panel]})
    whole = fold_plan(finished)
    half = stage_of_rings(finished, whole, 1).nominal
    assert whole.panels
    assert not half.panels
    assert half.plan_sha256 == whole.plan_sha256

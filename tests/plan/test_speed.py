"""Folding a plan is done once, before anything is seen: it must not be felt. Limits are ten times what was measured."""

from __future__ import annotations

from time import process_time

import pytest

from foldtrue.plan.fold import fold_plan


@pytest.mark.parametrize(("divisions", "rings", "limit_s"), [(32, 4, 0.6), (64, 8, 2.0)], ids=["96", "384"])
def test_a_plan_folds_in_a_moment(plans, divisions, rings, limit_s):
    plan = plans.honeycomb(900, "point-to-point", divisions, 2, rings)
    fold_plan(plan)
    start = process_time()
    fold_plan(plan)
    assert process_time() - start < limit_s

"""The whole way from a photo to the touch-up list: a slip that was planted is found, told the right way round, and seen
to be gone when it is mended."""

from __future__ import annotations

import numpy as np
import pytest
from lamplight import nominal_of

from foldtrue.handover_judge import Rule
from foldtrue.judge.compare import compare_records
from foldtrue.judge.piece import judge_record
from foldtrue.judge.tolerances import default_tolerances
from foldtrue.report.result import result_record
from foldtrue.simulate import Errors, Outlier

SHIFT_MM, TURN_DEG = 1.2, 3.0
NAME, ACROSS = "t1", "t4"
"""Of the first ring, on opposite sides of the centre."""


@pytest.fixture(scope="module")
def records(inspected):
    """The piece before and after mending: t1 is shifted straight away from t4, and over-turned."""
    twist = nominal_of(3).twists[1]
    x, y = SHIFT_MM * np.array(twist.planned_mm) / np.hypot(*twist.planned_mm)
    slip = Outlier(twist=NAME, x_mm=x, y_mm=y, angle_deg=twist.hand * TURN_DEG)
    pieces = [Errors(position_mm=0.05, angle_deg=0.2, seed=5, outliers=slips) for slips in ((slip,), ())]
    return [result_record(inspected(3, "backlit", errors)[1]) for errors in pieces]


def test_a_planted_slip_heads_the_touch_up_list(records):
    found = judge_record(records[0], default_tolerances(), Rule())
    assert (found.word, found.twists[NAME]) == ("outside", "outside")
    first = found.touch_up[0]
    assert (first.id, first.towards) == (NAME, (ACROSS,))
    assert first.shift_mm == pytest.approx(SHIFT_MM, abs=0.3)
    assert first.overturn_deg == pytest.approx(TURN_DEG, abs=0.5)
    assert "over-turned" in first.words


def test_without_the_slip_the_piece_is_within(records):
    assert judge_record(records[1], default_tolerances(), Rule()).word == "within"


def test_mending_the_slip_shows(records):
    changes = compare_records(*records).changes
    assert changes[0].before.id == NAME
    own = {c.word for c in changes if c.before.id == NAME and c.before.kind in ("twist_position", "twist_angle")}
    assert own == {"better"}

"""Results whose errors are known because they were chosen: every twist as planned but those that a test moves."""

from __future__ import annotations

import math

import pytest

from foldtrue.handover_judge import Limit, Rule, Tolerances
from foldtrue.judge.piece import judge_record
from foldtrue.report.result import result_record


def place(twist, x, y, u95):
    std = u95 / math.sqrt(-2 * math.log(0.05))
    twist.update(position_error_mm=[x, y], position_u95_mm=u95, position_std_mm=std)


@pytest.fixture
def make_record(inspection):
    """make_record(moved={"t3": (x, y)}, turned={"t3": overturn}, lost=("t4",), ...) -> the record of the window panel
    (24 twists, pitch 20 mm); turns in each twist's own hand."""

    def make(moved=None, turned=None, lost=(), u95_mm=0.05, u95_deg=0.1, closure_mm=0.0, **more):
        record = result_record(inspection)
        record["fit"].update(overturn_deg=0.0)
        for twist in record["twists"]:
            hand = 1 if twist["hand"] == "ccw" else -1
            place(twist, *(moved or {}).get(twist["id"], (0.0, 0.0)), u95_mm)
            turn = hand * (turned or {}).get(twist["id"], 0.0)
            twist.update(angle_error_deg=turn, angle_relative_u95_deg=u95_deg, status="measured")
            if twist["id"] in lost:
                names = ("position_error_mm", "position_u95_mm", "position_std_mm")
                twist.update(
                    dict.fromkeys((*names, "angle_error_deg", "angle_relative_u95_deg")), status="not_measured"
                )
        for node in record["nodes"]:
            node.update(closure_rms_mm=closure_mm, closure_u95_mm=0.05)
        return {**record, **more}

    return make


def limits(position_mm=0.4, angle_deg=1.2, **others):
    """A set of limits; others: Limit by kind."""
    kinds = {"twist_position": Limit(position_mm, "mm", True), "twist_angle": Limit(angle_deg, "deg", True), **others}
    return Tolerances("test", "0" * 64, kinds, False)


@pytest.fixture
def judged():
    """judged(record, rule=..., position_mm=..., ...) -> Judgement."""

    def make(record, rule=None, **which):
        return judge_record(record, limits(**which), rule or Rule())

    return make

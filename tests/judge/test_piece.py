"""The verdict on a piece, and what would settle it."""

from __future__ import annotations

import numpy as np
import pytest
from plain_figures import scalar

from foldtrue.handover_judge import Limit, Rule
from foldtrue.judge.decision import false_decision, judge_figure
from foldtrue.judge.piece import all_within, proven_outside


def test_a_piece_as_planned_is_within(make_record, judged):
    found = judged(make_record())
    assert found.word == "within"
    assert set(found.twists.values()) == {"within"}
    assert found.all_within[0] > 0.99


def test_one_twist_far_beyond_its_limit_makes_the_piece_outside(make_record, judged):
    found = judged(make_record(moved={"t7": (0.6, 0.0)}))
    assert found.word == "outside"
    assert found.twists["t7"] == "outside"
    assert list(found.twists.values()).count("within") == 23
    assert found.all_within[1] < 0.01


def test_a_turn_counts_like_a_place(make_record, judged):
    assert judged(make_record(turned={"t7": -2.0})).twists["t7"] == "outside"


def test_a_twist_at_its_limit_leaves_the_piece_open(make_record, judged):
    found = judged(make_record(moved={"t7": (0.4, 0.0)}))
    assert found.word == "too_close"
    assert [each.figure.id for each in found.settle] == ["t7"]


def test_a_needed_figure_that_is_missing_leaves_the_piece_open(make_record, judged):
    found = judged(make_record(lost=("t4", "t9")))
    assert found.word == "not_enough_measured"
    assert found.missing == {"twist_position": 2, "twist_angle": 2}
    assert found.twists["t4"] == "not_measured"


def test_what_is_missing_does_not_hide_what_is_outside(make_record, judged):
    assert judged(make_record(moved={"t7": (0.9, 0.0)}, lost=("t4",))).word == "outside"


def test_a_limit_for_what_the_result_does_not_hold_is_not_passed_over(make_record, judged):
    # several photos combined give no pleats
    found = judged(make_record(), pleat_width=Limit(1.0, "mm", True))
    assert found.word == "not_enough_measured"
    assert judged(make_record(), pleat_width=Limit(1.0, "mm", False)).word == "within"


def test_nothing_measured_is_not_within(make_record, judged):
    lost = tuple(f"t{i}" for i in range(24))
    assert judged(make_record(lost=lost)).word == "not_enough_measured"


def test_a_relative_limit_is_one_of_the_pitch(make_record, judged):
    which = {"twist_position": Limit(0.02, "of_pitch", True)}
    found = judged(make_record(moved={"t7": (0.3, 0.0)}), **which)
    assert found.figures[0].limit == pytest.approx(0.4)
    assert found.word == "within"


def test_a_relative_limit_without_a_pitch_leaves_the_figure_open(make_record, judged):
    record = make_record()
    del record["summary"]["pitch_mm"]
    record["summary"]["position_mean_error_mm"] = None
    assert judged(record, twist_position=Limit(0.02, "of_pitch", True)).word == "not_enough_measured"


# ---- many figures


def test_one_figure_slightly_outside_among_many_is_not_proof(make_record, judged):
    # 48 figures; t7's turn lies 2.5 standard uncertainties beyond: clear by itself, not as the worst of 48
    std = 0.1 / 1.96
    found = judged(make_record(turned={"t7": 1.2 + 2.5 * std}))
    assert found.twists["t7"] == "outside"
    assert found.by_chance
    assert found.word == "too_close"
    assert judged(make_record(turned={"t7": 1.2 + 4.0 * std})).word == "outside"


def test_many_figures_at_their_limits_are_rarely_called_outside():
    # 96 figures, every one exactly at its limit, the worst that a good piece can be
    rng, rule, pieces = np.random.default_rng(3), Rule(), 300
    called = single = 0
    for _ in range(pieces):
        judged = [judge_figure(scalar(1 + 0.1 * z, 0.1), 1.0, rule) for z in rng.normal(size=96)]
        called += proven_outside(judged, rule)
        single += any(one.word == "outside" for one in judged)
    assert called / pieces <= false_decision(rule) + 3 * np.sqrt(false_decision(rule) / pieces)
    assert single / pieces > 0.9  # what the correction is there for


def test_bounds_of_the_probability_that_all_are_within():
    judged = [judge_figure(scalar(value, 0.1), 1.0, Rule()) for value in (0.9, 0.95, 0.2)]
    low, high = all_within(judged)
    chances = [one.probability for one in judged]
    assert low <= np.prod(chances) <= high == min(chances)


def test_of_nothing_measured_nothing_is_known(make_record, judged):
    assert judged(make_record(lost=tuple(f"t{i}" for i in range(24)))).all_within == (0.0, 1.0)


# ---- what would settle it


def test_the_photo_that_would_settle_it_follows_from_margin_and_uncertainty(make_record, judged):
    # std 0.051 deg: the guard band is 0.085 deg, the margin 0.06: the uncertainty must shrink to 0.71, two photos
    found = judged(make_record(turned={"t7": 1.14})).settle[0]
    assert found.smaller == pytest.approx(0.06 / (2 * 0.83 * 0.1 / 1.96), rel=1e-4)
    assert found.photos == 2


def test_a_value_at_its_limit_is_settled_by_no_photo(make_record, judged):
    found = judged(make_record(turned={"t7": 1.199})).settle[0]
    assert found.photos is None
    assert "no photo" in found.advice


def test_a_size_is_settled_by_a_surer_scale_not_by_more_photos(make_record, judged):
    record = make_record()
    record["fit"].update(scale=1.009, scale_u95=0.004)
    found = judged(record, size=Limit(1.0, "percent", False)).settle[0]
    assert found.photos is None
    assert "scale" in found.advice


def test_from_the_front_a_photo_against_the_light_comes_first(make_record, judged):
    found = judged(make_record(turned={"t7": 1.14}, view="front", side="front")).settle[0]
    assert "against the light" in found.advice

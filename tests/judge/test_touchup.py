"""The touch-up list: what is on it, in which order, in which words."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from foldtrue.handover_judge import RIM, Limit, TwistPlace
from foldtrue.judge.figures import read_figures
from foldtrue.judge.neighbours import carried_by, towards


def listed(found):
    return [entry.id for entry in found.touch_up]


def heading(degrees):
    return np.cos(np.radians(degrees)), np.sin(np.radians(degrees))


def by_id(record, name):
    return next(twist for twist in read_figures(record).twists if twist.id == name)


# ---- what is on it


def test_a_piece_as_planned_has_nothing_to_mend(make_record, judged):
    assert judged(make_record()).touch_up == ()


def test_only_errors_that_exceed_their_uncertainty_are_listed(make_record, judged):
    # 0.5 +- 0.6 mm: too close to call against 0.4 mm, but it may as well be none
    unsure = judged(make_record(moved={"t7": (0.5, 0.0)}, u95_mm=0.6))
    assert unsure.twists["t7"] == "too_close"
    assert unsure.touch_up == ()
    assert listed(judged(make_record(moved={"t7": (0.5, 0.0)}))) == ["t7"]


def test_what_is_clearly_within_is_not_listed(make_record, judged):
    assert judged(make_record(moved={"t7": (0.2, 0.0)})).touch_up == ()


def test_the_gain_is_the_drop_of_the_mean_error(make_record, judged):
    found = judged(make_record(moved={"t7": (0.6, 0.0), "t20": (0.0, 0.3)})).touch_up[0]
    noise = 2 * (0.05 / 2.4477) ** 2
    others = 0.3**2 - 23 * noise
    before = np.sqrt((0.6**2 - noise + others) / 24)
    assert found.mean_error_drop_mm == pytest.approx(before - np.sqrt(others / 24), rel=1e-3)
    assert found.limits_regained == 1


def test_a_node_is_listed_where_no_twist_around_it_is(make_record, judged):
    record = make_record(moved={"t0": (0.9, 0.0)}, closure_mm=0.3)
    found = judged(record, closure=Limit(0.2, "mm", False))
    assert found.touch_up[0].id == "t0"
    nodes = [entry for entry in found.touch_up if entry.kind == "node"]
    assert nodes
    assert not any("t0" in entry.twists for entry in nodes)
    assert "0.30 ± 0.05 mm" in nodes[0].words


# ---- the order


def test_the_greatest_gain_comes_first(make_record, judged):
    # t3, t1: both of the first ring, not joined to each other
    assert listed(judged(make_record(moved={"t1": (0.6, 0.0), "t3": (0.9, 0.0)}))) == ["t3", "t1"]


def test_what_is_outside_comes_before_what_is_too_close(make_record, judged):
    found = judged(make_record(moved={"t3": (0.41, 0.0)}, turned={"t3": 1.21, "t1": 1.5}))
    assert listed(found) == ["t1", "t3"]


def test_an_inner_twist_comes_before_the_outer_one_that_hangs_on_it(make_record, judged):
    record = make_record()
    outer, inner = next((o, next(iter(i))) for o, i in carried_by(read_figures(record)).items() if i)
    found = judged(make_record(moved={outer: (2.0, 0.0), inner: (0.6, 0.0)}))
    assert listed(found) == [inner, outer]
    assert found.touch_up[1].after == (inner,)


def test_twists_hang_on_those_they_share_a_pleat_with(make_record):
    record = make_record()
    near = carried_by(read_figures(record))
    assert all(by_id(record, inner).ring < by_id(record, outer).ring for outer, own in near.items() for inner in own)
    assert sum(map(len, near.values())) == 6  # each twist of the first ring carries one of the second
    pleats = [{"id": "p", "twists": ["t0", "t20"], "flags": [], "width_error_mm": None, "width_u95_mm": None}]
    pleats[0] |= {"parallelism_deg": None, "parallelism_u95_deg": None}
    assert carried_by(read_figures({**record, "pleats": pleats}))["t20"] == {"t0"}


# ---- the words


def test_a_shift_is_told_by_the_neighbour_to_move_towards(make_record, judged):
    # the first ring lies at 0, 60, ... degrees, 20 mm from the centre: from t0 straight to t3 is -x
    found = judged(make_record(moved={"t0": (0.6, 0.0)})).touch_up[0]
    assert found.towards == ("t3",)
    assert found.words == "t0 (ring 1): move it 0.60 ± 0.05 mm towards t3."


def test_towards_the_open_side_it_is_the_rim(make_record):
    record = make_record()
    outer = max(read_figures(record).twists, key=lambda t: np.hypot(*t.planned_mm))
    assert towards(outer, outer.planned_mm, read_figures(record)) == (RIM,)


def test_a_direction_between_two_neighbours_names_both(make_record):
    figures = read_figures(make_record())
    t0 = figures.twists[0]
    # seen from t0, the first ring's t1 to t5 lie at 120, 150, 180, 210 and 240 degrees
    rng = [name for turn in (133.0, 137.0) for name in [towards(t0, heading(turn), figures)]]
    assert rng == [("t1",), ("t2",)]
    lone = type(figures)(figures.figures, figures.twists[:1] + figures.twists[2:4], figures.joined, 20.0, "front", "")
    assert towards(t0, heading(130.0), lone) == ("t2", RIM)
    two = type(figures)(figures.figures, (t0, figures.twists[1], figures.twists[3]), figures.joined, 20.0, "front", "")
    assert towards(t0, heading(145.0), two) == ("t1", "t3")


@given(st.floats(0, 2 * np.pi))
def test_the_named_neighbour_lies_in_the_named_direction(angle):
    places = [(0.0, 0.0), *((10 * np.cos(k), 10 * np.sin(k)) for k in np.radians([0, 60, 120, 200]))]
    twists = tuple(TwistPlace(f"t{i}", 1, False, 1, place) for i, place in enumerate(places))
    figures = type("F", (), {"twists": twists})()
    names = towards(twists[0], (np.cos(angle), np.sin(angle)), figures)
    bearing = {"t1": 0, "t2": 60, "t3": 120, "t4": 200}
    off = {name: abs((bearing[name] - np.degrees(angle) + 180) % 360 - 180) for name in bearing}
    if names[0] == RIM:
        assert min(off.values()) > 60 - 1e-6
    else:
        assert off[names[0]] == pytest.approx(min(off.values()))
        assert off[names[0]] <= 60


@pytest.mark.parametrize(
    ("name", "overturn", "words"),
    [
        ("t0", 2.0, "over-turned: turn it back, clockwise, by 2.00 ± 0.10 deg"),
        ("t0", -2.0, "under-turned: turn it further, counter-clockwise, by 2.00 ± 0.10 deg"),
        ("t1", 2.0, "over-turned: turn it back, counter-clockwise, by 2.00 ± 0.10 deg"),
        ("t1", -2.0, "under-turned: turn it further, clockwise, by 2.00 ± 0.10 deg"),
    ],
)
def test_a_turn_is_told_in_the_twists_own_hand(make_record, judged, name, overturn, words):
    # t0 is a ccw twist, t1 a cw one
    found = judged(make_record(turned={name: overturn})).touch_up[0]
    assert found.overturn_deg == pytest.approx(overturn)
    assert words in found.words

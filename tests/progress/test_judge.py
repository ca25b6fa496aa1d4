"""What is said of recorded pieces: comparable figures, and verdicts that are right as often as they claim."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from recorded import START, folded, made_result, piece, sha

from foldtrue.handover_record import ALL, GroupFigures
from foldtrue.progress.judge import see_progress
from foldtrue.progress.series import ANGLE, POSITION, figure, one_of_each, repeatability, series_of
from foldtrue.record.figures import digest


def position_of(pieces):
    return see_progress(pieces, "piece").metrics[0]


# ---- comparable figures


def test_position_is_told_in_shares_of_the_pitch():
    value, _ = figure(piece(1, 0.2), POSITION)
    assert value == pytest.approx(100 * 0.2 / 20 * np.sqrt(48 / 40))  # 24 twists: 48 coordinates, 8 taken by the fit
    finer = figure(piece(1, 0.1, pitch_mm=10.0), POSITION)
    assert finer[0] == pytest.approx(value)


@pytest.mark.parametrize("twists", [9, 24, 96])
def test_few_twists_do_not_look_like_better_hands(twists):
    """Errors alike in all pieces; the best homography taken out as the fit does it: what is left is brought back to
    the same figure, however many twists there are."""
    rng = np.random.default_rng(twists)
    angle = rng.uniform(0, 2 * np.pi, twists)
    x, y = (100 * np.sqrt(rng.uniform(0, 1, twists)) * part for part in (np.cos(angle), np.sin(angle)))
    one, zero = np.ones(twists), np.zeros(twists)
    rows_x = np.stack([one, zero, x, y, zero, zero, x * x, x * y])
    rows_y = np.stack([zero, one, zero, zero, x, y, x * y, y * y])
    basis = np.linalg.qr(np.concatenate([rows_x, rows_y], 1).T)[0]
    squares = []
    for _ in range(300):
        error = rng.normal(0, 0.2, 2 * twists)
        left = error - basis @ (basis.T @ error)
        mean = float(np.sqrt(np.sum(left**2) / twists))
        groups = {ALL: GroupFigures(twists, mean, 0.0, None, None)}
        squares.append(figure(piece(1, groups=groups, planned=twists, measured=twists), POSITION)[0] ** 2)
    assert np.sqrt(np.mean(squares)) == pytest.approx(100 * 0.2 * np.sqrt(2) / 20, rel=0.04)


def test_noise_of_the_photo_is_no_worse_folding():
    """The same hands before a good and a bad camera: the mean errors, noise taken out, agree."""

    def level(noise_mm):
        values = []
        for seed in range(200):
            found = digest(made_result(seed, scatter_mm=0.2, noise_mm=noise_mm))
            values.append(found.groups[ALL].position_mm ** 2)
        return np.sqrt(np.mean(values))

    assert level(0.15) == pytest.approx(level(0.01), rel=0.03)


@pytest.mark.parametrize(
    ("more", "reason"),
    [
        ({"pitch_mm": None}, "does not tell the pitch"),
        ({"groups": {}}, "nothing of it was measured"),
        ({"groups": {ALL: GroupFigures(0, None, None, None, None)}}, "was not measured"),
        ({"groups": {ALL: GroupFigures(5, 0.1, 0.1, 0.1, 0.1)}}, "too few of its twists"),
    ],
)
def test_what_does_not_compare_is_left_out_and_why(more, reason):
    series = series_of([piece(1), piece(2, **more)], POSITION)
    assert [point.piece for point in series.points] == ["panel 1"]
    assert series.left_out[0][0] == "panel 2"
    assert reason in series.left_out[0][1]


def test_a_piece_counts_once_with_its_latest_photos_in_its_first_place():
    rows = [piece(1, 0.3), piece(2, 0.2), piece(9, 0.1, piece="panel 1")]
    each = one_of_each(rows)
    assert [(row.piece, row.number) for row in each] == [("panel 1", 9), ("panel 2", 2)]
    assert each[0].done_on == START + timedelta(days=1)


def test_pieces_recorded_later_stand_where_they_were_folded():
    early = piece(1, done_on=START, recorded_at="2026-03-01T00:00:00+00:00")
    assert [row.number for row in one_of_each([piece(2), early])] == [1, 2]


def test_repeatability_is_the_pooled_scatter_of_several_photos():
    rows = [piece(1, 0.20), piece(2, 0.22, piece="panel 1"), piece(3, 0.30), piece(4, 0.26, piece="panel 3"), piece(5)]
    repeats = repeatability(rows, POSITION)
    factor = 100 / 20 * np.sqrt(48 / 40)
    assert repeats.freedoms == 2
    assert repeats.std == pytest.approx(factor * np.sqrt((2 * 0.01**2 + 2 * 0.02**2) / 2))


def test_the_same_photo_measured_again_repeats_nothing():
    again = piece(2, piece="panel 1", photos=piece(1).photos)
    assert repeatability([piece(1), again], ANGLE) is None


def test_another_ring_of_the_same_piece_repeats_nothing():
    assert repeatability([piece(1, planned=6), piece(2, piece="panel 1", planned=24)], ANGLE) is None


# ---- verdicts


def test_a_clear_change_is_told():
    found = position_of(folded(1, 20, fall=0.6)).finding
    assert found.verdict == "better"
    assert found.low <= found.per_ten <= found.high < 0
    assert position_of(folded(1, 20, fall=-1.0)).finding.verdict == "worse"


@pytest.mark.parametrize("count", [0, 1, 2, 3, 4])
def test_four_pieces_never_say_anything(count):
    pieces = [piece(k, 0.4 / 3**k) for k in range(count)]
    finding = position_of(pieces).finding
    assert finding.verdict == "not_enough_pieces"
    assert finding.smallest_p > 0.05


def test_five_of_one_plan_can_but_five_of_two_plans_cannot():
    pieces = [piece(k, 0.4 / 2**k) for k in range(5)]
    assert position_of(pieces).finding.verdict == "better"
    of_two = [replace(row, plan="stair light", plan_sha256=sha("s")) if k > 2 else row for k, row in enumerate(pieces)]
    assert position_of(of_two).finding.verdict == "not_enough_pieces"


def test_without_a_change_and_with_little_scatter_it_is_steady():
    assert position_of(folded(3, 30, spread=0.1)).finding.verdict == "steady"


def test_without_a_change_and_with_much_scatter_nothing_is_said():
    assert position_of(folded(4, 8, spread=0.5)).finding.verdict == "not_enough_pieces"


def test_hands_that_stay_the_same_are_seldom_said_to_change():
    """400 years of twenty pieces without any trend: at most 5 % are told one, within what chance allows."""
    told = [position_of(folded(seed, 20)).finding.verdict in ("better", "worse") for seed in range(400)]
    assert 0.01 < np.mean(told) < 0.08  # 5 %, binomial standard deviation 1.1 %


def test_the_interval_holds_the_true_change():
    """Linear change with independent scatter: the 95 % interval holds it in 93 to 97.5 % of 400 series."""
    held = []
    for seed in range(400):
        rng = np.random.default_rng(seed)
        values = 0.3 - 0.005 * np.arange(15) + rng.normal(0, 0.03, 15)
        finding = position_of([piece(k, value) for k, value in enumerate(values.tolist())]).finding
        true = -0.05 * 100 / 20 * np.sqrt(48 / 40)
        held.append(finding.low <= true <= finding.high)
    assert 0.93 <= np.mean(held) <= 0.985


def test_a_harder_plan_is_no_worse_folding():
    easy = folded(5, 10)
    hard = [replace(row, number=row.number + 100, piece=f"hard {row.number}", done_on=row.done_on + timedelta(days=99))
            for row in folded(6, 10, plan="stair light (invented)")]  # fmt: skip
    hard = [
        replace(row, groups={ALL: replace(row.groups[ALL], position_mm=3 * row.groups[ALL].position_mm)})
        for row in hard
    ]
    assert position_of([*easy, *hard]).finding.verdict != "worse"


def test_another_stage_is_left_aside():
    rows = [*folded(1, 6), *(replace(row, stage="ring") for row in folded(2, 3))]
    assert see_progress(rows, "ring").pieces == 3


# ---- charts and breakdown


def test_control_charts_need_eight_pieces_of_one_plan_by_one_person():
    seven = folded(1, 7)
    assert position_of(seven).charts == ()
    pieces = [*folded(1, 16, folder="heron"), *(replace(row, piece=f"w{row.number}", folder="wren") for row in seven)]
    (chart,) = position_of(pieces).charts
    assert (chart.folder, len(chart.points)) == ("heron", 16)


def test_a_slip_lies_outside_the_limits():
    pieces = [*folded(7, 20, spread=0.1), piece(21, 0.9)]
    (chart,) = position_of(pieces).charts
    assert chart.outside == ("panel 21",)


def test_the_measurement_can_be_most_of_the_scatter():
    wide = [
        replace(row, groups={ALL: replace(row.groups[ALL], position_u95_mm=0.2)}) for row in folded(1, 12, spread=0.2)
    ]
    assert position_of(wide).charts[0].measurement_share > 0.5
    assert position_of(folded(1, 12, spread=0.4)).charts[0].measurement_share < 0.2


def test_the_breakdown_has_groups_papers_plans_and_people():
    groups = {ALL: GroupFigures(24, 0.2, 0.02, 0.4, 0.03), "ring 1": GroupFigures(6, 0.1, 0.02, 0.4, 0.03)}
    rows = [
        piece(k, groups=groups, paper="kozo" if k % 2 else None, folder="heron" if k % 3 else "wren") for k in range(12)
    ]
    found = [(row.kind, row.name, row.finding.pieces) for row in position_of(rows).breakdown]
    assert found == [
        ("within the piece", "ring 1", 12),
        ("paper", "not said", 6),
        ("paper", "kozo", 6),
        ("folder", "wren", 4),
        ("folder", "heron", 8),
    ]


def test_p_values_of_a_breakdown_are_adjusted_for_their_number():
    rows = folded(2, 12, fall=0.25)
    single = position_of(rows).finding
    many = [replace(row, groups={f"g{k}": row.groups[ALL] for k in range(5)} | row.groups) for row in rows]
    for row in position_of(many).breakdown:
        assert row.finding.p_value == pytest.approx(min(1.0, 5 * single.p_value))

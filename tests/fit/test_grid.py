"""The frame of a sheet and its lines' errors, from made-up scans whose truth is known exactly."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sheets import scan_of, sides_of, small_grid

from foldtrue.errors import NotThisPiece
from foldtrue.fit.grid import fit_grid
from foldtrue.fit.grid_cause import judge_grid
from foldtrue.fit.grid_folding import forecast_folding
from foldtrue.frames import PlaneMap, warp_design

GRID = small_grid()
PLANE = PlaneMap(np.array([[6.0, 0, 600], [0, -6.0, 450], [0, 0, 1]]), 0.0, np.array([599.5, 449.5]), 900.0)
COUNT = len(GRID.number)


def lines(seed=1, offset=0.02, angle=0.01):
    rng = np.random.default_rng(seed)
    return offset * rng.standard_normal(COUNT), angle * rng.standard_normal(COUNT)


def without_similarity(offset, angle):
    design = np.stack([*GRID.normals.T, GRID.offset_mm], 1)
    return offset - design @ np.linalg.lstsq(design, offset, rcond=None)[0], angle - angle.mean()


def test_random_errors_come_back_as_they_are_but_for_a_similarity():
    offset, angle = lines()
    fit = fit_grid(GRID, scan_of(GRID, PLANE, offset, angle), sides_of(GRID))
    true = without_similarity(offset, angle)
    assert np.sqrt(np.mean((fit.offset_error_mm - true[0]) ** 2)) < 0.01
    assert np.sqrt(np.mean((fit.angle_error_deg - true[1]) ** 2)) < 0.01
    assert fit.effects == ()


def test_a_similarity_of_the_sheet_changes_nothing():
    offset, angle = lines()
    moved = offset + GRID.normals @ [0.4, -0.3] + 0.003 * GRID.offset_mm
    sides = sides_of(GRID)
    normal = np.stack([np.cos(np.deg2rad(sides.normal_deg)), np.sin(np.deg2rad(sides.normal_deg))], 1)
    with_it = replace(
        sides, offset_error_mm=normal @ [0.4, -0.3] + 0.003 * sides.planned_mm, angle_error_deg=0.2 + 0 * sides.half_mm
    )
    plain = fit_grid(GRID, scan_of(GRID, PLANE, offset, angle), sides)
    other = fit_grid(GRID, scan_of(GRID, PLANE, moved, angle + 0.2), with_it)
    assert np.abs(plain.offset_error_mm - other.offset_error_mm).max() < 2e-3
    assert np.abs(plain.angle_error_deg - other.angle_error_deg).max() < 2e-3


@settings(max_examples=15, deadline=None)
@given(st.lists(st.floats(-0.3, 0.3), min_size=8, max_size=8))
def test_the_perspective_of_the_photo_is_taken_out(terms):
    """A perspective moves lines and sides alike; what is left are the lines' own errors."""
    offset, angle = lines(offset=0.0, angle=0.0)
    size = float(np.abs(GRID.outline_mm).max())

    def figures(normals, places, half):
        along = np.stack([-normals[:, 1], normals[:, 0]], 1)
        low, high = (
            warp_design(places[:, None] * normals + s * half[:, None] * along, normals, size) @ terms for s in (-1, 1)
        )
        return (low + high) / 2, np.degrees((low - high) / (2 * half))

    half = 0.5 * (GRID.high_mm - GRID.low_mm)
    sides = sides_of(GRID)
    normal = np.stack([np.cos(np.deg2rad(sides.normal_deg)), np.sin(np.deg2rad(sides.normal_deg))], 1)
    moved, turned = figures(GRID.normals, GRID.offset_mm, half)
    side, side_turn = figures(normal, sides.planned_mm, sides.half_mm)
    seen = replace(sides, offset_error_mm=side, angle_error_deg=side_turn)
    fit = fit_grid(GRID, scan_of(GRID, PLANE, offset + moved, angle + turned), seen)
    assert np.abs(fit.offset_error_mm).max() < 0.02
    assert np.abs(fit.angle_error_deg).max() < 0.03


@pytest.mark.parametrize("family", [0, 1, 2])
@pytest.mark.parametrize("end", [-1, 1])
def test_a_drift_is_named_with_its_direction_and_start(family, end):
    offset, angle = lines()
    own = GRID.family == family
    number = GRID.number[own]
    start = number.min() if end == -1 else number.max()
    offset[own] += 0.8 * np.abs(number - start) / np.ptp(number)
    effect = fit_grid(GRID, scan_of(GRID, PLANE, offset, angle), sides_of(GRID)).effects[0]
    assert (effect.code, effect.family, effect.end) == ("cumulative_drift", family, end)
    assert effect.size == pytest.approx(0.8, abs=3 * effect.std)


@pytest.mark.parametrize("family", [0, 1, 2])
def test_a_turned_direction_is_named(family):
    offset, angle = lines()
    angle[GRID.family == family] -= 0.3
    effect = fit_grid(GRID, scan_of(GRID, PLANE, offset, angle), sides_of(GRID)).effects[0]
    assert (effect.code, effect.family) == ("direction_turned", family)
    assert effect.size == pytest.approx(-0.3, abs=3 * effect.std)


@pytest.mark.parametrize("side", range(6))
def test_a_side_cut_off_is_named(side):
    offset, angle = lines()
    cut = np.zeros(6)
    cut[side] = -0.9
    fit = fit_grid(GRID, scan_of(GRID, PLANE, offset, angle), sides_of(GRID, cut))
    assert (fit.effects[0].code, fit.effects[0].side) == ("sheet_out_of_true", side)
    assert fit.sides.offset_error_mm[side] == pytest.approx(-0.9, abs=0.1)


@pytest.mark.parametrize("scatter", [0.02, 0.15])
def test_random_errors_are_never_taken_for_a_system(scatter):
    for seed in range(8):
        offset, angle = lines(seed, scatter, 0.5 * scatter)
        assert fit_grid(GRID, scan_of(GRID, PLANE, offset, angle), sides_of(GRID)).effects == ()


def test_stated_intervals_hold_the_truth():
    held = []
    for seed in range(16):
        rng = np.random.default_rng(100 + seed)
        offset, angle = lines(seed, 0.03, 0.015)
        seen = offset + 0.01 * rng.standard_normal(COUNT), angle + 0.008 * rng.standard_normal(COUNT)
        fit = fit_grid(GRID, scan_of(GRID, PLANE, *seen, 0.01, 0.008), sides_of(GRID, 0.03 * rng.standard_normal(6)))
        held.append(np.abs(fit.offset_error_mm - without_similarity(offset, angle)[0]) <= fit.offset_u95_mm)
    assert 0.93 <= np.mean(held) <= 0.99


def test_a_line_that_does_not_show_is_missing_only_where_it_would_have_been_seen():
    offset, angle = lines()
    found = np.ones(COUNT, bool)
    found[[20, 25]] = False
    scan = scan_of(GRID, PLANE, offset, angle, found=found)
    evidence, contrast, noise = scan.evidence.copy(), scan.contrast.copy(), scan.contrast_std.copy()
    evidence[[20, 25]], contrast[[20, 25]] = 1.0, 0.002
    noise[25] = 0.05  # so much that a crease would not stand out there
    scan = replace(scan, evidence=evidence, contrast=contrast, contrast_std=noise)
    fit = fit_grid(GRID, scan, sides_of(GRID))
    assert (fit.status[20], fit.status[25]) == ("missing", "not_measured")
    assert fit.reason[25]
    assert np.isnan(fit.offset_error_mm[[20, 25]]).all()


def test_a_faint_mark_far_from_the_line_is_not_the_line():
    offset, angle = lines()
    offset[20] = 0.7
    scan = scan_of(GRID, PLANE, offset, angle)
    faint = replace(scan, evidence=np.where(np.arange(COUNT) == 20, 5.0, 30.0))
    assert fit_grid(GRID, faint, sides_of(GRID)).status[20] == "not_measured"
    assert fit_grid(GRID, scan, sides_of(GRID)).status[20] == "measured"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"found": np.zeros(COUNT, bool)}, "no grid"),
        ({"found": np.arange(COUNT) % 3 == 0}, "Only 15 of the plan's 45"),
        ({"decoys": np.full(COUNT, 9.0)}, "finer"),
        ({"turncoats": 0.04}, "folded paper"),
    ],
)
def test_what_is_not_this_grid_is_refused_with_the_reason(change, said):
    scan = replace(scan_of(GRID, PLANE, *lines()), **change)
    with pytest.raises(NotThisPiece, match=said):
        fit_grid(GRID, scan, sides_of(GRID))


def judged(nominal_of, offset, angle):
    fit = fit_grid(GRID, scan_of(GRID, PLANE, offset, angle), sides_of(GRID))
    return judge_grid(GRID, fit, forecast_folding(nominal_of, GRID, fit), nominal_of.pitch_mm)


def test_the_cause_is_put_into_words_and_judged_by_the_folded_twists():
    from panels import folded_panel

    nominal = folded_panel(2, 16, 120.0, 1)
    clean = judged(nominal, *lines())
    assert (clean.code, clean.verdict) == ("none", "within")
    assert judged(nominal, *lines(offset=0.15, angle=0.08)).code == "random_line_errors"
    offset, angle = lines()
    angle[GRID.family == 0] += 3.0
    turned = judged(nominal, offset, angle)
    assert (turned.code, turned.verdict) == ("direction_turned", "outside")
    assert "30 deg" in turned.sentence

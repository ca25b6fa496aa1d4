"""Half-done pieces: the stage is told or declined, and the twists that exist are measured within their uncertainty."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from panels import panel_plan

from foldtrue.errors import NotThisPiece, PhotoTooPoor, PlanError, UsageError
from foldtrue.frames import apply_homography
from foldtrue.inspection import InspectOptions, inspect_photo
from foldtrue.inspection_ring import RingOptions, half_done, inspect_ring
from foldtrue.photo import read_photo
from foldtrue.plan.fold import fold_plan
from foldtrue.plan.stages import stage_of_rings, stage_of_twists
from foldtrue.report.result import result_record
from foldtrue.report.ring import ring_text
from foldtrue.simulate import Camera, Errors, Paper, Scene, simulate_photo
from foldtrue.simulate.half_done import half_done_scene

PART = ("t0", "t1", "t2", "t3", "t4", "t5", "t6", "t12", "t18")
ERRORS = Errors(position_mm=0.2, angle_deg=0.4, vertex_mm=0.02)


@pytest.fixture(scope="module")
def shoot(tmp_path_factory):
    """shoot(stage, view, seed) -> (path, stage, truth): stage a number of rings, or the ids of twists."""
    folder, plan = tmp_path_factory.mktemp("ring"), panel_plan()
    whole = fold_plan(plan)

    @cache
    def make(stage=1, view="backlit", seed=1):
        folded = stage_of_rings(plan, whole, stage) if isinstance(stage, int) else stage_of_twists(plan, whole, stage)
        camera = Camera(width_px=1264, height_px=948, focal_35mm=50.0, fill=0.75, tilt_deg=4.0, roll_deg=5.0)
        scene = Scene(seed=seed, view=view, errors=ERRORS, camera=camera, paper=Paper(formation=0.01))
        made = simulate_photo(folded.nominal, half_done_scene(scene))
        path = folder / f"{view}{seed}{folded.name[:20]}.jpg"
        path.write_bytes(made.jpeg)
        return path, folded, made.truth

    return make


@pytest.fixture(scope="module")
def measured(shoot):
    """The measured half-done piece; each is measured once."""

    @cache
    def run(stage=1, view="backlit", seed=1, rings=None, twists=None):
        path, folded, truth = shoot(stage, view, seed)
        options = InspectOptions(view=view, side="front" if view == "backlit" else None)
        return inspect_ring(path, panel_plan(), RingOptions(rings=rings, twists=twists), options), folded, truth

    return run


def angle_misses(inspection, folded, truth):
    """Turn of every twist less its true one, the common overturn taken out of both, and the stated limit; deg."""
    fit, nominal = inspection.fit, folded.nominal
    back = np.linalg.inv(fit.map.homography)
    hand = np.array([t.hand for t in nominal.twists])
    turns = []
    for twist, px in zip(nominal.twists, truth.tips_px, strict=True):
        plan, true = nominal.vertices_mm[list(twist.tips)], apply_homography(back, fit.map.undistort(px))
        p, q = (z - z.mean() for z in (plan @ [1, 1j], true @ [1, 1j]))
        turns.append(np.degrees(np.angle(np.sum(p.conj() * q))))
    found, true = fit.angle_error_deg, np.array(turns)
    miss = found - true
    return miss - hand * np.mean(hand * miss), 1.96 * fit.angle_std_deg


@pytest.mark.parametrize(("view", "seed"), [("backlit", 1), ("backlit", 2), ("front", 1), ("back", 1)])
def test_the_first_ring_is_told_and_its_turns_lie_within_their_uncertainty(measured, view, seed):
    inspection, folded, truth = measured(1, view, seed)
    assert (inspection.progress.name, inspection.plane.view) == ("ring 1", view)
    assert inspection.fit.measured.all()
    miss, limit = angle_misses(inspection, folded, truth)
    assert np.mean(np.abs(miss) <= 1.5 * limit) >= 0.8  # six correlated turns: 95 % of photos, not of twists


def test_twists_not_made_yet_are_told_apart_and_have_no_figures(measured):
    inspection, _, _ = measured()
    record = result_record(inspection)
    status = {row["id"]: row["status"] for row in record["twists"]}
    assert status == {f"t{k}": "measured" if k < 6 else "not_made" for k in range(24)}
    assert all(row["position_error_mm"] is None for row in record["twists"] if row["status"] == "not_made")
    assert (record["summary"]["measured"], record["summary"]["not_made"]) == (6, 18)
    assert record["progress"]["stage"] == "ring 1"
    assert not record["progress"]["finished"]


def test_the_report_says_what_is_folded_and_what_to_put_right_first(measured):
    inspection, folded, _ = measured()
    text = ring_text(result_record(inspection), folded.nominal)
    assert "Half-done piece, as the picture shows: ring 1 folded" in text
    assert "18 twists not made yet" in text
    assert "Before you build on it" in text
    assert "takes up a third or more of their errors" in text
    table = text.split("twist  ring")[1].split("Before")[0]
    assert "t6" not in table


def test_a_finished_piece_is_measured_whole_and_said_to_be_finished(measured):
    inspection, folded, _ = measured(2)
    record = result_record(inspection)
    assert record["progress"]["finished"]
    assert record["summary"]["measured"] == 24
    assert "The piece is finished" in ring_text(record, folded.nominal)


def test_named_twists_are_measured_though_they_are_no_whole_ring(measured):
    inspection, _, _ = measured(PART, twists=PART)
    status = {t["id"]: t["status"] for t in result_record(inspection)["twists"]}
    assert [name for name, word in status.items() if word == "measured"] == list(PART)


def test_part_of_a_ring_is_not_taken_for_a_whole_one(measured):
    with pytest.raises(NotThisPiece):
        measured(PART)


def test_another_stage_than_was_said_is_refused(measured):
    with pytest.raises(NotThisPiece, match="does not show ring 1 folded"):
        measured(2, rings=1)


def test_twists_that_do_not_lie_flat_are_refused_with_the_reason(measured):
    with pytest.raises(PlanError, match="does not lie flat"):
        measured(1, twists=("t0", "t1", "t2", "t3"))


def test_too_few_twists_are_refused_with_the_number_needed(shoot):
    few = ("t0", "t1", "t2")
    path, _, _ = shoot(few)
    with pytest.raises(PhotoTooPoor, match="3 twists are too few"):
        inspect_ring(path, panel_plan(), RingOptions(twists=few), InspectOptions(view="backlit"))


def test_rings_and_twists_at_once_are_refused():
    with pytest.raises(UsageError):
        RingOptions(rings=1, twists=("t0",))


def test_piece_refuses_a_half_done_piece_and_knows_what_it_is(shoot):
    path, _, _ = shoot()
    options = InspectOptions(view="backlit", side="front")
    with pytest.raises(NotThisPiece):
        inspect_photo(path, panel_plan(), options)
    assert half_done(read_photo(path), panel_plan(), options) == "ring 1"


def test_another_plans_piece_is_not_called_half_done(shoot):
    path, _, _ = shoot(2)
    assert half_done(read_photo(path), panel_plan(3, 24), InspectOptions(view="backlit")) is None

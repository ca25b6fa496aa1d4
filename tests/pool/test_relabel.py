"""A measurement told on another orientation of the plan: the same places in the photo under other names."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from panels import folded_panel

from foldtrue.alignment import freedoms
from foldtrue.frames import PlaneMap, rotation
from foldtrue.handover_figures import Budget, Form
from foldtrue.pool.relabel import mirrored_turn, motions_alike, relabel_fit, relabel_inspection, relabelling
from foldtrue.report.result import result_record
from foldtrue.stretches import left_normals

TURNS = st.sampled_from([0.0, 60.0, 120.0, 180.0, 240.0, 300.0])
PERIODS = [0.0, 120.0, 240.0]


def motion_of(turn, mirror):
    return mirrored_turn(turn) if mirror else rotation(turn)


MOTIONS = st.builds(motion_of, TURNS, st.booleans())
SEEDS = st.integers(0, 10**6)


def measured_like(fit, nominal, seed):
    """The fit with every figure that of one random displacement of the vertices, so that all of it hangs together."""
    rng = np.random.default_rng(seed)
    moved = rng.normal(0, 0.1, nominal.vertices_mm.shape)
    poses = rng.normal(0, [0.1, 0.1, 0.5], (len(nominal.twists), 3))
    mix = rng.normal(size=(poses.size, poses.size))
    cov = mix @ mix.T
    blocks = cov.reshape(len(poses), 3, len(poses), 3)[np.arange(len(poses)), :, np.arange(len(poses)), :]
    offset, angle = edge_figures(nominal, moved)
    hand = np.array([t.hand for t in nominal.twists])
    return replace(
        fit,
        vertices_mm=nominal.vertices_mm + moved,
        vertex_measured=np.ones(len(moved), bool),
        position_error_mm=poses[:, :2],
        position_cov_mm2=blocks[:, :2, :2],
        angle_error_deg=poses[:, 2],
        measured=np.ones(len(poses), bool),
        overturn_deg=float(np.mean(hand * poses[:, 2])),
        centre_px=fit.map.to_px(np.array([t.planned_mm for t in nominal.twists]) + poses[:, :2]),
        tips_px=tuple(fit.map.to_px(nominal.vertices_mm[list(t.tips)]) for t in nominal.twists),
        edge_offset_mm=offset,
        edge_angle_deg=angle,
        twist_cov=cov,
        noise_cov=0.5 * cov,
    )


def edge_figures(nominal, moved):
    """Offset and angle of every crease by the definitions of docs/conventions.md, for small displacements."""
    ends = nominal.creases.ends
    normal = left_normals(nominal, np.arange(len(ends)))
    off = np.sum(moved[ends] * normal[:, None], 2)
    length = np.hypot(*(nominal.vertices_mm[ends[:, 1]] - nominal.vertices_mm[ends[:, 0]]).T)
    return off.mean(1), np.degrees((off[:, 1] - off[:, 0]) / length)


@pytest.fixture(scope="module")
def plan():
    return folded_panel(2, 16)


@pytest.fixture
def fit_of(inspection, plan):
    return lambda seed: measured_like(inspection.fit, plan, seed)


def same(one, other):
    for field in fields(one):
        a, b = getattr(one, field.name), getattr(other, field.name)
        if isinstance(a, PlaneMap):
            a, b = a.homography, b.homography
        for x, y in zip(a, b, strict=True) if isinstance(a, tuple) and field.name == "tips_px" else [(a, b)]:
            if isinstance(x, tuple | str) or x is None:
                assert x == y
            else:
                np.testing.assert_allclose(x, y, atol=1e-9, err_msg=field.name)


# the fixture is read only, so that one serves all examples
shared = settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@shared
@given(motion=MOTIONS, seed=SEEDS)
def test_there_and_back_is_the_same_measurement(fit_of, plan, motion, seed):
    """Only for motions of the whole sheet: others lose what has no place."""
    by = relabelling(plan, motion)
    fit = fit_of(seed)
    if (by.vertices >= 0).all():
        same(relabel_fit(relabel_fit(fit, plan, by), plan, relabelling(plan, motion.T)), fit)


@shared
@given(first=MOTIONS, second=MOTIONS, seed=SEEDS)
def test_two_motions_are_their_product(fit_of, plan, first, second, seed):
    fit = fit_of(seed)
    whole = [relabelling(plan, m) for m in (first, second, second @ first)]
    if all((by.vertices >= 0).all() for by in whole):
        same(relabel_fit(relabel_fit(fit, plan, whole[0]), plan, whole[1]), relabel_fit(fit, plan, whole[2]))


@shared
@given(motion=MOTIONS, seed=SEEDS)
def test_what_is_seen_in_the_photo_stays_where_it_is(fit_of, plan, motion, seed):
    """A twist's planned place and its error, carried into the photo, give the same px under the new name."""
    fit, by = fit_of(seed), relabelling(plan, motion)
    new = relabel_fit(fit, plan, by)
    planned = np.array([t.planned_mm for t in plan.twists])
    np.testing.assert_allclose(new.map.to_px(planned)[by.twists], fit.map.to_px(planned), atol=1e-6)
    np.testing.assert_allclose(new.map.to_px(planned + new.position_error_mm), new.centre_px, atol=1e-6)
    for k, twist in enumerate(plan.twists):
        np.testing.assert_allclose(new.tips_px[k], new.map.to_px(plan.vertices_mm[list(twist.tips)]), atol=1e-6)


@shared
@given(motion=MOTIONS, seed=SEEDS)
def test_edges_are_what_the_new_vertices_say(fit_of, plan, motion, seed):
    by = relabelling(plan, motion)
    new = relabel_fit(fit_of(seed), plan, by)
    offset, angle = edge_figures(plan, new.vertices_mm - plan.vertices_mm)
    known = np.isfinite(new.edge_offset_mm)
    assert known.sum() == np.sum(by.creases >= 0)
    np.testing.assert_allclose(new.edge_offset_mm[known], offset[known], atol=1e-9)
    np.testing.assert_allclose(new.edge_angle_deg[known], angle[known], atol=1e-9)


@pytest.mark.parametrize("motion", [rotation(120.0), rotation(60.0), mirrored_turn(0.0)])
def test_the_form_is_that_of_the_new_places(fit_of, plan, motion):
    """Planted as errors and told by least squares, before and after."""
    planned = np.array([t.planned_mm for t in plan.twists])
    reach = float(np.abs(planned).max())
    design = freedoms(planned, "homography")[0]
    figures = np.array([0.01, -0.006, 0.004, 0.008])
    error = (design[:, 4:] @ figures * reach / 2).reshape(-1, 2)
    fit = replace(fit_of(2), position_error_mm=error, form=Form(figures, np.diag(figures**2)))
    new = relabel_fit(fit, plan, relabelling(plan, motion))
    told = np.linalg.lstsq(design, new.position_error_mm.ravel(), rcond=None)[0][4:] * 2 / reach
    np.testing.assert_allclose(new.form.figures, told, atol=1e-9)
    assert np.trace(new.form.cov) == pytest.approx(np.sum(figures**2))


def test_in_a_mere_look_alike_the_tips_have_no_place(fit_of, plan):
    """A twist of the other hand folds other points of the sheet to the same corners."""
    new = relabel_fit(fit_of(5), plan, relabelling(plan, rotation(60.0)))
    assert not new.vertex_measured[[v for t in plan.twists for v in t.tips]].any()
    assert np.isnan(new.edge_offset_mm).all()
    assert new.measured.all()


@shared
@given(motion=MOTIONS, seed=SEEDS)
def test_the_covariance_of_each_twist_is_its_part_of_the_whole(fit_of, plan, motion, seed):
    new = relabel_fit(fit_of(seed), plan, relabelling(plan, motion))
    count = np.arange(len(plan.twists))
    blocks = new.twist_cov.reshape(len(count), 3, len(count), 3)[count, :, count, :]
    np.testing.assert_allclose(blocks[:, :2, :2], new.position_cov_mm2, atol=1e-9)
    np.testing.assert_allclose(2 * new.noise_cov, new.twist_cov, atol=1e-9)


@pytest.mark.parametrize(
    ("motion", "hands", "overturn"),
    [(rotation(120.0), 1, 1), (rotation(60.0), -1, -1), (mirrored_turn(0.0), -1, 1)],
    ids=["a period of the plan", "a look alike", "seen from the other side"],
)
def test_hands_and_overturn_follow_the_plan(fit_of, plan, motion, hands, overturn):
    by, fit = relabelling(plan, motion), fit_of(3)
    hand = np.array([t.hand for t in plan.twists])
    assert (hand[by.twists] == hands * hand).all()
    assert relabel_fit(fit, plan, by).overturn_deg == pytest.approx(overturn * fit.overturn_deg)


def test_an_error_turns_with_the_plan(fit_of, plan):
    """t0 lies on the +x axis; a turn by 60 deg makes it t1, and an error outward stays outward."""
    fit = fit_of(4)
    outward = replace(fit, position_error_mm=np.zeros_like(fit.position_error_mm))
    outward.position_error_mm[0] = [0.5, 0.0]
    new = relabel_fit(outward, plan, relabelling(plan, rotation(60.0)))
    assert new.position_error_mm[1] == pytest.approx([0.25, 0.433], abs=1e-3)


def test_the_terms_of_a_budget_turn_with_the_plan_and_still_add_up(fit_of, plan):
    fit = fit_of(3)
    half = 0.5 * fit.position_cov_mm2, 0.5 * fit.angle_std_deg**2
    parts = Budget(np.stack([half[0]] * 2), np.stack([half[1]] * 2), np.full(2, 0.1))
    moved = relabel_fit(replace(fit, budget=parts), plan, relabelling(plan, mirrored_turn(60.0)))
    np.testing.assert_allclose(moved.budget.position_cov_mm2.sum(0), moved.position_cov_mm2)
    np.testing.assert_allclose(moved.budget.turn_var_deg2.sum(0), moved.angle_std_deg**2)


@pytest.mark.parametrize("spacing", [2, 3])
@pytest.mark.parametrize("turn", PERIODS)
def test_a_period_of_the_plan_carries_every_vertex_and_crease(spacing, turn):
    nominal = folded_panel(spacing, {2: 16, 3: 24}[spacing])
    by = relabelling(nominal, rotation(turn))
    for carried in (by.twists, by.vertices, by.creases):
        assert sorted(carried) == list(range(len(carried)))
    assert (nominal.creases.kind[by.creases] == nominal.creases.kind).all()


def test_a_turn_that_carries_twists_nowhere_is_none(plan):
    assert relabelling(plan, rotation(30.0)) is None


@pytest.mark.parametrize(
    ("view", "assumed", "turns", "mirrors"),
    [
        ("front", (), 6, 0),
        ("back", (), 3, 0),
        ("back", ("turn_assumed",), 6, 0),
        ("backlit", (), 3, 0),
        ("backlit", ("side_assumed",), 3, 3),
    ],
)
def test_what_a_photo_of_spacing_2_cannot_tell_apart(inspection, plan, view, assumed, turns, mirrors):
    found = motions_alike(plan, replace(inspection.plane, view=view, assumed=assumed))
    assert [r.mirrors for r in found].count(False) == turns
    assert [r.mirrors for r in found].count(True) == mirrors
    assert found[0].motion == pytest.approx(np.eye(2))


def test_a_mirrored_plane_shows_the_other_side(inspection):
    nominal = inspection.nominal
    turned = relabel_inspection(inspection, relabelling(nominal, rotation(120.0)))
    behind = relabel_inspection(inspection, relabelling(nominal, mirrored_turn(0.0)))
    assert (turned.plane.side, behind.plane.side) == ("front", "back")
    assert turned.plane.turn_deg == pytest.approx(inspection.plane.turn_deg - 120.0, abs=1.0)
    assert behind.plane.turn_deg == pytest.approx(inspection.plane.turn_deg, abs=1.0)


def test_what_has_no_place_is_not_measured_in_the_record(inspection, fit_of, plan):
    """Vertices that a look alike carries nowhere are null, not a number, and the record keeps its form."""
    found = replace(inspection, nominal=plan, fit=fit_of(6))
    record = result_record(relabel_inspection(found, relabelling(plan, rotation(60.0))))
    assert sum(v["measured_mm"] is None for v in record["vertices"]) > 20
    assert all(edge["status"] == "not_measured" for edge in record["edges"])
    assert record["summary"]["measured"] == len(plan.twists)

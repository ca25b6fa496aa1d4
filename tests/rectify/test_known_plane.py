"""The plane of the piece's face by a reference, against a camera of the test's own and against drawing at random."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from panels import folded_panel

from foldtrue.frames import PlaneMap, rotation
from foldtrue.handover import Photo, Reference
from foldtrue.photo import linear_table
from foldtrue.rectify.corners import corners_reference
from foldtrue.rectify.known_plane import LEAN_MM, out_of_shape, plane_at_piece, size_budget, tells_plane
from foldtrue.rectify.size_budget import height_mm

PIXELS = np.zeros((1200, 1600, 3), np.uint8)
FOCAL_PX = 1800.0
PHOTO = Photo(PIXELS, linear_table(PIXELS.dtype), "0" * 64, "JPEG", 1, FOCAL_PX / 2000 * 43.2666, None)
MIDDLE = np.array([799.5, 599.5])
CORNERS = np.array([[-150.0, 100], [150, 100], [150, -100], [-150, -100]])
UNIT_PX = 26.0 / 43.2666 * 2000
PLAN = folded_panel()
TWISTS = np.array([t.planned_mm for t in PLAN.twists])


def seen(points_mm, height_mm=0.0, tilt_deg=15.0, distance_mm=450.0):
    """(N, 2) px of points at a height over the table before a pinhole camera that looks at the table's origin."""
    t = np.deg2rad(tilt_deg)
    lean = np.array([[1, 0, 0], [0, np.cos(t), -np.sin(t)], [0, np.sin(t), np.cos(t)]])
    space = np.column_stack([points_mm, np.full(len(points_mm), height_mm)]) @ lean.T
    camera = space * [1, -1, -1] + [0, 0, distance_mm]
    return FOCAL_PX * camera[:, :2] / camera[:, 2:] + MIDDLE


def table_map(**pose):
    return corners_reference(PHOTO, seen(CORNERS, **pose), (300.0, 200.0)).map


def reference(kind="corners", std_px=0.05, size_std=(1e-4, 1e-4), **pose):
    found = corners_reference(PHOTO, seen(CORNERS, **pose), (300.0, 200.0), corners_std_px=std_px)
    return replace(found, kind=kind, size_std=size_std)


def fit_of(made_up, px, k1=0.0, k1_std=1e-4):
    plane = PlaneMap(table_map().homography, k1, MIDDLE, UNIT_PX)
    return replace(made_up, map=plane, k1_std=k1_std, centre_px=px, measured=np.ones(len(px), bool))


@pytest.fixture
def made_up(inspection):
    """Any fit of this plan; the tests put places of their own into it."""
    return inspection.fit


def test_a_raised_piece_has_its_true_size_and_shape(made_up):
    """Places at the supposed height, seen by another camera: read back as they are, up to a similarity."""
    height = height_mm(PLAN)
    true = 1.004 * TWISTS @ rotation(20.0).T + [6.0, -3.0]
    known = plane_at_piece(PHOTO, PLAN, fit_of(made_up, seen(true, height)), "front", reference())
    assert known.size == pytest.approx(1.004, abs=2e-5)
    np.testing.assert_allclose(known.map.to_mm(seen(true, height)), TWISTS, atol=2e-3)
    assert out_of_shape(known, PLAN, fit_of(made_up, seen(true, height))) < 1e-4


def test_against_the_light_the_face_is_half_way_up(made_up):
    fit = fit_of(made_up, seen(TWISTS))
    low, high = (plane_at_piece(PHOTO, PLAN, fit, view, reference()).size for view in ("backlit", "front"))
    assert 1 - low == pytest.approx((1 - high) / 2, rel=0.02)


def test_a_scan_is_not_raised(made_up):
    flat = Reference(
        "scan", PlaneMap(np.diag([8.0, -8.0, 1.0]), 0.0, MIDDLE, UNIT_PX), 1e-14 * np.eye(9), (0.001, 0.002), 0.0,
        False, (), 0.0, (),
    )  # fmt: skip
    known = plane_at_piece(PHOTO, PLAN, fit_of(made_up, TWISTS * [8.0, -8.0]), "front", flat)
    assert known.size == pytest.approx(1.0, abs=1e-9)
    # The mean of two independent sides.
    budget = size_budget(known, PLAN, made_up_all(made_up), 0.0)
    assert budget == {"reference": pytest.approx(np.hypot(0.001, 0.002) / 2, rel=1e-3), "twists": 0.0}


def made_up_all(fit):
    return replace(fit, measured=np.ones(len(TWISTS), bool))


def test_a_piece_seen_from_behind_is_mirrored_onto_the_plan(made_up):
    px = seen(TWISTS * [-1, 1])
    known = plane_at_piece(PHOTO, PLAN, fit_of(made_up, px), "back", reference())
    np.testing.assert_allclose(known.map.to_mm(px), TWISTS, atol=0.02)
    assert np.linalg.det(known.map.jacobian(np.zeros((1, 2)))[0]) > 0  # y down once, and mirrored once more


def test_what_is_stated_of_places_is_what_they_scatter_by(made_up):
    """Corners, lengths, height and lean drawn at random: a distance read off varies by what is stated."""
    given, height = reference(std_px=0.5, size_std=(0.002, 0.001)), height_mm(PLAN)
    fit = fit_of(made_up, seen(TWISTS, height))
    known = plane_at_piece(PHOTO, PLAN, fit, "front", given)
    rng, reach = np.random.default_rng(4), float(np.hypot(*TWISTS.T).max())
    read = []
    for _ in range(800):
        size = (300.0 * (1 + rng.normal(0, 0.002)), 200.0 * (1 + rng.normal(0, 0.001)))
        drawn = corners_reference(PHOTO, seen(CORNERS) + rng.normal(0, 0.5, (4, 2)), size).map
        level = height * (1 + rng.normal(0, np.hypot(1 / np.sqrt(3.0), 0.05)))
        at = drawn.to_mm(seen(TWISTS, level + TWISTS @ rng.normal(0, LEAN_MM / reach, 2)))
        read.append(np.hypot(*(at[0] - at[9])))
    row = known.map.term_fields(TWISTS)[0] - known.map.term_fields(TWISTS)[9]
    unit = (TWISTS[0] - TWISTS[9]) / np.hypot(*(TWISTS[0] - TWISTS[9]))
    stated = np.sqrt(unit @ row @ known.map_cov @ row.T @ unit) * known.size
    assert stated == pytest.approx(np.std(read), rel=0.1)


def test_what_is_known_of_lenses_beforehand_is_counted_once(made_up):
    """Corners say nothing of the lens, so that the piece's own folds alone tell it."""
    known = plane_at_piece(PHOTO, PLAN, fit_of(made_up, seen(TWISTS), k1=0.011, k1_std=0.002), "front", reference())
    assert known.map.k1 == pytest.approx(0.011, rel=1e-6)
    assert np.sqrt(known.map_cov[8, 8]) == pytest.approx(0.002, rel=1e-6)


def test_the_plane_is_known_from_a_good_reference_alone(made_up):
    fit = fit_of(made_up, seen(TWISTS))
    good, poor = (plane_at_piece(PHOTO, PLAN, fit, "front", reference(size_std=(size, size))) for size in (0.001, 0.01))
    assert tells_plane(good, PLAN, fit)
    assert not tells_plane(poor, PLAN, fit)


def test_a_piece_out_of_all_shape_is_told(made_up):
    px = seen(TWISTS * [1.06, 1.0])
    fit = fit_of(made_up, px)
    assert out_of_shape(plane_at_piece(PHOTO, PLAN, fit, "front", reference()), PLAN, fit) > 0.05


def test_only_what_another_photo_has_anew_is_its_own(made_up):
    known = plane_at_piece(PHOTO, PLAN, fit_of(made_up, seen(TWISTS)), "front", reference(size_std=(0.01, 0.01)))
    for term in (0, 4):
        assert known.own_cov[term, term] < 0.1 * known.map_cov[term, term]

"""The scale from a card of ID-1 size beside the piece."""

from __future__ import annotations

import math
import os
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from card_in_photo import DrawnCard, lay_card
from panels import folded_panel

from foldtrue.errors import PhotoTooPoor
from foldtrue.frames import PlaneMap
from foldtrue.photo import read_photo
from foldtrue.rectify import card_size
from foldtrue.rectify.card import LONG_MM, SHORT_MM, card_faces, card_outlines
from foldtrue.rectify.card_size import SHADOW_MEAN, SHADOW_STD, card_scale
from foldtrue.rectify.card_tone import one_tone
from foldtrue.rectify.sides import Search, measure_side, outline, supposed_line
from foldtrue.rectify.size_budget import LAYER_MM
from foldtrue.simulate import Camera, Ground, Reference, Scene, simulate_photo
from foldtrue.simulate.budget_scene import drawn_scene
from foldtrue.simulate.render import diameter
from foldtrue.sizes import ID1_RADIUS_MM

DARK = Ground(kind="grain", colour=(0.2, 0.15, 0.1))
LIGHT = Ground(kind="grain", colour=(0.5, 0.42, 0.3))
FOCAL_PX = 26.0 / 43.2666 * math.hypot(1200, 900)
DISTANCE_MM = FOCAL_PX * 240 / 850


@pytest.fixture(scope="module")
def plan():
    return folded_panel()


def scene(ground=DARK, view="front", **camera):
    lens = {"tilt_deg": 7.0, "tilt_axis_deg": 35.0, "roll_deg": 8.0, "distance_mm": DISTANCE_MM} | camera
    aim = (45.0, 0.0)
    shot = Camera(width_px=1200, height_px=900, aim_mm=aim, **lens)
    return Scene(view=view, camera=shot, ground=ground, oversample=2)


@cache
def photographed(**options):
    drawn = scene(**options)
    return drawn, simulate_photo(folded_panel(), drawn)


def pictured(card, **options):
    """The photo with a card in it, the true map, and where the corners are."""
    drawn, made = photographed(**options)
    photo, corners = lay_card(made, drawn, card)
    return photo, made.truth.map, corners


def off_px(found, truth):
    return np.hypot(*(found[:, None] - truth[None]).transpose(2, 0, 1)).min(0).max()


def measured(plan, card, *, named=True, **options):
    photo, true, _ = pictured(card, **options)
    return card_scale(photo, plan, true, twist_std_mm=0.1, named=named)


# Outside references


def test_the_shadow_is_supposed_as_wide_as_lamps_between_25_and_65_degrees_make_it():
    """By a million lamps drawn; the throw of a thickness is its cotangent, seen across one pair of sides."""
    rng = np.random.default_rng(1)
    high, around = np.radians(rng.uniform(25, 65, 10**6)), rng.uniform(0, 2 * np.pi, 10**6)
    width = np.abs(np.cos(around)) / np.tan(high)
    assert pytest.approx((width.mean(), width.std()), abs=0.006) == (SHADOW_MEAN, SHADOW_STD)


def test_sizes_of_the_standard():
    # ISO/IEC 7810:2003, ID-1: 85.60 x 53.98 x 0.76 mm, thickness +-0.08 mm, corners 3.18 mm.
    assert (LONG_MM, SHORT_MM, ID1_RADIUS_MM) == (85.60, 53.98, 3.18)
    assert (card_size.THICKNESS_MM, card_size.THICKNESS_TOLERANCE_MM) == (0.76, 0.08)
    # 85.47 to 85.72 mm, 53.92 to 54.03 mm [from memory].
    assert pytest.approx(85.72 - 85.47) == 2 * card_size.LONG_TOLERANCE_MM
    assert pytest.approx(54.03 - 53.92) == 2 * card_size.SHORT_TOLERANCE_MM


def test_tolerance_of_a_card_is_a_rectangular_distribution(plan):
    # JCGM 100:2008, 4.3.7: 0.125 mm / sqrt(3) = 0.072 mm of 85.60 mm is 0.084 %, of 53.98 mm 0.059 %. The mean of
    # both cannot be better than least squares of the two, unless the others' covariance asks for other weights.
    found = measured(plan, DrawnCard())
    least = 1 / np.hypot(85.60 * np.sqrt(3) / 0.125, 53.98 * np.sqrt(3) / 0.055)
    assert least == pytest.approx(0.00048, abs=1e-5)
    assert least * 0.999 < found.budget["card"] < 3 * least
    assert np.hypot(*found.limits) / np.sqrt(3) == pytest.approx(found.scale * found.budget["card"])


# Finding and measuring it


@pytest.mark.parametrize(
    ("card", "options"),
    [
        (DrawnCard(), {}),
        (DrawnCard(printed=False, turn_deg=-30.0), {"view": "back"}),
        (DrawnCard(colour=(0.05, 0.07, 0.12), wall=(0.04, 0.05, 0.08), shadow_mm=(0.0, 0.0)), {"ground": LIGHT}),
        (DrawnCard(turn_deg=12.0, centre_mm=(122.0, -10.0)), {"k1": -0.05}),
        (DrawnCard(turn_deg=160.0, centre_mm=(118.0, 25.0)), {"tilt_deg": 16.0}),
    ],
)
def test_card_is_found_and_gives_the_scale(plan, card, options):
    photo, true, corners = pictured(card, **options)
    found = card_scale(photo, plan, true, twist_std_mm=0.1)
    assert found.kind == "card"
    assert off_px(found.corners_px, corners) < 1.0
    assert abs(found.scale - 1) < 1.96 * found.scale_std
    assert found.scale_std < 0.006


@pytest.mark.parametrize("factor", [0.93, 1.07])
def test_scale_is_that_of_the_map(plan, factor):
    photo, true, _ = pictured(DrawnCard())
    plain = card_scale(photo, plan, true, twist_std_mm=0.1).scale
    size = np.diag([factor, factor, 1.0])
    larger = PlaneMap(true.homography @ size, true.k1, true.centre_px, true.focal_px)
    small = folded_panel(height_mm=240 / factor)  # the same piece in the same picture, by another plan
    found = card_scale(photo, small, larger, twist_std_mm=0.1)
    assert found.scale / plain == pytest.approx(factor, rel=1e-3)


@pytest.mark.accuracy
def test_the_cards_face_lies_nearer_or_farther_than_the_pieces(plan):
    # Central projection: what lies d below a plane seen from D looks smaller by 1 / (1 + d / D). Two tables, 0 and 2 mm
    # below; the correction is for the supposed height, 4 layers at spacing 2 less the card's thickness.
    near, far = (measured(plan, DrawnCard(table_mm=z), tilt_deg=0.0).scale for z in (0.0, 2.0))
    assert far / near == pytest.approx(1 + 2.0 / DISTANCE_MM, rel=4e-4)
    supposed = measured(plan, DrawnCard(table_mm=4 * LAYER_MM), tilt_deg=0.0)
    assert abs(supposed.scale - 1) < supposed.scale_std


def test_budget_adds_up_and_a_worse_map_says_less(plan):
    photo, true, _ = pictured(DrawnCard())
    good = card_scale(photo, plan, true, k1_std=0.001, twist_std_mm=0.05)
    poor = card_scale(photo, plan, true, k1_std=0.02, twist_std_mm=0.4)
    assert set(good.budget) == {"card", "edges", "plane", "lens", "waves", "rim", "height"}
    assert good.scale_std / good.scale == pytest.approx(np.sqrt(sum(u**2 for u in good.budget.values())), rel=1e-9)
    assert poor.scale_std > 1.3 * good.scale_std


def test_the_cards_own_shape_takes_out_a_tilt_that_the_piece_feigns(plan):
    photo, true, _ = pictured(DrawnCard())
    keystone = np.array([[1.0, 0, 0], [0, 1, 0], [4e-5, 3e-5, 1.0]])
    tilted = PlaneMap(true.homography @ keystone, true.k1, true.centre_px, true.focal_px)
    found = card_scale(photo, plan, tilted, twist_std_mm=0.3)
    # At 115 mm from the middle the map's own scale is off by 2 * 115 mm * 5e-5 / mm along, and once that across.
    assert abs(found.scale - 1) < 0.005
    assert abs(found.scale - 1) < 1.96 * found.scale_std


def test_a_side_under_something_costs_nothing_where_the_card_was_named(plan):
    card = DrawnCard(covered=10.0)
    found = measured(plan, card)
    assert abs(found.scale - 1) < 1.96 * found.scale_std
    with pytest.raises(PhotoTooPoor, match="short side of the card is covered"):
        measured(plan, card, named=False)


def test_a_strap_across_the_middle_hides_no_side(plan):
    found = measured(plan, DrawnCard(strap_mm=25.0), named=False)
    assert abs(found.scale - 1) < 1.96 * found.scale_std


def test_faces_are_found_to_be_masked(plan):
    photo, true, corners = pictured(DrawnCard())
    faces = card_faces(photo, plan, true)
    assert min(off_px(face, corners) for face in faces) < 3
    assert off_px(card_scale(photo, plan, true).face_px, corners) < 3


# Declining


def test_no_card_is_declined(plan):
    _, made = photographed()
    with pytest.raises(PhotoTooPoor, match=r"No card of 85\.60 x 53\.98 mm can be made out"):
        card_scale(made.photo, plan, made.truth.map)
    assert card_faces(made.photo, plan, made.truth.map) == ()


def test_a_sheet_under_the_piece_is_no_card(plan):
    lens = {"distance_mm": 1.6 * DISTANCE_MM, "aim_mm": (0.0, 0.0), "width_px": 1200, "height_px": 900}
    made = simulate_photo(plan, replace(scene(), camera=Camera(**lens), reference=Reference(turn_deg=20.0)))
    with pytest.raises(PhotoTooPoor):
        card_scale(made.photo, plan, made.truth.map)


@pytest.mark.parametrize(
    ("card", "why"),
    [
        (DrawnCard(lean_deg=12.0), "turned out of the piece's plane"),
        (DrawnCard(size_mm=(85.0, 55.0), printed=False), "no card of 85.60 x 53.98 mm"),  # a visiting card
        (DrawnCard(radius_mm=0.05, printed=False), "no rounded corners"),  # a tile, a printed frame
    ],
)
def test_what_is_no_flat_card_is_declined(plan, card, why):
    with pytest.raises(PhotoTooPoor, match=why):
        measured(plan, card)


@pytest.mark.parametrize("ground", [DARK, LIGHT])
def test_four_sides_of_one_card_have_one_tone_within_and_sides_of_two_things_do_not(plan, ground):
    """The card's own sides, print and all; and two of them with two lines on the table, 12 mm beside the others."""
    photo, true, corners = pictured(DrawnCard(), ground=ground)
    mm = true.to_mm(corners)
    along, across = mm[1] - mm[0], mm[3] - mm[0]
    shift = 12 * (along / np.hypot(*along) + across / np.hypot(*across))
    for at, told in ((mm, True), (mm + shift, False)):
        lines = [supposed_line(at[[k, (k + 1) % 4]]) for k in range(4)]
        assert one_tone(photo, true, outline(lines, np.ones(4, bool), true)) is told


def test_a_stripe_and_the_grain_of_a_table_make_no_larger_card():
    """A blue card on a blue table: the edge of its stripe, its end and two lines of grain stand as a card's sides 8 %
    too far apart, all of them measured. Its own outline shows, and is what no picture may show."""
    nominal = folded_panel(2, 32, 240.0, 4)
    drawn = drawn_scene(6034, "front", "card", diameter_mm=diameter(nominal.vertices_mm))
    made = simulate_photo(nominal, replace(drawn, paper=replace(drawn.paper, rim_mm=(0.0, 0.0, 0.0))))
    with pytest.raises(PhotoTooPoor, match=r"one tone|rounded corners"):
        card_scale(made.photo, nominal, made.truth.map, twist_std_mm=0.2, named=False)
    faces = card_faces(made.photo, nominal, made.truth.map)
    assert min(off_px(face, np.array(made.truth.settings["card_corners_px"])) for face in faces) < 3


def test_a_card_half_covered_says_what_is_covered(plan):
    with pytest.raises(PhotoTooPoor, match=r"covered|too little"):
        measured(plan, DrawnCard(covered=50.0), named=False)


def test_two_cards_are_declined(plan):
    drawn = scene(distance_mm=1.35 * DISTANCE_MM)
    made = simulate_photo(plan, drawn)
    photo, _ = lay_card(made, drawn, DrawnCard(centre_mm=(125.0, 55.0), turn_deg=3.0))
    photo, _ = lay_card(replace(made, photo=photo), drawn, DrawnCard(centre_mm=(130.0, -25.0), turn_deg=3.0))
    with pytest.raises(PhotoTooPoor, match="More than one card"):
        card_scale(photo, plan, made.truth.map, twist_std_mm=0.1)


def test_a_card_of_few_pixels_is_declined(plan):
    drawn = replace(scene(), camera=Camera(width_px=400, height_px=300, aim_mm=(45.0, 0.0), distance_mm=DISTANCE_MM))
    made = simulate_photo(plan, drawn)
    photo, _ = lay_card(made, drawn, DrawnCard())
    with pytest.raises(PhotoTooPoor, match="too small"):
        card_scale(photo, plan, made.truth.map)


# A photograph that this project did not make

PICTURES = Path(os.environ.get("FOLDTRUE_PHOTOS", ""))
outside = pytest.mark.skipif("FOLDTRUE_PHOTOS" not in os.environ, reason="FOLDTRUE_PHOTOS names no folder")
BY_EYE = np.array([[203.0, 148.0], [617.0, 213.0], [597.0, 490.0], [121.0, 404.0]])


def real_card(wide):
    """The photo and a map that makes the outline by eye a rectangle of that width and height 1, 500 away from 0."""
    import cv2

    photo = read_photo(PICTURES / "real" / "references" / "card_id1_masked.png")
    box = np.array([[0, 1], [wide, 1], [wide, 0], [0, 0]], np.float64) * SHORT_MM + [500.0, 0.0]
    matrix = cv2.getPerspectiveTransform(box.astype(np.float32), BY_EYE.astype(np.float32))
    return photo, PlaneMap(matrix, 0.0, np.array([399.5, 299.5]), 600.0), box


@outside
def test_sides_of_a_real_card_have_its_aspect_under_a_perspective_camera():
    photo, eye, box = real_card(1.5)  # not a card's: the shape is to come out of the picture
    far = np.array([[-90.0, -90.0], [-80.0, -90.0], [-80.0, -80.0]])
    lines = [
        measure_side(
            photo,
            eye,
            box[[k, (k + 1) % 4]],
            box.mean(0),
            Search(covered_px=far, reach_px=8.0, trim=0.08, either=True),
        )
        for k in range(4)
    ]
    corners = outline(lines, np.ones(4, bool), eye).corners_px
    assert off_px(corners, BY_EYE) < 6
    # Zhang 2000 [from memory]: the images of two perpendicular directions give the focal length, and then the aspect.
    import cv2

    unit = np.array([[0, 1], [1, 1], [1, 0], [0, 0]], np.float32)
    h = cv2.getPerspectiveTransform(unit, (corners - [399.5, 299.5]).astype(np.float32))
    focal = np.sqrt(-(h[0, 0] * h[0, 1] + h[1, 0] * h[1, 1]) / (h[2, 0] * h[2, 1]))
    across, down = (h[:, k] / [focal, focal, 1.0] for k in (0, 1))
    assert np.linalg.norm(across) / np.linalg.norm(down) == pytest.approx(LONG_MM / SHORT_MM, rel=0.02)


@outside
def test_outline_of_a_real_card_is_found(plan):
    photo, eye, _ = real_card(LONG_MM / SHORT_MM)
    found = card_outlines(photo, plan, eye)
    assert min(off_px(eye.to_px(one.corners_mm), BY_EYE) for one in found) < 5

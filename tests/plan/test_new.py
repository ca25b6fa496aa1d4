"""A plan from a few words: what is filled in, what goes together, what the border looks like."""

from __future__ import annotations

from dataclasses import fields
from math import sqrt

import numpy as np
import pytest

from foldtrue.errors import PlanError, UsageError
from foldtrue.plan.fold import fold_plan
from foldtrue.plan.layout import sheet_corners, twist_sites
from foldtrue.plan.new import PlanWords, choose, make_plan

SQUARE = {"sheet": "square", "side": 240.0}
RECTANGLE = {"sheet": "rectangle", "width": 297.0, "height": 210.0}
POLYGON = {"sheet": "polygon", "corners": ((-90.0, -80.0), (110.0, -80.0), (70.0, 90.0), (-60.0, 75.0))}
HEXAGON = {"height": 240.0}
TWIST = {"kind": "triangle", "grid": [0.0, 0.0], "hand": "ccw"}


def made(**words):
    return make_plan(PlanWords(**words)).plan


def hands_around(plan):
    return {(s.grid, s.hand, s.turn % 2) for s in twist_sites(plan)}


@pytest.mark.parametrize(
    "words",
    [
        HEXAGON,
        {"sheet": "hexagon", "side": 140.0, "grid": "edge-to-edge"},
        HEXAGON | {"slope": (9, 4)},
        SQUARE | {"slope": (14, 3)},
        RECTANGLE | {"divisions": 21, "start": "corner"},
        POLYGON | {"pitch": 9.0},
        POLYGON | {"slope": (20, 5), "twists": "mixed"},
        SQUARE | {"twists": "rhombi"},
        SQUARE | {"pitch": 8.0, "twists": "clusters", "every": 8.0},
        HEXAGON | {"twists": "mixed", "width_rows": 2.0, "divisions": 64},
        SQUARE | {"pitch": 10.0, "twist": (TWIST, TWIST | {"grid": [3.0, 0.0], "hand": "cw", "turn": 1})},
        SQUARE | {"pitch": 10.0, "twist": (TWIST,), "pleats": ({"grid": [5, 10], "turn": 2, "hand": "cw"},)},
    ],
    ids=lambda words: ",".join(f"{k}={v}" for k, v in words.items())[:60],
)
def test_every_kind_of_plan_is_made_from_a_few_words_and_folds(words):
    assert fold_plan(made(**words)).twists


def test_the_usual_panel_needs_no_more_than_its_height(plans):
    # 24 twists on a point-to-point grid of 16, dense: the panel of which docs/plan-file.md gives the file
    usual, written = made(height=240.0), plans.honeycomb()
    assert usual.twists == written.twists
    assert usual.grid == written.grid


def test_triangle_twists_fill_a_square_as_the_honeycomb_recipe_places_them(plans):
    square = made(**SQUARE, pitch=12.0, border="full", spacing=3.0)
    rings = hands_around(plans.honeycomb(900, "point-to-point", 64, 3, 6))
    assert hands_around(square) <= rings
    assert len(hands_around(square)) > 20


@pytest.mark.parametrize("hand", ["ccw", "cw"])
@pytest.mark.parametrize("words", [HEXAGON, SQUARE, SQUARE | {"twists": "clusters", "pitch": 9.0}], ids=str)
def test_the_first_twist_has_the_hand_asked_for(words, hand):
    assert twist_sites(made(**words, first_hand=hand))[0].hand == (1 if hand == "ccw" else -1)


def test_clusters_are_rings_of_six_at_the_distance_asked_for():
    plan = made(height=240.0, divisions=32, twists="clusters", spacing=2.0, every=8.0, border="full")
    sites = twist_sites(plan)
    around = [s for s in sites if s.ring == 2]
    assert len([s for s in sites if s.ring == 1]) == 6
    assert len(around) == 36
    middle = np.mean([s.centre for s in around if abs(s.centre - 8 * plan.pitch_mm) < 2.5 * plan.pitch_mm])
    assert middle == pytest.approx(8 * plan.pitch_mm)


def test_a_motif_is_repeated_in_a_second_ring():
    # a motif of one twist: its copies in ring 2 stand where the steps say, six around the first
    words = SQUARE | {"pitch": 5.0, "twist": (TWIST,), "step": ((6.0, 0.0), (0.0, 6.0)), "rings": 2}
    sites = twist_sites(made(**words))
    assert [s.ring for s in sites] == [1] + [2] * 6
    np.testing.assert_allclose([abs(s.centre) for s in sites[1:]], 30.0)


def test_a_corner_start_puts_a_grid_point_in_the_corner_and_fills_the_sheet():
    plan = made(**RECTANGLE, divisions=21, start="corner")
    corner = sheet_corners(plan)[0]
    centres = np.array([s.centre for s in twist_sites(plan)])
    j = (centres - corner).imag / (plan.pitch_mm * sqrt(3) / 2)
    np.testing.assert_allclose(j, np.round(j), atol=1e-9)
    assert np.ptp(centres.real) > 200


def test_the_last_ring_can_be_left_out():
    whole, opened = (
        make_plan(PlanWords(**HEXAGON, divisions=32)),
        make_plan(PlanWords(**HEXAGON, divisions=32, border="open")),
    )
    assert opened.plan.twists.rings == whole.plan.twists.rings - 1
    assert opened.notes == (f"Ring {whole.plan.twists.rings} left out.",)
    with pytest.raises(PlanError, match="only one"):
        made(**HEXAGON, rings=1, border="open")


def test_a_filled_sheet_without_its_last_ring_still_folds():
    words = SQUARE | {"twists": "mixed", "divisions": 32}
    rings = max(s.ring for s in twist_sites(made(**words)))
    opened = made(**words, border="open")
    assert max(s.ring for s in twist_sites(opened)) == rings - 1
    fold_plan(opened)


def test_twists_at_the_rim_whose_pleats_clash_are_left_out_and_counted():
    words = SQUARE | {"twists": "rhombi", "divisions": 32}
    with pytest.raises(PlanError, match="run into each other"):
        fold_plan(made(**words, border="full"))
    trimmed = make_plan(PlanWords(**words))
    out = len(trimmed.plan.twists.leave_out)
    assert trimmed.notes == (f"{out} twists left out at the border, where pleats would clash.",)
    nominal = fold_plan(trimmed.plan)
    assert len(nominal.twists) == len(twist_sites(made(**words, border="full"))) - out


def test_a_trimmed_border_keeps_the_mirror_of_its_sheet():
    # on this hexagon the twists that clash lie on both sides of its mirror lines
    plan = made(height=240.0, grid="edge-to-edge", divisions=32, twists="mixed", spacing=4.0)
    assert plan.twists.leave_out
    places = np.array([s.centre for s in twist_sites(plan)])
    turned = places * np.exp(2j * np.pi / 3)
    assert np.abs(turned[:, None] - places).min(1).max() < 1e-6 * plan.pitch_mm


def test_where_the_layout_itself_cannot_be_drawn_its_border_is_not_to_blame():
    with pytest.raises(PlanError, match="too close"):
        made(**SQUARE, spacing=1.0)


def test_complete_rings_only():
    plan = made(**SQUARE, twists="rhombi", divisions=32, border="rings")
    assert plan.twists.rings == 2
    fold_plan(plan)


@pytest.mark.parametrize(
    ("words", "corners"),
    [(HEXAGON | {"rings": 2, "divisions": 32}, 6), (SQUARE | {"pitch": 10.0, "twist": (TWIST,)}, 4)],
)
def test_corner_pleats_cross_every_corner_with_the_valley_towards_it(words, corners):
    plan = made(**words, corner_pleats=1)
    nominal = fold_plan(plan)
    assert len(plan.pleats) == corners
    for k in range(corners):
        far = {}
        for sense in "MV":
            crease = nominal.creases.ids.index(f"p{k}:{sense}")
            middle = nominal.vertices_sheet_mm[nominal.creases.ends[crease]].mean(0)
            far[sense] = np.hypot(*(nominal.sheet_outline_mm - middle).T).min()
        assert far["V"] < far["M"]


def test_a_sheet_whose_corners_no_grid_line_cuts_off_has_no_corner_pleats():
    with pytest.raises(PlanError, match="cuts off a corner"):
        made(**HEXAGON, grid="edge-to-edge", rings=1, corner_pleats=1)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ({}, "said by --height (flat to flat) or --side"),
        ({"height": 9.0, "side": 9.0}, "said by --height (flat to flat) or --side"),
        ({"sheet": "square", "height": 9.0}, "--height does not belong to a square sheet. It takes --side."),
        ({"sheet": "rectangle", "width": 9.0}, "A rectangle sheet needs --height."),
        ({"sheet": "polygon"}, "A polygon sheet needs --corners."),
        (HEXAGON | {"grid": "rotated"}, "needs --slope M,N"),
        (SQUARE | {"grid": "pitch"}, "needs --pitch"),
        (HEXAGON | {"grid": "edge-to-edge", "slope": (3, 1)}, "--slope does not belong to the edge-to-edge grid"),
        (HEXAGON | {"every": 7.0}, "--every does not belong to triangle twists"),
        (HEXAGON | {"twist": (TWIST,), "spacing": 2.0}, "--spacing does not belong to these twists. It takes --twist."),
        (HEXAGON | {"twists": "mixed", "twist": (TWIST,)}, "--twists mixed says all twists"),
        (HEXAGON | {"twist": (TWIST,), "step": ((3.0, 0.0),)}, "takes --step twice"),
        (HEXAGON | {"step": ((3.0, 0.0), (0.0, 3.0))}, "none is listed"),
        (HEXAGON | {"start": "corner", "rings": 2}, "Rings lie around the grid's start"),
        (HEXAGON | {"divisions": 8, "spacing": 5.0}, "No ring of twists fits"),
        (SQUARE | {"twists": "mixed", "border": "rings"}, "No number of complete rings fits without a clash"),
    ],
    ids=lambda value: value[:40] if isinstance(value, str) else "",
)
def test_words_that_do_not_go_together_are_refused_not_ignored(words, said):
    with pytest.raises(UsageError) as refusal:
        made(**words)
    assert said in str(refusal.value)


def test_another_choice_forgets_what_belonged_to_the_first():
    words = PlanWords(height=240.0, grid="point-to-point", divisions=12, spacing=3.0)
    square = choose(words, "sheet", "square")
    assert (square.height, square.grid, square.divisions, square.spacing) == (None, None, None, 3.0)
    assert choose(words, "sheet", "hexagon") == words
    assert choose(words, "twists", "mixed").spacing is None
    assert {field.name for field in fields(words)} == {field.name for field in fields(square)}

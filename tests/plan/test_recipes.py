"""Recipes: mixed plans, rhombi, repeated motifs, twists left out, open twists, pleats without a twist."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest
from panels import plan_of

from foldtrue.errors import PlanError
from foldtrue.plan.fold import fold_plan
from foldtrue.plan.layout import twist_sites

SQUARE = {"shape": "square", "side_mm": 300}


@pytest.fixture
def make():
    def plan(twists, sheet=SQUARE, grid=None, **more):
        return plan_of(sheet, grid or {"kind": "pitch", "pitch_mm": 10}, twists, **more)

    return plan


def places(plan):
    return {
        (round(s.grid[0], 6), round(s.grid[1], 6), s.kind, s.hand, s.turn % 3, s.width_mm) for s in twist_sites(plan)
    }


def on(plan):
    return {"sheet": plan.sheet.model_dump(), "grid": plan.grid.model_dump()}


@pytest.mark.parametrize(("distance", "width"), [(6, 2), (8, 2), (9, 2), (4, 1), (4.5, 1)])
def test_the_mixed_recipe_fills_a_sheet_with_hexagons_and_triangles(plans, make, distance, width):
    listed = plans.mixed(distance, width)
    made = make({"recipe": "mixed", "spacing": distance, "width_rows": width}, **on(listed))
    assert {p[:4] for p in places(made)} == {p[:4] for p in places(listed)}
    np.testing.assert_allclose(
        np.sort(np.hypot(*fold_plan(made).vertices_mm.T)),
        np.sort(np.hypot(*fold_plan(listed).vertices_mm.T)),
        atol=1e-9,
    )


def test_the_mixed_recipe_at_5_pitches_has_no_layer_order(plans, make):
    # computed independently of this program: D = 5a passes every local rule and cannot be folded
    listed = plans.mixed(5, 2)
    with pytest.raises(PlanError, match="passes every local rule but cannot be folded"):
        fold_plan(make({"recipe": "mixed", "spacing": 5, "width_rows": 2}, **on(listed)))


def test_the_rings_of_a_mixed_plan_are_those_of_its_hexagons(plans, make):
    sites = twist_sites(make({"recipe": "mixed", "spacing": 4, "rings": 3}))
    assert [s.ring for s in sites] == sorted(s.ring for s in sites)
    for ring in (1, 2, 3):
        kinds = [s.kind for s in sites if s.ring == ring]
        assert kinds.count("hexagon") == (1 if ring == 1 else 6 * (ring - 1))
        assert kinds.count("triangle") == 6 * (2 * ring - 1)
    assert sites[0].centre == 0


def test_the_rhombi_recipe_fills_a_sheet_with_the_lattice_computed_independently(plans, make):
    listed = plans.rhombi(3)
    made = make({"recipe": "rhombi", "spacing": 4}, **on(listed))
    assert {p[:4] for p in places(made)} == {p[:4] for p in places(listed)}


@pytest.mark.parametrize("hand", ["ccw", "cw"])
@pytest.mark.parametrize(("spacing", "width", "rings"), [(4, 1, 3), (3, 1, 2), (8, 2, 2), (5, 1, 2)])
def test_rings_of_rhombi_fold_and_alternate(make, spacing, width, rings, hand):
    grid = {"kind": "pitch", "pitch_mm": 300 / 64}
    recipe = {"recipe": "rhombi", "spacing": spacing, "rings": rings, "width_rows": width, "first_hand": hand}
    nominal = fold_plan(make(recipe, grid=grid))
    assert len(nominal.twists) == (2 * rings - 1) ** 2
    assert nominal.twists[0].hand == (1 if hand == "ccw" else -1)
    hands = {twist.id: twist.hand for twist in nominal.twists}
    joined = [facet.id.split("-") for facet in nominal.facets if facet.kind == "pleat" and "rim" not in facet.id]
    assert len(joined) == 2 * (2 * rings - 1) * (2 * rings - 2)
    assert all(hands[a] == -hands[b] for a, b in joined)


def test_a_motif_repeated_in_rings_of_copies_is_the_honeycomb(plans, make):
    motif = [
        {"grid": list(place), "kind": "triangle", "turn": k % 2, "hand": "cw" if k % 2 else "ccw"}
        for k, place in enumerate(((2, 0), (0, 2), (-2, 2), (-2, 0), (0, -2), (2, -2)))
    ]
    recipe = {"recipe": "repeat", "motif": motif, "first_step": [2, 2], "second_step": [-2, 4], "rings": 3}
    plain = plans.honeycomb(300, "point-to-point", 64, 2, 3)
    made = make(recipe, **on(plain))
    assert places(made) == places(plain)
    assert [s.ring for s in twist_sites(made)] == [s.ring for s in twist_sites(plain)]
    np.testing.assert_allclose(fold_plan(made).vertices_mm, fold_plan(plain).vertices_mm, atol=1e-9)


def test_steps_at_right_angles_are_repeated_in_square_rings(make):
    recipe = {"recipe": "repeat", "motif": [{"grid": [0, 0], "kind": "triangle", "hand": "ccw"}], "rings": 2}
    made = make(recipe | {"first_step": [8, 0], "second_step": [-4, 8]})
    assert len(twist_sites(made)) == 9


def test_copies_that_want_different_twists_in_one_place_are_refused(make):
    motif = [{"grid": [0, 0], "kind": "triangle", "hand": "ccw"}, {"grid": [4, 0], "kind": "triangle", "hand": "cw"}]
    with pytest.raises(PlanError, match=r"Two copies of the motif want different twists at grid place \("):
        fold_plan(make({"recipe": "repeat", "motif": motif, "first_step": [4, 0], "second_step": [0, 4], "rings": 2}))


@pytest.mark.parametrize(
    ("recipe", "words"),
    [
        ({"recipe": "mixed", "spacing": 0.1}, "steps are too small"),
        ({"recipe": "mixed", "spacing": 8, "width_rows": 32}, "No twist of the recipe fits"),
        ({"recipe": "rhombi", "spacing": 4, "rings": 23}, "rings: expected at most 22, found 23"),
        ({"recipe": "weave", "spacing": 4}, "twists: expected one of 'honeycomb', 'mixed', 'rhombi', 'repeat'"),
        ({"recipe": "mixed", "ring": 4}, "ring: is not a field of this format; did you mean rings?"),
    ],
)
def test_a_recipe_that_makes_nothing_sensible_is_refused(make, recipe, words):
    with pytest.raises(PlanError) as refusal:
        fold_plan(make(recipe))
    assert words in str(refusal.value)


def test_a_pair_of_outer_twists_can_be_left_out_and_pleats_run_to_the_rim_in_its_place(plans, make):
    plain = plans.honeycomb()
    recipe = {"recipe": "honeycomb", "spacing": 2, "rings": 2}
    less = fold_plan(make(recipe | {"leave_out": [[4, 2], [2, 4]]}, **on(plain)))
    assert len(less.twists) == 22
    rim = [sum("rim" in f.id for f in n.facets if f.kind == "pleat") for n in (fold_plan(plain), less)]
    assert rim[1] == rim[0]  # the pair's two pleats to the rim are gone, two from its neighbours took their place


def test_a_twist_that_joins_two_others_cannot_be_left_out_alone(plans, make):
    # the pleats of the two would cross where it is missing
    recipe = {"recipe": "honeycomb", "spacing": 2, "rings": 2, "leave_out": [[4, 2]]}
    with pytest.raises(PlanError, match="run into each other"):
        fold_plan(make(recipe, **on(plans.honeycomb())))


def test_the_last_ring_left_out_leaves_pleats_to_the_rim(plans):
    nominal = fold_plan(plans.honeycomb(rings=1))
    assert len(nominal.twists) == 6
    assert sum("rim" in facet.id and facet.kind == "pleat" for facet in nominal.facets) == 6


def test_a_place_to_leave_out_must_hold_a_twist(make):
    recipe = {"recipe": "honeycomb", "spacing": 3, "rings": 1, "leave_out": [[1, 1]]}
    with pytest.raises(PlanError, match=r"no twist at grid place \(1, 1\)"):
        fold_plan(make(recipe))


@pytest.mark.parametrize("hand", ["ccw", "cw"])
def test_an_open_hexagon_has_sides_of_two_widths_and_turns_60_degrees(make, hand):
    # simple flat twist: width = side * sin(angle between side and pleat), turn = twice that angle; here 30 degrees
    nominal = fold_plan(make([{"grid": [0, 0], "kind": "open-hexagon", "hand": hand}]))
    twist = nominal.twists[0]
    tips = nominal.vertices_mm[list(twist.tips)]
    np.testing.assert_allclose(np.hypot(*(np.roll(tips, -1, 0) - tips).T), 2 * nominal.row_mm, rtol=1e-9)
    linear = next(f for f in nominal.facets if f.kind == "twist").motion[:, :2]
    turn = np.rad2deg(np.arctan2(linear[1, 0], linear[0, 0]))
    assert turn == pytest.approx(60 * twist.hand, abs=1e-9)


def test_an_open_hexagon_stays_open_behind(make):
    # a closed hexagon twist holds its pleats together in the middle (7 layers), an open one only its own polygon
    from foldtrue.plan.shape import layer_areas

    hole = {}
    for kind in ("hexagon", "open-hexagon"):
        nominal = fold_plan(make([{"grid": [0, 0], "kind": kind, "hand": "ccw"}]))
        r = 0.2 * nominal.pitch_mm
        window = [(r * np.cos(a), r * np.sin(a)) for a in np.arange(6) * np.pi / 3]
        hole[kind] = set(layer_areas(nominal, np.array(window)))
    assert hole["open-hexagon"] == {1}
    assert min(hole["hexagon"]) > 1


def test_an_open_hexagon_joins_triangles_whose_mountain_lines_it_meets(make):
    around = [(5.5, 1), (-1, 6.5), (-6.5, 5.5), (-5.5, -1), (1, -6.5), (6.5, -5.5)]
    twists = [{"grid": [0, 0], "kind": "open-hexagon", "hand": "ccw"}]
    twists += [{"grid": list(g), "kind": "triangle", "hand": "cw", "turn": (k + 1) % 2} for k, g in enumerate(around)]
    corners = [[85 * np.cos(a), 85 * np.sin(a)] for a in np.arange(6) * np.pi / 3 + np.deg2rad(8)]
    nominal = fold_plan(make(twists, sheet={"shape": "polygon", "corners_mm": corners}))
    assert sum(f.kind == "pleat" and "rim" not in f.id for f in nominal.facets) == 6


@pytest.mark.parametrize("hand", ["ccw", "cw"])
def test_a_pleat_without_a_twist_runs_from_rim_to_rim_and_brings_the_paper_together_by_two_widths(make, hand):
    one = [{"grid": [-4, 0], "kind": "triangle", "hand": "ccw"}]
    corner = {"grid": [5, 14], "turn": 2, "hand": hand, "width_rows": 2}
    nominal = fold_plan(make(one, pleats=[corner]))
    plain = fold_plan(make(one))
    pleat = next(f for f in nominal.facets if f.id == "p0")
    assert pleat.kind == "pleat"
    assert len(nominal.facets) == len(plain.facets) + 2
    cells = {c for pair in nominal.creases.facets[[i.startswith("p0:") for i in nominal.creases.ids]] for c in pair}
    shifts = [f.motion[:, 2] for k, f in enumerate(nominal.facets) if k in cells and f.kind == "cell"]
    assert np.hypot(*(shifts[0] - shifts[1])) == pytest.approx(2 * 2 * nominal.row_mm, rel=1e-9)


def test_a_pleat_without_a_twist_is_refused_where_it_crosses_or_leaves(make):
    one = [{"grid": [0, 0], "kind": "triangle", "hand": "ccw"}]
    with pytest.raises(PlanError, match="creases of t0 and p0 run into each other"):
        fold_plan(make(one, pleats=[{"grid": [3, 0], "turn": 1, "hand": "ccw"}]))
    with pytest.raises(PlanError, match="Pleat p0 leaves the sheet"):
        fold_plan(make(one, pleats=[{"grid": [60, 0], "turn": 1, "hand": "ccw"}]))


def test_pleats_may_be_several_rows_wide(plans):
    narrow, wide = plans.honeycomb(spacing=2, rings=1), plans.honeycomb(spacing=4, rings=1, width_rows=2)
    sides = [
        np.hypot(*np.diff(n.vertices_mm[list(n.twists[0].tips[:2])], axis=0)[0])
        for n in (fold_plan(narrow), fold_plan(wide))
    ]
    assert sides[1] == pytest.approx(2 * sides[0], rel=1e-9)
    assert sides[0] == pytest.approx(sqrt(3) * narrow.pitch_mm, rel=1e-9)

"""Layer order: found where there is one, refused where there is none, and consistent everywhere."""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from foldtrue.errors import PlanError
from foldtrue.plan.checks import check_vertices
from foldtrue.plan.constraints import ask_layer_order
from foldtrue.plan.fold import fold_plan
from foldtrue.plan.folding import fold_pattern
from foldtrue.plan.overlay import overlay_creases
from foldtrue.plan.pattern import draw_pattern
from foldtrue.plan.planar import to_points
from foldtrue.plan.solver import HOLDS, Solver, Undecided, Unsolvable


def overlay_of(nominal):
    return overlay_creases(to_points(nominal.vertices_mm), nominal.creases.ends, nominal.creases.facets)


def top_down(nominal, overlay):
    """Facets over each region, from the top; fails where the pairs do not make one order."""
    over = set(map(tuple, nominal.above.tolist()))
    stacks = []
    for layers in overlay.layers:
        stack = sorted(layers, key=lambda f: -sum((f, g) in over for g in layers))
        for k, upper in enumerate(stack):
            assert all((upper, lower) in over for lower in stack[k + 1 :])
        stacks.append(stack)
    return stacks


def test_every_overlapping_pair_is_ordered_once(nominal):
    expected = {frozenset((f, g)) for layers in overlay_of(nominal).layers for f in layers for g in layers if f != g}
    pairs = [frozenset(pair) for pair in nominal.above.tolist()]
    assert len(pairs) == len(set(pairs))
    assert set(pairs) == expected


def test_mountains_and_valleys_are_folded_the_right_way(nominal):
    over = set(map(tuple, nominal.above.tolist()))
    for pair, kind in zip(nominal.creases.facets.tolist(), nominal.creases.kind, strict=True):
        if kind != "R":
            front, back = sorted(pair, key=lambda f: nominal.facets[f].turned)
            assert ((front, back) if kind == "M" else (back, front)) in over


def test_paper_never_passes_through_paper(nominal):
    # Along every line: what runs on keeps its order, and folds nest like brackets between two running layers.
    overlay = overlay_of(nominal)
    stacks = top_down(nominal, overlay)
    folds = {}
    for crease, edge in zip(overlay.cover_crease.tolist(), overlay.cover_edge.tolist(), strict=True):
        if nominal.creases.kind[crease] != "R":
            a, b = nominal.creases.facets[crease].tolist()
            folds.setdefault(edge, {}).update({a: b, b: a})
    for edge, (left, right) in enumerate(zip(overlay.region_left, overlay.region_right, strict=True)):
        running = overlay.layers[left] & overlay.layers[right]
        orders = []
        for stack in (stacks[left], stacks[right]):
            orders.append([f for f in stack if f in running])
            open_folds = []
            for facet in stack:
                if facet in running:
                    assert not open_folds
                elif (partner := folds.get(edge, {}).get(facet)) is not None:
                    if open_folds and open_folds[-1] == facet:
                        open_folds.pop()
                    else:
                        open_folds.append(partner)
            assert not open_folds
        assert orders[0] == orders[1]


def test_along_a_pleat_the_cell_at_the_mountain_lies_over_the_pleat_over_the_cell_at_the_valley(plans):
    nominal = plans.folded("honeycomb L3")
    over = set(map(tuple, nominal.above.tolist()))
    for pair, kind in zip(nominal.creases.facets.tolist(), nominal.creases.kind, strict=True):
        kinds = [nominal.facets[f].kind for f in pair if f >= 0]
        if sorted(kinds) == ["cell", "pleat"]:
            cell, pleat = pair if kinds[0] == "cell" else pair[::-1]
            assert ((cell, pleat) if kind == "M" else (pleat, cell)) in over


def test_the_order_of_cells_can_go_round_in_circles(plans):
    # why the order is pairwise: no single list of all facets from bottom to top exists
    nominal = plans.folded("honeycomb L3")
    lower = {}
    for f, g in nominal.above.tolist():
        if nominal.facets[f].kind == nominal.facets[g].kind == "cell":
            lower.setdefault(f, set()).add(g)
    left = set(lower)
    while drop := {f for f in left if not (lower[f] & left)}:
        left -= drop
    assert left


@pytest.mark.parametrize("name", ["honeycomb L2", "honeycomb L3", "mixed 8", "rhombi"])
def test_whole_polygons_lie_on_top_in_front(plans, name):
    nominal = plans.folded(name)
    below = {g for f, g in nominal.above.tolist()}
    assert not [facet.id for k, facet in enumerate(nominal.facets) if facet.kind == "twist" and k in below]


def test_hexagons_at_6_pitches_hide_the_triangles(plans):
    nominal = plans.folded("mixed 6")
    overlay = overlay_of(nominal)
    hexagons = {k for k, t in enumerate(nominal.twists) if t.kind == "hexagon"}
    border = {k for k, t in enumerate(nominal.twists) if t.border}
    inner = [k for k in hexagons - border if all(k != f for f in border)]
    assert inner
    below = {g for f, g in nominal.above.tolist()}
    assert not below & hexagons
    for layers, area in zip(overlay.layers, overlay.area_mm2, strict=True):
        if area > 0 and layers & set(inner):
            assert len(layers & hexagons) == 1


@pytest.mark.parametrize(("distance", "width"), [(5, 2), (2.5, 1)])
def test_a_plan_that_passes_every_local_rule_and_closes_is_refused_when_no_order_exists(plans, distance, width):
    plan = plans.mixed(distance, width)
    pattern = draw_pattern(plan)
    check_vertices(pattern.vertices, pattern.ends, pattern.kind, pattern.owner_names())
    assert fold_pattern(pattern).mismatch_mm < 1e-9 * pattern.size_mm
    with pytest.raises(PlanError, match="layers of t") as refusal:
        fold_plan(plan)
    assert refusal.value.twists
    assert len(refusal.value.twists) < len(pattern.twists)


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (("triangle", (3.0, 3.5), 1, "cw"), ("rhombus", (1.0, 3.0), 5, "ccw")),
        (("rhombus", (-2.5, 0.5), 3, "cw"), ("triangle", (0.0, 0.0), 3, "ccw")),
        (("triangle", (1.85, -0.74), 5, "cw"), ("hexagon", (-0.37, -0.74), 1, "ccw")),
    ],
)
def test_two_twists_too_close_for_their_layers_are_refused(plans, first, second):
    # that these have no order was confirmed by trying all orders of the layers over every region, one by one
    twists = [{"kind": k, "grid": g, "turn": t, "hand": h} for k, g, t, h in (first, second)]
    with pytest.raises(PlanError, match="layers of t0, t1") as refusal:
        fold_plan(plans.listed(twists))
    assert refusal.value.twists == ("t0", "t1")


@pytest.mark.parametrize(("distance", "width"), [(6, 2), (8, 2), (9, 2), (3, 1), (4, 1), (4.5, 1)])
def test_the_same_plans_further_apart_can_be_folded(plans, distance, width):
    assert len(fold_plan(plans.mixed(distance, width)).above)


def test_at_8_pitches_the_conditions_leave_no_choice(plans):
    # computed independently: the layer order of this plan is unique
    pattern = draw_pattern(plans.mixed(8, 2))
    folded = fold_pattern(pattern)
    overlay = overlay_creases(folded.vertices, pattern.ends, pattern.facets)
    question = ask_layer_order(pattern, overlay, folded.turned.tolist())
    both_ways = [(p, p) for p in question.known] + [*question.equal] + [(q, p) for p, q in question.equal]
    clauses = {(p ^ 1, q, q) for p, q in both_ways} | {(p, q ^ 1, q ^ 1) for p, q in both_ways} | {*question.clauses}
    solver = Solver(len(question.pairs) + 1, clauses)
    solver.solve([], [0, *question.known])
    assert all(HOLDS in solver.value[2 * k : 2 * k + 2] for k in range(1, len(question.pairs) + 1))


literals = st.integers(0, 9)


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(literals, literals, literals), max_size=30), st.permutations(range(5)))
def test_the_search_finds_values_exactly_when_there_are_some(clauses, order):
    solvable = any(
        all(any(values[p // 2] != p % 2 for p in clause) for clause in clauses) for values in product((0, 1), repeat=5)
    )
    solver = Solver(5, clauses)
    if not solvable:
        with pytest.raises(Unsolvable):
            solver.solve([[2 * k for k in order]])
        return
    solver.solve([[2 * k for k in order]])
    assert all(any(solver.value[p] == HOLDS for p in clause) for clause in clauses)


def test_the_search_gives_up_rather_than_run_for_ever(monkeypatch):
    # more pigeons than holes: every assignment fails, and only late
    monkeypatch.setattr("foldtrue.plan.solver.MAX_CONFLICTS", 3)
    holes, pigeons = 3, 8
    number = {pair: 2 * k for k, pair in enumerate(product(range(pigeons), range(holes)))}
    clauses = [(number[p, 0], number[p, 1], number[p, 2]) for p in range(pigeons)]
    for p, q in combinations(range(pigeons), 2):
        clauses += [(number[p, h] ^ 1, number[q, h] ^ 1, number[q, h] ^ 1) for h in range(holes)]
    with pytest.raises(Undecided):
        Solver(len(number), clauses).solve([list(number.values())])


def test_the_order_is_the_same_every_time(plans):
    first, second = (fold_plan(plans.honeycomb()) for _ in range(2))
    np.testing.assert_array_equal(first.above, second.above)

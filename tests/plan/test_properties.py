"""Any plan that is made of sound parts folds and keeps the laws; any plan with a known fault is refused for it.

Laws: Kawasaki-Justin and Maekawa at every vertex, and area conserved, as published for flat-folded paper; the lattice
theorem (creases along multiples of 30 degrees through grid points are mirror lines of the grid). Basic twist: in a
flat twist of side s whose pleat creases leave the sides at angle f, the pleats are s sin f wide and the polygon turns
by 2 f, as writers on flat twists have published (Lang, Twists, Tilings, and Tessellations, 2018 [from memory]; two
reflections in lines at angle f make a turn by 2 f).
"""

from __future__ import annotations

from collections import defaultdict
from functools import cache
from math import sqrt

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from panels import HEAD, plan_of

from foldtrue.errors import PlanError
from foldtrue.plan.file import Plan, parse_plan
from foldtrue.plan.fold import fold_plan
from foldtrue.plan.folding import fold_pattern
from foldtrue.plan.layout import grid_start, twist_sites
from foldtrue.plan.new import PlanWords, make_plan
from foldtrue.plan.pattern import draw_pattern
from foldtrue.plan.shape import layer_areas
from foldtrue.plan.summary import summarise

sizes = st.floats(20, 900, allow_nan=False)
hands = st.sampled_from(["ccw", "cw"])
many = settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])

# Spacings at which each layout has a layer order, in pitches, for pleats one row wide (tests/plan/test_order.py).
SPACINGS = {
    "triangle": (2.0, 3.0, 4.0),
    "mixed": (3.0, 4.0, 4.5, 5.0),
    "rhombi": (3.0, 4.0, 5.0),
    "clusters": (2.0, 3.0),
}


@st.composite
def sheets_and_grids(draw):
    """A sheet of any shape and size with a grid that it may have: 15 to 30 pitches across."""
    size = draw(sizes)
    shape = draw(st.sampled_from(["hexagon", "square", "rectangle", "polygon"]))
    words = {
        "hexagon": {"height": size},
        "square": {"sheet": "square", "side": size},
        "rectangle": {"sheet": "rectangle", "width": size, "height": size * 0.75},
        "polygon": {
            "sheet": "polygon",
            "corners": ((-0.5 * size, -0.4 * size), (0.5 * size, -0.4 * size), (0.1 * size, 0.5 * size)),
        },
    }[shape]
    kinds = ["rotated", "pitch"] if shape == "polygon" else ["edge-to-edge", "rotated", "pitch"]
    kinds = ["point-to-point", "edge-to-edge", "rotated"] if shape == "hexagon" else kinds
    kind = draw(st.sampled_from(kinds))
    if kind == "rotated":
        most = {"hexagon": 8, "polygon": 20}.get(shape, 16)
        words |= {"slope": (draw(st.integers(most // 2, most)), draw(st.integers(0, most // 2)))}
    elif kind == "pitch":
        words |= {"pitch": size / draw(st.integers(12, 20))}
    else:
        words |= {"grid": kind, "divisions": 2 * draw(st.integers(8, 12))}
    return words | ({"start": "corner"} if draw(st.booleans()) else {})


@st.composite
def sound_plans(draw) -> Plan:
    """Any layout on any sheet and grid, its border trimmed; or a single twist of any kind."""
    words = draw(sheets_and_grids())
    layout = draw(st.sampled_from([*SPACINGS, "single"]))
    if layout == "single":
        plan = make_plan(PlanWords(**words | {"start": None}, twist=(draw(twists_at_the_centre()),))).plan
        return plan
    spacing = draw(st.sampled_from(SPACINGS[layout]))
    words |= {"twists": layout, "spacing": spacing, "first_hand": draw(hands)}
    try:
        return make_plan(PlanWords(**words)).plan
    except PlanError:  # nothing of it fits on this sheet: the same words on a sheet that has room
        return make_plan(PlanWords(height=240.0, twists=layout, spacing=spacing, divisions=32)).plan


@st.composite
def twists_at_the_centre(draw):
    kind = draw(st.sampled_from(["triangle", "hexagon", "rhombus"]))
    place = [0.5, 0.0] if kind == "rhombus" else [0.0, 0.0]  # tips of a rhombus lie on grid points from there
    return {
        "kind": kind,
        "grid": place,
        "turn": draw(st.sampled_from([0, 3] if kind == "rhombus" else range(6))),
        "hand": draw(hands),
    }


@cache
def folded(plan: Plan):
    return fold_plan(plan)


def area(polygon):
    x, y = np.asarray(polygon).T
    return float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum() / 2)


@many
@given(sound_plans())
def test_the_paper_closes(plan):
    pattern = draw_pattern(plan)
    assert fold_pattern(pattern).mismatch_mm < 1e-9 * pattern.size_mm
    nominal = folded(plan)
    size = np.abs(nominal.sheet_outline_mm).max()
    for ends, pair in zip(nominal.creases.ends, nominal.creases.facets.tolist(), strict=True):
        for facet in (nominal.facets[f] for f in pair if f >= 0):
            carried = nominal.vertices_sheet_mm[ends] @ facet.motion[:, :2].T + facet.motion[:, 2]
            assert np.abs(carried - nominal.vertices_mm[ends]).max() < 1e-9 * size


@many
@given(sound_plans())
def test_folding_keeps_the_area_and_the_mean_number_of_layers_is_sheet_over_piece(plan):
    nominal = folded(plan)
    sheet = area(nominal.sheet_outline_mm)
    facets = [abs(area(nominal.vertices_mm[list(f.vertices)])) for f in nominal.facets]
    assert sum(facets) == pytest.approx(sheet, rel=1e-9)
    by_layers = layer_areas(nominal)
    assert sum(n * part for n, part in by_layers.items()) == pytest.approx(sheet, rel=1e-9)
    summary = summarise(nominal)
    assert summary.mean_layers == pytest.approx(sheet / sum(by_layers.values()), rel=1e-9)
    assert summary.most_layers == max(n for n, part in by_layers.items() if part > 1e-9 * sheet)
    assert summary.mean_layers <= summary.most_layers


@many
@given(sound_plans())
def test_kawasaki_justin_and_maekawa_hold_at_every_vertex_inside(plan):
    nominal = folded(plan)
    around = defaultdict(list)
    rim = set()
    for (a, b), kind in zip(nominal.creases.ends.tolist(), nominal.creases.kind.tolist(), strict=True):
        rim |= {a, b} if kind == "R" else set()
        for here, there in ((a, b), (b, a)):
            x, y = nominal.vertices_sheet_mm[there] - nominal.vertices_sheet_mm[here]
            around[here].append((np.rad2deg(np.arctan2(y, x)), kind))
    inside = {v: sorted(creases) for v, creases in around.items() if v not in rim}
    assert inside
    for creases in inside.values():
        directions, kinds = zip(*creases, strict=True)
        sectors = np.diff(directions, append=directions[0] + 360)
        assert sectors[::2].sum() == pytest.approx(180, abs=1e-6)
        assert abs(kinds.count("M") - kinds.count("V")) == 2


@many
@given(sound_plans())
@example(make_plan(PlanWords(height=240.0, divisions=16, twists="mixed", spacing=4.5)).plan)
def test_every_tip_on_a_grid_point_folds_onto_a_grid_point(plan):
    """Of tips alone: where a crease that runs between the grid's lines leaves the sheet, its end may lie on a grid
    point by chance, as in the example."""
    # the folded frame has its origin in the folded centre, so places are compared with the first such tip's
    nominal = folded(plan)
    start = np.array([grid_start(plan).real, grid_start(plan).imag])

    def coordinates(points):
        x, y = (points / plan.pitch_mm).T
        j = y / (sqrt(3) / 2)
        return np.column_stack([x - j / 2, j])

    flat = coordinates(nominal.vertices_sheet_mm - start)
    on_grid = np.abs(flat - np.round(flat)).max(1) < 1e-6
    on_grid &= np.isin(np.arange(len(flat)), [tip for twist in nominal.twists for tip in twist.tips])
    there = coordinates(nominal.vertices_mm[on_grid])
    if len(there):
        steps = there - there[0]
        np.testing.assert_allclose(steps, np.round(steps), atol=1e-6)


@many
@given(
    st.sampled_from(["triangle", "hexagon", "rhombus", "open-hexagon"]), hands, st.sampled_from([1.0, 1.5, 2.0]), sizes
)
def test_a_basic_twist_is_side_times_sine_wide_and_turns_by_twice_the_angle(kind, hand, rows, pitch):
    sheet = {"shape": "square", "side_mm": 30 * pitch}
    if sheet["side_mm"] >= 5000:
        sheet["side_mm"], pitch = 4800.0, 160.0
    twist = {"kind": kind, "grid": [0, 0], "hand": hand, "width_rows": rows}
    plan = plan_of(sheet, {"kind": "pitch", "pitch_mm": pitch}, [twist])
    nominal = fold_plan(plan)
    tips = nominal.vertices_sheet_mm[list(nominal.twists[0].tips)]
    side = np.hypot(*(np.roll(tips, -1, 0) - tips).T)
    np.testing.assert_allclose(side, side[0], rtol=1e-9)
    angle = {"triangle": 30, "hexagon": 60, "rhombus": 30, "open-hexagon": 30}[kind]
    assert side[0] * np.sin(np.deg2rad(angle)) == pytest.approx(rows * pitch * sqrt(3) / 2, rel=1e-9)
    turn = next(f for f in nominal.facets if f.kind == "twist").motion[:, :2]
    found = np.rad2deg(np.arctan2(turn[1, 0], turn[0, 0]))
    assert found == pytest.approx((2 if hand == "ccw" else -2) * angle, abs=1e-6)


def listed(plan: Plan):
    """A honeycomb's twists, listed one by one, to put a fault into one of them."""
    return [
        {"grid": list(s.grid), "kind": s.kind, "turn": s.turn, "hand": "ccw" if s.hand > 0 else "cw"}
        for s in twist_sites(plan)
    ]


def _wrong_hand(twists, k):
    twists[k]["hand"] = "cw" if twists[k]["hand"] == "ccw" else "ccw"


def _wrong_width(twists, k):
    twists[k]["width_rows"] = 1.25


def _off_the_sheet(twists, k):
    twists[k]["grid"] = [40, k]


def _off_the_lines(twists, k):
    twists[k]["grid"][1] += 0.25


def _twice(twists, k):
    twists.append(twists[k] | {"turn": 1 - twists[k]["turn"], "hand": "ccw" if twists[k]["hand"] == "cw" else "cw"})


FAULTS = {
    _wrong_hand: "hands of",
    _wrong_width: "two widths",
    _off_the_sheet: "leaves the sheet",
    _off_the_lines: "different lines",
    _twice: "run into each other|stand too close|clash",
}


@many
@given(st.sampled_from(list(FAULTS)), st.integers(0, 23), st.sampled_from([3, 4]), hands)
def test_a_fault_in_one_twist_is_refused_with_its_reason_and_its_name(fault, number, spacing, hand):
    words = PlanWords(height=300.0, divisions=32, spacing=spacing, rings=2, first_hand=hand)
    plan = make_plan(words).plan
    twists = listed(plan)
    fault(twists, number)
    with pytest.raises(PlanError, match=FAULTS[fault]) as refusal:
        fold_plan(plan.model_copy(update={"twists": parse_plan(HEAD | _on(plan) | {"twists": twists}).twists}))
    assert refusal.value.twists
    if fault is not _twice:
        assert f"t{number}" in refusal.value.twists


def _on(plan: Plan):
    return {"sheet": plan.sheet.model_dump(exclude_none=True), "grid": plan.grid.model_dump(exclude_none=True)}


FIELDS = {
    ("sheet", "height_mm"): st.floats(max_value=0) | st.floats(min_value=5000),
    ("grid", "divisions"): st.integers(max_value=1) | st.integers(min_value=257),
    ("twists", "rings"): st.integers(max_value=0) | st.integers(min_value=19),
    ("twists", "spacing"): st.integers(max_value=0) | st.integers(min_value=129) | st.text(min_size=1),
}


@many
@given(st.data())
def test_a_value_out_of_range_is_refused_with_the_field_named(data):
    part, field = data.draw(st.sampled_from(sorted(FIELDS)))
    content = HEAD | {
        "sheet": {"shape": "hexagon", "height_mm": 240.0},
        "grid": {"kind": "point-to-point", "divisions": 16},
        "twists": {"recipe": "honeycomb", "spacing": 2, "rings": 2},
    }
    wrong = data.draw(FIELDS[part, field])
    with pytest.raises(PlanError) as refusal:
        parse_plan(content | {part: content[part] | {field: wrong}})
    assert f"{part}.{field}: expected" in str(refusal.value)


@many
@given(st.data())
def test_a_letter_too_many_in_a_field_is_guessed(data):
    content = {
        "sheet": {"shape": "hexagon", "height_mm": 240.0},
        "grid": {"kind": "point-to-point", "divisions": 16},
        "twists": {"recipe": "honeycomb", "spacing": 2, "rings": 2},
    }
    part = data.draw(st.sampled_from(sorted(content)))
    field = data.draw(st.sampled_from(sorted(set(content[part]) - {"shape", "kind", "recipe"})))
    at = data.draw(st.integers(1, len(field) - 1))
    content[part][field[:at] + "x" + field[at:]] = content[part].pop(field)
    with pytest.raises(PlanError, match=f"did you mean {field}"):
        parse_plan(HEAD | content)

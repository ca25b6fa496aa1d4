"""The crease pattern as SVG: every fold once, in the published notation, at its place."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections import Counter

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from foldtrue.plan.grid_lines import plan_grid
from foldtrue.printing.creases import draw_creases
from foldtrue.printing.drawing import Stroke
from foldtrue.printing.fold_lines import fold_dashes
from foldtrue.printing.svg import svg_text

NS = {"s": "http://www.w3.org/2000/svg"}


def strokes(drawing, kind):
    return [mark for mark in drawing.marks if isinstance(mark, Stroke) and mark.kind == kind]


def points(path):
    return np.array([[float(v) for v in pair.split()] for pair in path.get("d")[1:].rstrip("Z").split("L")])


def test_one_unit_of_the_svg_is_one_millimetre(named_plan, pages):
    svg = ET.fromstring(svg_text(pages(named_plan("honeycomb"), "creases")))
    width, height = svg.get("width"), svg.get("height")
    assert width.endswith("mm")
    assert svg.get("viewBox") == f"0 0 {width[:-2]} {height[:-2]}"


def test_every_fold_of_every_plan_is_drawn_once_where_the_plan_has_it(any_plan, pages):
    _, nominal = any_plan
    (page,) = pages(any_plan, "creases")
    svg = ET.fromstring(svg_text([page]))
    drawn = {path.get("id"): path for path in svg.iterfind(".//s:path[@id]", NS)}
    folds = np.flatnonzero(nominal.creases.kind != "R")
    assert sorted(drawn) == sorted(nominal.creases.ids[k] for k in folds)
    for k in folds:
        path = drawn[nominal.creases.ids[k]]
        assert path.get("class") == nominal.creases.kind[k]
        planned = nominal.vertices_sheet_mm[nominal.creases.ends[k]] + page.windows[0].shift
        np.testing.assert_allclose(
            points(path), np.column_stack([planned[:, 0], page.height_mm - planned[:, 1]]), atol=6e-4
        )


def test_valleys_are_dashes_mountains_dash_and_dot_the_rim_is_solid_and_all_is_black(any_plan, pages):
    # S. Randlett, The Art of Origami (1961), after A. Yoshizawa [from memory]
    svg = ET.fromstring(svg_text(pages(any_plan, "creases", grid_lines=True)))
    for path in svg.iterfind(".//s:g[@class='creases']/s:path[@stroke-width]", NS):
        dashes = [float(v) for v in (path.get("stroke-dasharray") or "").split()]
        if path.get("class") == "V":
            assert len(dashes) == 2
        elif path.get("class") == "M":
            long, gap, dot, same_gap = dashes
            assert long > 3 * dot
            assert gap == same_gap
        else:
            assert not dashes
        assert path.get("stroke") is None  # the whole picture's black
    assert svg.find("s:g", NS).get("stroke") == "#000"


@given(st.sampled_from("MV"), st.floats(0.05, 2000))
def test_a_fold_begins_and_ends_with_a_whole_dash_and_shows_its_pattern_however_short(kind, length_mm):
    dashes = fold_dashes(kind, length_mm)
    turns = (length_mm - dashes[0]) / sum(dashes)
    assert turns == pytest.approx(round(turns), abs=1e-6)
    assert round(turns) >= 1
    assert dashes[0] < 1.5 * 3.0


def test_grid_creases_are_those_that_no_fold_uses(any_plan):
    plan, nominal = any_plan
    grid = plan_grid(plan)
    unused = strokes(draw_creases(nominal, grid), "grid")
    assert unused
    middles = np.array([stroke.points.mean(0) for stroke in unused])
    a, b = (nominal.vertices_sheet_mm[nominal.creases.ends[:, k]] for k in (0, 1))
    along = (b - a) / np.hypot(*(b - a).T)[:, None]
    ray = middles[:, None] - a
    t = np.einsum("mcx,cx->mc", ray, along)
    off = np.abs(ray[..., 0] * along[:, 1] - ray[..., 1] * along[:, 0])
    run = np.array([np.subtract(*stroke.points) for stroke in unused])
    parallel = np.abs(run[:, None, 0] * along[:, 1] - run[:, None, 1] * along[:, 0]) < 1e-6
    on_fold = parallel & (off < 1e-6) & (t > 0) & (t < np.hypot(*(b - a).T))
    assert not on_fold.any()


def test_grid_creases_and_the_folds_on_them_make_up_the_whole_grid(named_plan):
    plan, nominal = named_plan("honeycomb")
    grid = plan_grid(plan)
    unused = sum(np.hypot(*np.diff(s.points, axis=0)[0]) for s in strokes(draw_creases(nominal, grid), "grid"))
    ends = nominal.vertices_sheet_mm[nominal.creases.ends[nominal.creases.kind != "R"]]
    direction = np.degrees(np.arctan2(*(ends[:, 1] - ends[:, 0]).T[::-1])) % 60
    on_grid = np.minimum(direction, 60 - direction) < 1e-6
    folded = np.hypot(*(ends[on_grid, 1] - ends[on_grid, 0]).T).sum()
    at_rim = Counter(nominal.creases.ends[nominal.creases.kind == "R"].ravel().tolist())
    touching = sum(
        int(v) in at_rim for pair in nominal.creases.ends[nominal.creases.kind != "R"][on_grid] for v in pair
    )
    whole = (grid.high_mm - grid.low_mm).sum()
    assert unused + folded == pytest.approx(whole - 2.0 * (2 * len(grid.number) - touching), abs=1e-6)


def test_every_twist_is_named_and_its_arrow_turns_with_its_hand(any_plan):
    _, nominal = any_plan
    drawing = draw_creases(nominal)
    words = [mark.text for mark in drawing.marks if hasattr(mark, "text")]
    assert sorted(words) == sorted(twist.id for twist in nominal.twists)
    for hand, kind in ((1, "ccw"), (-1, "cw")):
        arcs = strokes(drawing, kind)
        assert len(arcs) == sum(twist.hand == hand for twist in nominal.twists)
        for arc in arcs:
            ray = arc.points - (arc.points[0] + arc.points[-1]) / 2
            turn = ray[:-1, 0] * ray[1:, 1] - ray[:-1, 1] * ray[1:, 0]
            assert np.sign(turn.sum()) == hand

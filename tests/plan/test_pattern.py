"""Twists, pleats and the crease pattern, against published theorems and refusals that name the twists."""

from __future__ import annotations

from collections import defaultdict
from math import sqrt

import numpy as np
import pytest

from foldtrue.errors import PlanError
from foldtrue.plan.checks import local_fault
from foldtrue.plan.fold import fold_plan
from foldtrue.plan.layout import Site
from foldtrue.plan.twist import lay_out_twist

ONE_ROW = sqrt(3) / 2


def shape(kind, hand=1, width=ONE_ROW, turn=0):
    return lay_out_twist(0, Site("t0", kind, (0.0, 0.0), 0j, turn, hand, width, 0))


def stars(nominal):
    """Creases around every vertex inside the sheet: sorted directions in degrees, senses."""
    around = defaultdict(list)
    rim = set()
    for (a, b), kind in zip(nominal.creases.ends.tolist(), nominal.creases.kind.tolist(), strict=True):
        if kind == "R":
            rim |= {a, b}
            continue
        for here, there in ((a, b), (b, a)):
            x, y = nominal.vertices_sheet_mm[there] - nominal.vertices_sheet_mm[here]
            around[here].append((np.rad2deg(np.arctan2(y, x)), kind))
    for vertex, creases in around.items():
        if vertex not in rim:
            directions, kinds = zip(*sorted(creases), strict=True)
            yield vertex, np.array(directions), kinds


def sectors(directions):
    return np.diff(directions, append=directions[0] + 360)


@pytest.mark.parametrize("hand", [1, -1])
def test_a_triangle_twist_one_row_wide_has_sides_of_sqrt_3_pitches(hand):
    tips = np.array(shape("triangle", hand).tips)
    np.testing.assert_allclose(np.abs(tips), 1, atol=1e-12)  # on the mountain lines, one pitch from the centre
    np.testing.assert_allclose(np.abs(np.roll(tips, 1) - tips), sqrt(3), atol=1e-12)


@pytest.mark.parametrize("hand", [1, -1])
def test_a_hexagon_twist_has_tips_at_2w_over_sqrt_3(hand):
    tips = np.array(shape("hexagon", hand, width=3.0).tips)
    np.testing.assert_allclose(np.abs(tips), 2 * 3 / sqrt(3), atol=1e-12)
    np.testing.assert_allclose(np.abs(np.roll(tips, 1) - tips), 2 * 3 / sqrt(3), atol=1e-12)


@pytest.mark.parametrize("hand", [1, -1])
def test_a_rhombus_twist_has_equal_sides_and_angles_of_60_and_120(hand):
    tips = np.array(shape("rhombus", hand).tips)
    sides = np.roll(tips, -1) - tips
    np.testing.assert_allclose(np.abs(sides), sqrt(3), atol=1e-12)
    turns = np.rad2deg(np.angle(np.roll(sides, -1) / sides)) * hand
    np.testing.assert_allclose(np.sort(turns), [60, 60, 120, 120], atol=1e-9)


@pytest.mark.parametrize("kind", ["triangle", "hexagon", "rhombus"])
@pytest.mark.parametrize("hand", [1, -1])
def test_the_valley_line_lies_on_the_side_of_the_hand_one_width_away(kind, hand):
    for pleat in shape(kind, hand, width=1.5).pleats:
        across = ((pleat.valley - pleat.mountain) * np.exp(-1j * np.deg2rad(pleat.direction_deg))).imag
        assert across == pytest.approx(1.5 * hand, abs=1e-12)


def test_turn_turns_the_pleats_by_60_degrees():
    assert sorted(p.direction_deg for p in shape("rhombus", turn=1).pleats) == [60, 120, 240, 300]


def test_kawasaki_justin_holds_at_every_inner_vertex(nominal):
    # Kawasaki-Justin theorem, as published: alternate sector angles of a flat-folded vertex add up to 180 degrees
    for _, directions, _ in stars(nominal):
        assert sectors(directions)[::2].sum() == pytest.approx(180, abs=1e-6)


def test_maekawa_holds_at_every_inner_vertex(nominal):
    # Maekawa's theorem, as published: mountains and valleys at a flat-folded vertex differ by two
    for _, _, kinds in stars(nominal):
        assert abs(kinds.count("M") - kinds.count("V")) == 2


def test_the_smallest_sector_lies_between_creases_of_unlike_sense(nominal):
    # follows from the non-crossing of the two neighbouring faces; published with the theorems above
    for _, directions, kinds in stars(nominal):
        sector = sectors(directions)
        for k in range(len(sector)):
            if sector[k] < min(sector[k - 1], sector[(k + 1) % len(sector)]) - 1e-6:
                assert kinds[k] != kinds[(k + 1) % len(kinds)]


def test_a_triangle_twists_tip_has_sectors_150_60_30_120_and_two_mountain_sides(plans):
    nominal = plans.folded("honeycomb L3")
    around = {vertex: (directions, kinds) for vertex, directions, kinds in stars(nominal)}
    for twist in nominal.twists:
        for tip in twist.tips:
            directions, kinds = around[tip]
            sector = np.round(sectors(directions), 6).tolist()
            turn = sector.index(150.0)
            rolled = sector[turn:] + sector[:turn]
            assert rolled in ([150, 60, 30, 120], [150, 120, 30, 60])
            side = sector.index(60.0)  # the corner of the triangle
            assert kinds[side] == kinds[(side + 1) % 4] == "M"


def test_at_spacing_2_neighbouring_tips_are_one_vertex_of_six_creases(plans):
    nominal = plans.folded("honeycomb L2")
    joined = {vertex for vertex, directions, _ in stars(nominal) if len(directions) == 6}
    owners = defaultdict(int)
    for twist in nominal.twists:
        for tip in twist.tips:
            owners[tip] += 1
    assert joined == {tip for tip, count in owners.items() if count == 2}
    assert len(joined) == 30


def test_facets_have_stable_names_and_run_counter_clockwise(nominal):
    assert len({facet.id for facet in nominal.facets}) == len(nominal.facets)
    for facet in nominal.facets:
        x, y = nominal.vertices_sheet_mm[list(facet.vertices)].T
        assert (x * np.roll(y, -1) - y * np.roll(x, -1)).sum() > 0


def test_facets_cover_the_sheet_once(nominal):
    total = sum(area(nominal.vertices_sheet_mm[list(facet.vertices)]) for facet in nominal.facets)
    assert total == pytest.approx(area(nominal.sheet_outline_mm), rel=1e-12)


def area(polygon):
    x, y = polygon.T
    return float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum() / 2)


def test_crease_sides_agree_with_the_facets(nominal):
    creases = nominal.creases
    for (a, b), pair in zip(creases.ends.tolist(), creases.facets.tolist(), strict=True):
        for facet, (start, stop) in zip(pair, ((a, b), (b, a)), strict=True):
            if facet >= 0:
                loop = nominal.facets[facet].vertices
                assert (start, stop) in zip(loop, (*loop[1:], loop[0]), strict=True)


def test_euler_holds_for_the_drawing(nominal):
    # Euler's formula for a connected plane drawing: V - E + F = 2, the outside counted
    vertices, edges, faces = len(nominal.vertices_mm), len(nominal.creases.ids), len(nominal.facets) + 1
    assert vertices - edges + faces == 2


def test_a_crease_along_the_rim_is_the_rim(plans):
    # edge to edge with equality in the ring rule: the outermost pleats end in valley lines on the rim
    nominal = plans.folded("honeycomb L3, edge to edge")
    assert len(nominal.facets) == 178


def refusal(plan):
    with pytest.raises(PlanError) as caught:
        fold_plan(plan)
    return caught.value


def test_twists_of_one_hand_that_face_each_other_are_refused(plans):
    error = refusal(plans.listed([plans.triangle(0, 0, "ccw", 0), plans.triangle(3, 0, "ccw", 1)]))
    assert "hands of t0 and t1 clash: both are ccw" in str(error)
    assert error.twists == ("t0", "t1")


def test_twists_of_two_widths_on_one_pleat_are_refused(plans):
    wide = plans.triangle(7, 0, "cw", 1, width_rows=2)
    error = refusal(plans.listed([plans.triangle(0, 0, "ccw", 0), wide]))
    assert "two widths" in str(error)
    assert error.twists == ("t0", "t1")


def test_pleats_that_face_each_other_on_different_lines_are_refused(plans):
    twists = [plans.triangle(0, 0, "ccw", 0, width_rows=2), plans.triangle(8, 1, "cw", 1, width_rows=2)]
    error = refusal(plans.listed(twists))
    assert "different lines" in str(error)
    assert error.twists == ("t0", "t1")


def test_twists_whose_tips_pass_each_other_are_refused(plans):
    error = refusal(plans.honeycomb(spacing=1, rings=1))
    assert "too close" in str(error)
    assert len(error.twists) == 2


@pytest.mark.parametrize(
    "other",
    [(0, 0, "ccw", 0), (0, 0, "cw", 1), (1, 0, "cw", 0), (1, 1, "cw", 1), (0.25, 0.5, "ccw", 1), (0, 6, "cw", 0)],
)
def test_twists_that_overlap_or_whose_pleats_cross_are_refused(plans, other):
    error = refusal(plans.listed([plans.triangle(0, 0, "ccw", 0), plans.triangle(*other)]))
    assert error.twists == ("t0", "t1")


def test_a_pleat_that_runs_into_a_third_twist_is_refused(plans):
    twists = [plans.triangle(0, 0, "ccw", 0), plans.triangle(8, 0, "cw", 1), plans.triangle(4, -0.5, "cw", 0)]
    assert "t2" in refusal(plans.listed(twists)).twists


def test_a_twist_that_leaves_the_sheet_is_refused_and_named(plans):
    error = refusal(plans.listed([plans.triangle(0, 0, "ccw", 0), plans.triangle(19.75, 0, "cw", 1)]))
    assert "t1 leaves the sheet: tips up to 0.25 mm outside" in str(error)
    assert error.twists == ("t1",)


@pytest.mark.parametrize(("beyond", "allowed"), [(0.0, True), (1e-11, True), (1e-5, False)])
def test_tips_on_the_rim_are_allowed_within_1e_9_of_the_sheet(plans, beyond, allowed):
    twists = [plans.triangle(0, 0, "ccw", 0)]
    plan = plans.listed(twists, ((-9, -9), (1 - beyond, -9), (1 - beyond, 9), (-9, 9)))
    if allowed:
        assert len(fold_plan(plan).facets) == 7
    else:
        assert refusal(plan).twists == ("t0",)


@pytest.mark.parametrize(
    ("directions", "kinds", "words"),
    [
        ([0, 90, 180, 270], "MMMV", ""),
        ([0, 90, 180, 270], "MMVV", "Maekawa"),
        ([0, 90, 180, 280], "MMMV", "Kawasaki-Justin"),
        ([0, 120, 240], "MMV", "even number"),
        ([0, 180], "MM", "at least four"),
        ([0, 45, 135, 270], "MMMV", "smallest angle"),
        ([0, 45, 180, 315], "MVMM", ""),
        ([0, 60, 180, 300], "MMMV", ""),
        ([0, 45, 160, 295], "MMVM", "smallest angle"),
        ([0, 45, 160, 295], "MVMM", ""),
    ],
)
def test_one_vertex_is_judged_by_the_published_rules(directions, kinds, words):
    fault = local_fault(np.array(directions, float), kinds)
    assert (words in fault) if words else (fault == "")

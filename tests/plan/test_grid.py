"""Rotated grids, odd divisions, sheets of other shapes and where the grid starts on them."""

from __future__ import annotations

from math import atan2, degrees, gcd, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from panels import plan_of

from foldtrue.errors import PlanError
from foldtrue.plan.fold import fold_plan
from foldtrue.plan.grid import aligned_divisions, slope_direction
from foldtrue.plan.layout import grid_start, sheet_corners

HEXAGON = {"shape": "hexagon", "height_mm": 240}
SQUARE = {"shape": "square", "side_mm": 210}
RECTANGLE = {"shape": "rectangle", "width_mm": 297, "height_mm": 210}
POLYGON = {"shape": "polygon", "corners_mm": [[-90, -80], [110, -80], [70, 90], [-60, 75]]}
ONE = [{"grid": [0, 0], "kind": "triangle", "hand": "ccw"}]

slopes = st.tuples(st.integers(0, 12), st.integers(0, 12)).filter(lambda slope: slope != (0, 0))


@pytest.fixture
def make():
    def plan(sheet, grid, twists=ONE, **more):
        return plan_of(sheet, grid, twists, **more)

    return plan


def grid_coordinates(points, plan):
    """(N, 2) coordinates along 0 and 60 degrees from the grid's start."""
    z = (np.atleast_1d(points) - grid_start(plan)) / plan.pitch_mm
    j = z.imag / (sqrt(3) / 2)
    return np.column_stack([z.real - j / 2, j])


def whole(numbers):
    return np.allclose(numbers, np.round(numbers), atol=1e-9)


@pytest.mark.parametrize(
    ("slope", "norm", "angle_deg"),
    # m^2 + m n + n^2 and the angle of m + n exp(i 60 deg): what slope components mean on a triangular grid, as in
    # Yoder, "Rotated Grids for Origami Tessellation Pattern Alignment", Bridges 2024; the values are derived here
    [((1, 0), 1, 0), ((1, 1), 3, 30), ((2, 1), 7, 19.106605), ((3, 1), 13, 13.897886), ((3, 2), 19, 23.413224)],
)
def test_slope_components_say_how_long_and_how_steep_the_side_is(make, slope, norm, angle_deg):
    plan = make(HEXAGON, {"kind": "rotated", "slope": [6 * s for s in slope]}, ONE)
    side = 240 / sqrt(3)
    assert plan.pitch_mm == pytest.approx(side / (6 * sqrt(norm)), rel=1e-12)
    direction = slope_direction(*slope)
    assert degrees(atan2(direction.imag, direction.real)) == pytest.approx(angle_deg, abs=1e-6)
    assert aligned_divisions(*slope) == norm


@given(slopes)
def test_a_hexagon_holds_6_times_the_triangulation_number_of_small_triangles(slope):
    # T = m^2 + m n + n^2, the triangulation number of Caspar and Klug 1962 [from memory], counts the small triangles on
    # one large one whose side has these components; a hexagon is six of those
    m, n = slope
    plan = plan_of(HEXAGON, {"kind": "rotated", "slope": [m, n]}, ONE)
    hexagon, small = 240**2 * sqrt(3) / 2, plan.pitch_mm**2 * sqrt(3) / 4
    assert hexagon / small == pytest.approx(6 * (m * m + m * n + n * n), rel=1e-9)
    direction = slope_direction(m, n)
    assert atan2(direction.imag, direction.real) == pytest.approx(atan2(n * sqrt(3), 2 * m + n), abs=1e-12)


@given(slopes)
def test_all_points_of_the_rotated_grid_lie_on_the_sheets_own_grid_of_so_many_divisions_and_no_fewer(slope):
    m, n = slope
    side = m + n * np.exp(1j * np.pi / 3)
    pitch = 1 / side  # one pitch of the rotated grid, as a share of the side

    def on_grid(divisions):
        z = pitch * divisions
        j = z.imag / (sqrt(3) / 2)
        return whole([z.real - j / 2, j])

    divisions = aligned_divisions(m, n)
    assert divisions == (m * m + m * n + n * n) // gcd(m, n)
    assert on_grid(divisions)
    assert not any(on_grid(fewer) for fewer in range(1, divisions))


@given(slopes)
def test_all_corners_of_a_hexagon_lie_on_its_rotated_grid(slope):
    plan = plan_of(HEXAGON, {"kind": "rotated", "slope": list(slope)}, ONE)
    corners = sheet_corners(plan)
    assert whole(grid_coordinates(corners, plan))
    np.testing.assert_allclose(np.abs(np.roll(corners, -1) - corners), 240 / sqrt(3), atol=1e-9)


@pytest.mark.parametrize(("slope", "kind", "divisions"), [((8, 0), "edge-to-edge", 16), ((4, 4), "point-to-point", 16)])
def test_the_two_plain_grids_are_rotated_grids_too(make, slope, kind, divisions):
    twists = {"recipe": "honeycomb", "spacing": 2, "rings": 2}
    rotated = fold_plan(make(HEXAGON, {"kind": "rotated", "slope": list(slope)}, twists))
    plain = fold_plan(make(HEXAGON, {"kind": kind, "divisions": divisions}, twists))
    assert rotated.pitch_mm == pytest.approx(plain.pitch_mm, rel=1e-12)
    np.testing.assert_allclose(rotated.vertices_mm, plain.vertices_mm, atol=1e-9)


@pytest.mark.parametrize("sheet", [SQUARE, RECTANGLE, POLYGON], ids=lambda sheet: sheet["shape"])
def test_the_first_side_of_any_sheet_is_the_slope(make, sheet):
    plan = make(sheet, {"kind": "rotated", "slope": [9, 4], "start": "corner"}, [ONE[0] | {"grid": [3, 4]}])
    corners = sheet_corners(plan)
    np.testing.assert_allclose(grid_coordinates(corners[:2], plan), [[0, 0], [9, 4]], atol=1e-9)


def test_a_turned_polygon_keeps_its_shape(make):
    plan = make(POLYGON, {"kind": "rotated", "slope": [9, 4]})
    flat = np.array([complex(*c) for c in POLYGON["corners_mm"]])
    turned = sheet_corners(plan)
    np.testing.assert_allclose(turned / flat, (turned / flat)[0], atol=1e-12)
    np.testing.assert_allclose(np.abs(turned), np.abs(flat), atol=1e-9)


@pytest.mark.parametrize("divisions", [15, 16, 9])
def test_an_odd_number_of_divisions_starts_in_a_corner(make, divisions):
    # from a corner of a hexagon both its sides, the opposite corner and the sides there are grid lines
    twists = [ONE[0] | {"grid": [-3, 0]}]
    plan = make(HEXAGON, {"kind": "edge-to-edge", "divisions": divisions, "start": "corner"}, twists)
    places = grid_coordinates(sheet_corners(plan), plan)
    np.testing.assert_allclose(places[0], 0, atol=1e-9)
    np.testing.assert_allclose(places[3], [-divisions, 0], atol=1e-9)
    assert len(fold_plan(plan).facets) == 7


@pytest.mark.parametrize("divisions", [3, 15, 255])
def test_an_odd_number_from_the_centre_has_no_points_where_three_lines_meet(make, divisions):
    # lines half a row from the centre in two directions meet on a whole row of the third, where no line is
    with pytest.raises(PlanError, match=r'even number, so that three grid lines meet.*or "start": "corner"'):
        make(HEXAGON, {"kind": "edge-to-edge", "divisions": divisions})
    half_row = np.array([0.5, 1.5, 2.5])
    third = half_row[:, None] + half_row  # the offsets of three unit normals 60 degrees apart: first + third = second
    assert not np.isin(third % 1, 0.5).any()


@pytest.mark.parametrize("divisions", [7, 10, 21])
@pytest.mark.parametrize("sheet", [SQUARE, RECTANGLE], ids=lambda sheet: sheet["shape"])
def test_rows_divide_the_height_of_a_rectangle(make, sheet, divisions):
    plan = make(sheet, {"kind": "edge-to-edge", "divisions": divisions, "start": "corner"}, [ONE[0] | {"grid": [2, 2]}])
    nominal = fold_plan(plan)
    assert nominal.row_mm * divisions == pytest.approx(210, rel=1e-12)
    low = nominal.sheet_outline_mm[:, 1].min()
    assert nominal.twists[0].sheet_mm[1] == pytest.approx(low + 2 * nominal.row_mm, abs=1e-9)


def test_a_rectangle_has_its_size_and_its_centre_in_the_origin(make):
    corners = sheet_corners(make(RECTANGLE, {"kind": "pitch", "pitch_mm": 10}))
    assert corners.tolist() == [-148.5 - 105j, 148.5 - 105j, 148.5 + 105j, -148.5 + 105j]


def test_a_polygons_grid_starts_in_its_first_listed_corner_whichever_way_round_it_is_listed(make):
    for corners in (POLYGON["corners_mm"], POLYGON["corners_mm"][:1] + POLYGON["corners_mm"][:0:-1]):
        sheet = {"shape": "polygon", "corners_mm": corners}
        plan = make(sheet, {"kind": "pitch", "pitch_mm": 10, "start": "corner"}, [ONE[0] | {"grid": [5, 5]}])
        assert grid_start(plan) == -90 - 80j
        twist = fold_plan(plan).twists[0]
        assert twist.sheet_mm == pytest.approx((-90 + 75, -80 + 50 * sqrt(3) / 2))


@pytest.mark.parametrize(
    ("sheet", "grid", "words"),
    [
        (SQUARE, {"kind": "point-to-point", "divisions": 16}, "expected grid kind edge-to-edge, rotated or pitch"),
        (POLYGON, {"kind": "edge-to-edge", "divisions": 16}, "expected grid kind pitch or rotated for a polygon"),
        (HEXAGON, {"kind": "rotated", "slope": [0, 0]}, "grid: expected slope components"),
        (HEXAGON, {"kind": "rotated", "slope": [3, -1]}, "grid.slope[1]: expected at least 0, found -1"),
        (HEXAGON, {"kind": "rotated", "slope": [3.5, 1]}, "grid.slope[0]: expected a whole number"),
        (HEXAGON, {"kind": "rotated"}, "grid.slope: is missing"),
        ({"shape": "square", "side_mm": 0}, {"kind": "pitch", "pitch_mm": 5}, "sheet.side_mm: expected more than 0"),
        ({"shape": "rectangle", "width_mm": 9}, {"kind": "pitch", "pitch_mm": 5}, "sheet.height_mm: is missing"),
        (HEXAGON, {"kind": "edge-to-edge", "divisions": 1}, "grid.divisions: expected at least 2, found 1"),
        (HEXAGON, {"kind": "edge-to-edge", "divisions": 1000}, "grid.divisions: expected at most 256, found 1000"),
        (
            HEXAGON,
            {"kind": "edge-to-edge", "divsions": 16},
            "grid.divsions: is not a field of this format; did you mean",
        ),
    ],
)
def test_a_grid_that_does_not_suit_its_sheet_is_refused_in_words(make, sheet, grid, words):
    with pytest.raises(PlanError) as refusal:
        make(sheet, grid)
    assert words in str(refusal.value)

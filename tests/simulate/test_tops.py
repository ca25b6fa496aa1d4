"""Which facet is seen at a place, against polygons and the plan's pairwise order looked up point by point."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from skimage.measure import points_in_poly

from foldtrue.frames import Array
from foldtrue.handover import IntArray, Nominal, Side
from foldtrue.simulate import Camera, Errors, Relief, Scene, Surface
from foldtrue.simulate.arrangement import cut_at_crossings, nudged
from foldtrue.simulate.camera import Pinhole
from foldtrue.simulate.daylight import light_back
from foldtrue.simulate.piece import errors_applied
from foldtrue.simulate.tops import TABLE, covers_at, covers_beside, layer_order


def facets_at(nominal: Nominal, vertices_mm: Array, points: Array) -> list[list[int]]:
    inside = np.array([points_in_poly(points, vertices_mm[list(f.vertices)]) for f in nominal.facets])
    return [np.flatnonzero(column).tolist() for column in inside.T]


def seen_at(nominal: Nominal, vertices_mm: Array, points: Array, side: Side) -> IntArray:
    """The facet at each point that lies under no other one there; TABLE off the paper, -2 where that is left open."""
    over = {tuple(pair) for pair in nominal.above.tolist()}
    if side == "back":
        over = {(b, a) for a, b in over}
    seen = []
    for facets in facets_at(nominal, vertices_mm, points):
        free = [f for f in facets if not any((g, f) in over for g in facets)]
        seen.append(TABLE if not facets else free[0] if len(free) == 1 else -2)
    return np.array(seen)


def scattered(nominal: Nominal, count: int) -> Array:
    low, high = nominal.vertices_mm.min(axis=0) - 3, nominal.vertices_mm.max(axis=0) + 3
    return np.random.default_rng(4).uniform(low, high, (count, 2))


@pytest.mark.parametrize("side", ["front", "back"])
@pytest.mark.parametrize("errors", [Errors(), Errors(position_mm=0.2, angle_deg=0.5, vertex_mm=0.05)])
@pytest.mark.parametrize("plan", [(240, 16, 2, 2), (360, 32, 3, 2), (360, 32, 4, 2)])
def test_top_facet_is_the_one_no_other_lies_over(
    folded: Callable[..., Nominal], plan: tuple[int, ...], errors: Errors, side: Side
) -> None:
    nominal = folded(*plan)
    vertices = nudged(errors_applied(nominal, errors, np.random.default_rng(1)), 1)
    points = scattered(nominal, 1500)
    expected = seen_at(nominal, vertices, points, side)
    found = layer_order(nominal, side, 1).top(covers_at(nominal, vertices, points))
    decided = expected != -2
    assert decided.mean() > 0.99
    assert np.array_equal(found[decided], expected[decided])


@pytest.mark.parametrize("side", ["front", "back"])
def test_picture_shows_that_facet(open_panel: Nominal, side: Side) -> None:
    # Every facet has its own tilt, so its own light: one light for each facet, and the facet it belongs to.
    scene = Scene(
        seed=1,
        view=side,
        camera=Camera(width_px=600, height_px=500, roll_deg=10, tilt_deg=7),
        surface=Surface(front=(1.0, 1.0, 1.0), back=(1.0, 1.0, 1.0), texture=0.0),
        relief=Relief(facet_tilt_deg=6.0, shadow=0.0, occlusion=0.0, fold_radius_mm=0.0),
    )
    vertices = nudged(errors_applied(open_panel, Errors(position_mm=0.2), np.random.default_rng(2)), 1)
    pieces = cut_at_crossings(vertices, open_panel.facets)
    pinhole = Pinhole(scene.camera, 312.0, side)
    lit = light_back(open_panel, vertices, pieces, pinhole, scene)
    points = scattered(open_panel, 3000)
    x, y = np.rint(pinhole.project(points)).astype(int).T - [[lit.window.x], [lit.window.y]]
    inside = (x >= 0) & (y >= 0) & (x < lit.window.width) & (y < lit.window.height)
    points, x, y = points[inside], x[inside], y[inside]
    around = [points + 8.0 / pinhole.scale_px_mm * np.array(d) for d in ((0, 0), (1, 0), (-1, 0), (0, 1), (0, -1))]
    seen = np.array([seen_at(open_panel, vertices, p, side) for p in around])
    whole = (seen == seen[0]).all(axis=0)  # far enough from every edge for the blur
    light, table = lit.papers[0][1][y, x], lit.table[y, x]
    assert light[whole & (seen[0] == TABLE)] == pytest.approx(0, abs=1e-4)
    assert table[whole & (seen[0] == TABLE)] == pytest.approx(1, abs=1e-4)
    means = []
    for facet in np.unique(seen[0][whole & (seen[0] >= 0)]):
        here = light[whole & (seen[0] == facet)]
        assert np.ptp(here) < 1e-4
        means.append(here.mean())
    assert len(means) > 15
    assert np.diff(np.sort(means)).min() > 1e-6


def test_beside_an_edge_the_top_is_that_of_points_a_hair_away(panel: Nominal) -> None:
    vertices = nudged(errors_applied(panel, Errors(position_mm=0.2), np.random.default_rng(3)), 3)
    pieces = cut_at_crossings(vertices, panel.facets)
    along = pieces.end - pieces.start
    length = np.hypot(*along.T)
    use = length > 1e-3
    normal = np.column_stack([-along[:, 1], along[:, 0]])[use] / length[use, None]
    middle = 0.5 * (pieces.start + pieces.end)[use]
    order = layer_order(panel, "front", 3)
    for covers, away in zip(covers_beside(panel, vertices, pieces), (1e-7, -1e-7), strict=True):
        expected = order.top(covers_at(panel, vertices, middle + away * normal))
        assert np.array_equal(order.top(covers)[use], expected)


def test_order_that_goes_round_in_circles_is_decided_at_each_place(pleat: Nominal) -> None:
    # Three strips, each over the next: no order of all three exists, but where two meet it is known.
    corners = np.array([[0, 0], [2, 0], [2, 1], [0, 1], [1.5, 0], [4, 0], [4, 1], [1.5, 1], [3.5, 0], [6, 0], [6, 1],
                      [3.5, 1]], float)  # fmt: skip
    facets = tuple(replace(pleat.facets[k], vertices=tuple(range(4 * k, 4 * k + 4)), turned=False) for k in range(3))
    circle = replace(pleat, facets=facets, vertices_mm=corners, above=np.array([[0, 1], [1, 2], [2, 0]]))
    points = np.array([[1.0, 0.5], [1.7, 0.5], [3.7, 0.5], [5.0, 0.5]])
    assert layer_order(circle, "front", 0).top(covers_at(circle, corners, points)).tolist() == [0, 0, 1, 2]
    assert layer_order(circle, "back", 0).top(covers_at(circle, corners, points)).tolist() == [0, 1, 2, 2]

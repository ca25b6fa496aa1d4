"""Areas of one layer count, against the areas counted face by face and against points laid through the facets."""

from __future__ import annotations

import numpy as np
import pytest

from foldtrue.plan.layer_regions import layer_regions
from foldtrue.plan.shape import layer_areas


def shoelace(ring):
    x, y = ring.T
    return float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum() / 2)


def layers_at(nominal, point):
    """Facets over a point of the folded piece, counted by the side of every facet's outline."""
    count = 0
    for facet in nominal.facets:
        corners = nominal.vertices_mm[list(facet.vertices)]
        side, ray = np.roll(corners, -1, 0) - corners, point - corners
        cross = side[:, 0] * ray[:, 1] - side[:, 1] * ray[:, 0]
        count += bool((cross > 0).all() or (cross < 0).all())
    return count


def test_the_regions_have_the_areas_of_their_layer_counts(nominal):
    total = {}
    for region in layer_regions(nominal):
        total[region.layers] = total.get(region.layers, 0.0) + sum(shoelace(ring) for ring in region.rings)
    assert sorted(total) == sorted(layer_areas(nominal))
    for layers, area in layer_areas(nominal).items():
        assert total[layers] == pytest.approx(area, rel=1e-9)


def test_the_point_inside_a_region_lies_under_as_many_facets_as_it_says(nominal):
    for region in layer_regions(nominal)[::7]:
        aside = np.array(region.inner_mm) + 0.3 * region.clear_mm * np.array([0.6, 0.8])  # off any hidden crease
        assert region.clear_mm > 0
        assert layers_at(nominal, aside) == region.layers


def test_no_corner_of_a_region_is_nearer_to_the_inner_point_than_it_says(nominal):
    for region in layer_regions(nominal):
        corners = np.concatenate(region.rings)
        assert np.hypot(*(corners - region.inner_mm).T).min() >= region.clear_mm - 1e-9

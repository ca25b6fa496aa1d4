"""What the plan looks like in a small picture: layer counts against areas and another rasteriser, agreement by rule."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.draw import polygon2mask

from foldtrue.frames import apply_homography
from foldtrue.handover import Photo
from foldtrue.photo import linear_table
from foldtrue.rectify.look import agreement, layer_raster, planned_counts, reduce_photo, to_small_matrix

SHAPE = (420, 460)
PLACED = np.array([[2.6, 0.3, 230.0], [0.2, -2.6, 210.0], [1e-4, -2e-4, 1.0]])


def photo_of(pixels):
    return Photo(pixels, linear_table(pixels.dtype), "0" * 64, "PNG", 1, None, None)


def test_layers_equal_another_rasterisers(nominal):
    """Source: scikit-image's polygon2mask, added up over the facets; pixels that an edge runs through may differ."""
    px = apply_homography(PLACED, nominal.vertices_mm)
    wanted, clear = np.zeros(SHAPE, int), np.ones(SHAPE, bool)
    for facet in nominal.facets:
        inside = polygon2mask(SHAPE, px[list(facet.vertices)][:, ::-1])
        wanted += inside
        for shift in ((0, 1), (1, 0), (0, -1), (-1, 0), (1, 1), (1, -1), (-1, 1), (-1, -1)):
            clear &= np.roll(inside, shift, (0, 1)) == inside
    assert clear.mean() > 0.8
    found = layer_raster(nominal, PLACED, SHAPE)
    np.testing.assert_array_equal(found[clear], wanted[clear])


def test_mean_layers_are_sheet_area_over_folded_area(nominal):
    """No paper is lost: the layers add up to the whole sheet (any flat piece)."""
    matrix = np.array([[3.0, 0, 230.0], [0, -3.0, 210.0], [0, 0, 1.0]])
    corner = nominal.sheet_outline_mm
    area = 0.5 * abs(np.sum(corner[:, 0] * np.roll(corner[:, 1], -1) - np.roll(corner[:, 0], -1) * corner[:, 1]))
    total = layer_raster(nominal, matrix, SHAPE).sum() / 9.0
    # fillPoly paints the border pixels of both neighbours, half a pixel all round each facet.
    rim = sum(
        np.hypot(*(np.roll(p, -1, 0) - p).T).sum()
        for p in (nominal.vertices_mm[list(f.vertices)] for f in nominal.facets)
    )
    assert area < total < area + 0.6 * rim / 3.0


def test_a_piece_outside_the_picture_leaves_it_empty(nominal):
    far = np.array([[2.0, 0, 5000.0], [0, -2.0, 210.0], [0, 0, 1.0]])
    assert not layer_raster(nominal, far, SHAPE).any()


@pytest.mark.parametrize(("width", "factor"), [(600, 1), (1280, 2), (3200, 5)])
def test_reducing_averages_whole_blocks(width, factor):
    """By hand: the mean of every block, then the sRGB curve and the logarithm."""
    rng = np.random.default_rng(1)
    pixels = rng.integers(20, 235, (width // 4, width, 3)).astype(np.uint8)
    small = reduce_photo(photo_of(pixels))
    assert small.factor == factor
    h, w = pixels.shape[0] // factor, width // factor
    wanted = pixels[: h * factor, : w * factor].reshape(h, factor, w, factor, 3).mean((1, 3))
    np.testing.assert_allclose(small.rgb * 255, wanted, atol=0.51)


def test_small_and_full_pixels_share_their_corners():
    """The outer corner of the first pixel, (-0.5, -0.5), is the same place in both; so is that of the last."""
    corners = np.array([[-0.5, -0.5], [1199.5, 899.5]])
    np.testing.assert_allclose(
        apply_homography(to_small_matrix(3), corners), [[-0.5, -0.5], [399.5, 299.5]], atol=1e-12
    )


def lit(layers, step=-0.5, slope=0.0):
    x = np.linspace(-1, 1, layers.shape[1])[None, :]
    return (step * layers + slope * x + slope * x**2).astype(np.float32)


def test_light_that_follows_the_layers_is_explained_whole(nominal):
    layers = layer_raster(nominal, PLACED, SHAPE)
    fit = agreement(lit(layers), layers, planned_counts(nominal, "backlit"))
    assert fit.share > 0.999
    assert fit.levels[5] - fit.levels[3] == pytest.approx(-1.0, abs=0.01)


def test_an_uneven_lamp_does_not_count_against_the_plan(nominal):
    layers = layer_raster(nominal, PLACED, SHAPE)
    assert agreement(lit(layers, slope=1.5), layers, planned_counts(nominal, "backlit")).share > 0.995


def test_a_lamp_alone_is_not_explained_by_layers(nominal):
    layers = layer_raster(nominal, PLACED, SHAPE)
    rng = np.random.default_rng(2)
    light = (lit(layers, step=0.0, slope=1.5) + rng.normal(0, 0.1, SHAPE)).astype(np.float32)
    assert agreement(light, layers, planned_counts(nominal, "backlit")).share < 0.02


def test_more_layers_brighter_is_no_agreement(nominal):
    layers = layer_raster(nominal, PLACED, SHAPE)
    assert agreement(lit(layers, step=0.5), layers, planned_counts(nominal, "backlit")).share == 0.0


def test_share_is_the_share_of_variance(nominal):
    """White noise of as much variance as the layers bring leaves about half explained."""
    layers = layer_raster(nominal, PLACED, SHAPE)
    counts = planned_counts(nominal, "backlit")
    on = np.isin(layers, counts)
    light = lit(layers)
    noise = np.random.default_rng(3).normal(0, light[on].std(), SHAPE)
    assert agreement((light + noise).astype(np.float32), layers, counts).share == pytest.approx(0.5, abs=0.06)


def test_too_little_paper_in_the_picture_is_no_agreement(nominal):
    far = np.array([[2.0, 0, 5000.0], [0, -2.0, 210.0], [0, 0, 1.0]])
    layers = layer_raster(nominal, far, SHAPE)
    assert agreement(lit(layers), layers, planned_counts(nominal, "backlit")).share == 0.0


def test_layer_counts_of_a_half_size_piece_are_odd(nominal):
    """Published: away from the rim the number of layers of a flat tessellation is odd; at spacing 2 it is 3 or 5."""
    assert {3, 5} <= set(planned_counts(nominal, "backlit").tolist())

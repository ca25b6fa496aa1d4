"""Blurred steps found to a fraction of a pixel, against closed forms, published limits and other libraries."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

from foldtrue.subpixel import (
    bilinear,
    cramer_rao_place_px,
    cross_lines,
    fit_bands,
    fit_bars,
    fit_steps,
    group_mean,
    group_median,
    interpolated_step,
    linear_grey,
    robust_line,
    step_kernel,
)

U = np.arange(-9.0, 10.0)


def blurred_step(place, blur, low=40.0, high=100.0, u=U):
    """An ideal step through a Gaussian blur: the error function (closed form)."""
    return low + (high - low) * ndtr((u[None, :] - np.atleast_1d(place)[:, None]) / blur)


def located(profiles, blur, rounds=4, u=U):
    place = np.zeros(len(profiles))
    fit = None
    for _ in range(rounds):
        fit = fit_steps(profiles, u, place, np.full(len(profiles), blur))
        place = place + fit.shift
    return place, fit


@pytest.mark.parametrize("blur", [0.8, 1.3, 2.5])
def test_a_noiseless_step_is_found_where_it_is(blur):
    true = np.linspace(-1.2, 1.2, 13)
    place, fit = located(blurred_step(true, blur), blur)
    np.testing.assert_allclose(place, true, atol=1e-7)
    np.testing.assert_allclose(fit.contrast, 60.0, rtol=1e-7)


@pytest.mark.parametrize(("blur", "noise"), [(1.0, 2.0), (1.5, 4.0), (2.5, 2.0)])
def test_scatter_stays_near_the_cramer_rao_limit_and_without_bias(blur, noise):
    """Limit: var >= 2 sqrt(pi) blur noise^2 / contrast^2 (Cramer-Rao bound of the erf edge, base and contrast known);
    with both unknown the bound's root grows by 1.13 to 1.25."""
    rng = np.random.default_rng(3)
    true = rng.uniform(-0.5, 0.5, 4000)
    place, _ = located(blurred_step(true, blur) + rng.normal(0, noise, (4000, len(U))), blur)
    error = place - true
    limit = cramer_rao_place_px(blur, noise, 60.0)
    assert limit < error.std() < 1.5 * limit
    assert abs(error.mean()) < 4 * error.std() / np.sqrt(len(error))


def test_the_stated_variance_is_the_scatter():
    rng = np.random.default_rng(4)
    profiles = blurred_step(np.zeros(3000), 1.2) + rng.normal(0, 2.0, (3000, len(U)))
    place, fit = located(profiles, 1.2)
    assert place.std() == pytest.approx(2.0 * np.sqrt(np.median(fit.shift_var)), rel=0.08)


@pytest.mark.parametrize("place", [-0.37, 0.0, 0.25])
def test_a_step_summed_over_whole_pixels_is_found_with_a_wider_blur(place):
    """A pixel holds the mean light over its own width. Mean of the error function over u +- 1/2 in closed form, from
    the integral of Phi: z Phi(z) + phi(z). To second order it is a Gaussian blur of variance blur^2 + 1/12."""

    def summed(z):
        return z * ndtr(z) + np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)

    blur = 1.2
    profile = 40 + 60 * blur * (summed((U + 0.5 - place) / blur) - summed((U - 0.5 - place) / blur))
    found, fit = located(profile[None], np.sqrt(blur**2 + 1 / 12))
    assert found[0] == pytest.approx(place, abs=2e-4)
    assert fit.contrast[0] == pytest.approx(60.0, rel=1e-3)


@pytest.mark.parametrize(
    ("blur", "wanted_px"), [(0.7, 0.0158), (1.0, 0.0188), (1.5, 0.0231), (2.5, 0.0298)], ids=lambda v: str(v)
)
def test_the_limit_is_the_fisher_sum_over_the_pixels(blur, wanted_px):
    """Contrast 100 times the noise. Independent: the sum over sampled pixels of (d I / d place)^2, written out here."""
    slope = 100.0 * np.exp(-0.5 * (np.arange(-40, 41) / blur) ** 2) / (blur * np.sqrt(2 * np.pi))
    limit = cramer_rao_place_px(blur, 1.0, 100.0)
    assert limit == pytest.approx(1 / np.sqrt(np.sum(slope**2)), rel=0.01)
    assert limit == pytest.approx(wanted_px, abs=1e-4)


def interpolated(phase, blur=0.7):
    """A step along the pixels' rows, each pixel the mean light over its own square (closed form, from the integral of
    Phi), read by `cross_lines` at this phase between pixels: the profile; the same step in continuous light with 1/6
    more variance; what is foretold of their difference; and the widened blur."""
    optics, wide = np.sqrt(blur**2 - 1 / 12), np.sqrt(blur**2 + 1 / 6)
    x = np.arange(40) - 20.0

    def summed(z):
        return z * ndtr(z) + np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)

    light = optics * (summed((x + 0.5) / optics) - summed((x - 0.5) / optics))
    low, high = np.array([[20 - 9 + phase, 3.4]]), np.array([[20 + 9 + phase, 3.4]])
    profile = cross_lines(np.tile(light.astype(np.float32), (8, 1)), low, high, len(U)).astype(float)
    more = interpolated_step(low, high, np.array([[1.0, 0.0]]), np.array([-phase]), np.array([wide]), U)
    return profile, ndtr((U + phase) / wide)[None], more, wide


@pytest.mark.parametrize("phase", [0.0, 0.2, 0.5, 0.75])
def test_what_interpolation_makes_of_a_sharp_step_is_foretold(phase):
    profile, smooth, more, _ = interpolated(phase)
    assert np.abs(profile - smooth).max() > 0.006
    np.testing.assert_allclose(smooth + more, profile, atol=0.0003)


def test_a_sharp_step_along_the_rows_is_moved_by_interpolation_until_that_is_taken_off():
    """A fifth of a px past a pixel: the step fit of the profile as it is read is off by more than 0.01 px, which no
    number of rows brings down."""
    profile, _, more, wide = interpolated(0.2)
    assert abs(located(profile, wide)[0][0] + 0.2) > 0.01
    assert abs(located(profile - more, wide)[0][0] + 0.2) < 0.0002


def test_many_scan_lines_lower_the_limit_by_their_root():
    assert cramer_rao_place_px(1.0, 2.0, -60.0, 25) == pytest.approx(cramer_rao_place_px(1.0, 2.0, 60.0) / 5)


def test_a_falling_step_has_a_negative_contrast():
    place, fit = located(blurred_step([0.3], 1.1, 90.0, 20.0), 1.1)
    assert place[0] == pytest.approx(0.3, abs=1e-7)
    assert fit.contrast[0] == pytest.approx(-70.0)
    assert fit.base[0] == pytest.approx(90.0)


def test_residuals_tell_the_noise():
    """Chi-squared: residual sum of squares over degrees of freedom is the variance of a sample."""
    rng = np.random.default_rng(8)
    _, fit = located(blurred_step(np.zeros(3000), 1.2) + rng.normal(0, 2.0, (3000, len(U))), 1.2)
    assert (fit.dof == len(U) - 4).all()
    assert np.mean(fit.rss / fit.dof) == pytest.approx(4.0, rel=0.03)


def test_samples_left_out_do_not_count():
    profiles = blurred_step([0.4], 1.0)
    spoiled = profiles.copy()
    spoiled[0, -4:] = 0.0
    place = np.zeros(1)
    valid = np.ones_like(profiles, bool)
    valid[0, -4:] = False
    for _ in range(5):
        place = place + fit_steps(spoiled, U, place, np.ones(1), valid=valid).shift
    assert place[0] == pytest.approx(0.4, abs=1e-6)


def test_wrong_blur_is_noticed_and_does_not_move_the_edge():
    """Place and blur are orthogonal by symmetry."""
    fit = fit_steps(blurred_step([0.0], 1.5), U, np.zeros(1), np.array([1.3]))
    assert fit.shift[0] == pytest.approx(0.0, abs=1e-9)
    assert fit.blur_change[0] == pytest.approx(0.15, abs=0.05)


def test_step_kernel_answers_one_to_its_own_step():
    kernel = step_kernel(1.4)
    half = len(kernel) // 2
    u = np.arange(-half, half + 1, dtype=float)
    assert kernel @ blurred_step([0.0], 1.4, 10.0, 11.0, u)[0] == pytest.approx(1.0)
    assert kernel @ np.full(len(u), 7.0) == pytest.approx(0.0, abs=1e-12)


def test_bilinear_is_exact_on_a_plane_and_nan_outside():
    y, x = np.mgrid[0:30, 0:50].astype(np.float32)
    image = (3 * x - 2 * y + 5).astype(np.float32)
    rng = np.random.default_rng(0)
    px, py = rng.uniform(0, 48.9, 200), rng.uniform(0, 28.9, 200)
    np.testing.assert_allclose(bilinear(image, px, py), 3 * px - 2 * py + 5, atol=2e-4)
    assert np.isnan(bilinear(image, np.array([-0.1, 49.0]), np.array([3.0, 3.0]))).all()


def test_bilinear_equals_scipys_linear_spline():
    from scipy.ndimage import map_coordinates

    rng = np.random.default_rng(9)
    image = rng.uniform(0, 1, (40, 60)).astype(np.float32)
    x, y = rng.uniform(0, 58.9, (7, 30)), rng.uniform(0, 38.9, (7, 30))
    np.testing.assert_allclose(bilinear(image, x, y), map_coordinates(image, [y, x], order=1), atol=2e-6)


def test_cross_lines_run_evenly_from_end_to_end():
    y, x = np.mgrid[0:30, 0:50].astype(np.float32)
    found = cross_lines(x + 100 * y, np.array([[4.0, 6.5]]), np.array([[12.0, 2.5]]), 5)
    np.testing.assert_allclose(found[0], [654.0, 556.0, 458.0, 360.0, 262.0], atol=1e-3)


@pytest.mark.parametrize("upright", [True, False], ids=["vertical", "horizontal"])
def test_borders_of_the_published_chessboard_lie_half_a_pixel_before_each_25(upright):
    """Source: the 200 x 200 chessboard that the scikit-image wheel ships; its squares are 25 px, so with pixel centres
    at whole numbers their borders lie at 25 k - 0.5."""
    import skimage.data
    from PIL import Image

    file = Path(skimage.data.__file__).parent / "chessboard_GRAY.png"
    with Image.open(file) as picture:
        board = np.asarray(picture.convert("L"), np.float32)
    assert board.shape == (200, 200)
    along = np.arange(5.0, 20.0)
    order = slice(None) if upright else slice(None, None, -1)
    for k in range(1, 8):
        # Around 25 k - 0.5, across the border; (x, y) swapped for the horizontal ones.
        low = np.stack([np.full(len(along), 25 * k - 6.0), along], 1)[:, order]
        high = np.stack([np.full(len(along), 25 * k + 5.0), along], 1)[:, order]
        u = np.linspace(-5.5, 5.5, 12)
        profile = cross_lines(board, low, high, 12).astype(float)
        place = np.zeros(len(along))
        for _ in range(6):
            place = place + fit_steps(profile, u, place, np.full(len(along), 0.5)).shift
        np.testing.assert_allclose(25 * k - 0.5 + place, 25 * k - 0.5, atol=0.01)


def test_robust_line_equals_polyfit_on_clean_data():
    rng = np.random.default_rng(5)
    t = rng.uniform(0, 1, 60)
    value = 2.0 - 0.7 * (t - 0.5)
    a, b, _ = robust_line(t, value, np.ones(60), np.zeros(60, np.int64), 1)
    slope, middle = np.polyfit(t - 0.5, value, 1)
    assert a[0] == pytest.approx(middle)
    assert b[0] == pytest.approx(slope)


def test_robust_lines_of_several_groups_do_not_mix():
    rng = np.random.default_rng(10)
    group = rng.integers(0, 3, 300)
    t = rng.uniform(0, 1, 300)
    value = np.array([1.0, -2.0, 0.5])[group] + np.array([0.1, 0.9, -0.4])[group] * (t - 0.5)
    a, b, _ = robust_line(t, value, np.ones(300), group, 4)
    np.testing.assert_allclose(a, [1.0, -2.0, 0.5, 0.0], atol=1e-9)
    np.testing.assert_allclose(b, [0.1, 0.9, -0.4, 0.0], atol=1e-9)


def test_robust_line_weighs_as_polyfit_does():
    """numpy.polyfit takes the root of a weight."""
    rng = np.random.default_rng(11)
    t, value, weight = rng.uniform(0, 1, 80), rng.normal(0, 1, 80), rng.uniform(0.1, 4.0, 80)
    a, b, _ = robust_line(t, value, weight, np.zeros(80, np.int64), 1, spread=1e6)
    slope, middle = np.polyfit(t - 0.5, value, 1, w=np.sqrt(weight))
    assert (a[0], b[0]) == pytest.approx((middle, slope), abs=1e-6)


def test_robust_line_shrugs_off_a_fifth_of_wild_samples():
    rng = np.random.default_rng(6)
    t = np.linspace(0, 1, 100)
    value = 1.0 + 0.3 * (t - 0.5) + rng.normal(0, 0.01, 100)
    value[::5] += 3.0
    a, b, trust = robust_line(t, value, np.ones(100), np.zeros(100, np.int64), 1)
    assert a[0] == pytest.approx(1.0, abs=0.01)
    assert b[0] == pytest.approx(0.3, abs=0.03)
    assert (trust[::5] == 0).all()


def test_group_mean_equals_numpy():
    rng = np.random.default_rng(5)
    value, group = rng.normal(size=(40, 3)), np.arange(40) % 4
    wanted = [value[group == k].mean(0) for k in range(4)]
    np.testing.assert_allclose(group_mean(value, group, 5), [*wanted, np.zeros(3)])


def test_group_median_equals_numpy():
    rng = np.random.default_rng(7)
    group = rng.integers(0, 9, 400)
    value = rng.normal(size=400)
    wanted = [np.median(value[group == k]) for k in range(9)]
    np.testing.assert_allclose(group_median(value, group, 10), [*wanted, 0.0])


@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_linear_grey_follows_the_srgb_standard(kind):
    """IEC 61966-2-1: code 0.5 of full is 0.2140 of the light."""
    from foldtrue.photo import linear_table

    top = np.iinfo(kind).max
    pixels = np.full((2, 3, 3), round(0.5 * top), kind)
    grey = linear_grey(pixels, linear_table(np.dtype(kind)))
    assert grey[0, 0] == pytest.approx(0.2140, abs=0.004)


@pytest.mark.parametrize("blur", [0.8, 1.5])
@pytest.mark.parametrize("width", [0.05, 0.6, 2.0])
def test_the_area_of_a_thin_bar_is_its_height_times_its_width_whatever_the_blur(blur, width):
    """A convolution keeps the integral. The blurred bar is made by SciPy from fine samples."""
    fine = 100
    u = np.arange(-12 * fine, 12 * fine + 1) / fine
    edge = np.clip((width / 2 - np.abs(u)) * fine + 0.5, 0, 1)
    blurred = gaussian_filter1d(200 * (1 + 0.4 * edge), blur * fine, mode="nearest")[::fine][3:-3]
    fit = fit_bars(blurred[None], U, np.zeros(1), np.array([width]), blur)
    assert fit.area[0] == pytest.approx(0.4 * width, rel=0.02)
    assert fit.base[0] == pytest.approx(200, rel=1e-4)
    assert fit.moment[0] == pytest.approx(0, abs=1e-6)


def test_a_bars_moment_over_its_area_is_its_place_on_sloping_ground():
    place, width, blur = 0.2, 0.7, 1.2
    bar = ndtr((U - place + width / 2) / blur) - ndtr((U - place - width / 2) / blur)
    fit = fit_bars((100 + 0.5 * U - 30 * bar)[None], U, np.zeros(1), np.array([width]), blur)
    assert fit.moment[0] / fit.area[0] == pytest.approx(place, abs=0.01)
    assert fit.area[0] == pytest.approx(-0.3 * width, rel=0.02)


def test_the_stated_variance_of_a_bars_area_and_moment_is_their_scatter():
    rng = np.random.default_rng(2)
    noise = 0.01
    fit = fit_bars(1 + rng.normal(0, noise, (4000, len(U))), U, np.zeros(4000), np.full(4000, 0.5), 1.2)
    for found, variance in ((fit.area, fit.area_var), (fit.moment, fit.moment_var)):
        assert np.std(found) == pytest.approx(noise * np.sqrt(variance[0]), rel=0.06)
    assert np.mean(fit.rss / fit.dof) == pytest.approx(noise**2, rel=0.05)


@pytest.mark.parametrize("height", [-30.0, 80.0])
def test_a_band_with_two_edges_is_found_with_its_width_whatever_its_height(height):
    place, width, blur = 0.4, 6.3, 1.2
    band = ndtr((U - place + width / 2) / blur) - ndtr((U - place - width / 2) / blur)
    at, wide = np.zeros(1), np.array([5.0])
    for _ in range(6):
        fit = fit_bands((100 + 0.5 * U + height * band)[None], U, at, wide, blur)
        at, wide = fit.place, fit.width
    assert wide[0] == pytest.approx(width, abs=1e-6)
    assert at[0] == pytest.approx(place, abs=1e-6)
    assert fit.height[0] * (100 + 0.5 * place) == pytest.approx(height, rel=1e-6)


def test_the_stated_variance_of_a_bands_width_and_place_is_their_scatter():
    rng = np.random.default_rng(2)
    width, blur, noise = 6.0, 1.2, 0.01
    band = ndtr((U + width / 2) / blur) - ndtr((U - width / 2) / blur)
    profiles = 1 + 0.5 * band + rng.normal(0, noise, (4000, len(U)))
    fit = fit_bands(profiles, U, np.zeros(4000), np.full(4000, width), blur)
    for found, variance in ((fit.width, fit.width_var), (fit.place, fit.place_var)):
        assert np.std(found) == pytest.approx(noise * np.sqrt(np.mean(variance)), rel=0.06)

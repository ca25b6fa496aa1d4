"""Looks learned from profiles and fitted to them, against weighted least squares done the long way."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr
from scipy.stats import median_abs_deviation

from foldtrue.detect.looks import (
    LEAST_PROFILES,
    Looks,
    fit_looks,
    flank_weights,
    learn_looks,
    look_kernels,
    look_responses,
    others_kernels,
    relative_light,
    without_tone,
)

COUNT, STEP_MM = 41, 0.1
X_MM = STEP_MM * (np.arange(COUNT) - COUNT // 2)


def shadow(x_mm, at_mm=0.0):
    """A sharp fall at the edge, and a slow return of the light beyond it."""
    x = x_mm - at_mm
    return -0.3 / (1 + np.exp(-x / 0.15)) * np.exp(-np.maximum(x, 0) / 0.7)


def ridge(x_mm, at_mm=0.0):
    return 0.2 * np.exp(-0.5 * ((x_mm - at_mm) / 0.35) ** 2)


@pytest.fixture
def looks():
    """Two kinds that show, a shadow whose far side varies and a steady ridge, and one of which nothing is known."""
    value = np.stack([shadow(X_MM), ridge(X_MM), np.zeros(COUNT)])
    spread = np.stack([0.01 + 0.05 * (X_MM > 0.3), np.full(COUNT, 0.01), np.ones(COUNT)])
    return Looks(value, spread, STEP_MM, np.ptp(value, axis=1), np.array([True, True, False]))


def inverse_variance(looks):
    """As stated: no part of a look is taken for surer than the median one."""
    return 1 / (looks.spread**2 + np.median(looks.spread, axis=1, keepdims=True) ** 2)


# --- relative light ---


def test_relative_light_is_what_departs_from_the_profiles_mean():
    np.testing.assert_allclose(relative_light(np.array([[1.0, 2.0, 3.0]])), [[-0.5, 0.0, 0.5]])


@settings(max_examples=25, deadline=None)
@given(st.floats(0.01, 50.0), st.integers(0, 1000))
def test_twice_the_light_is_the_same_relative_light(gain, seed):
    profile = np.random.default_rng(seed).uniform(0.1, 1.0, (3, 7))
    np.testing.assert_allclose(relative_light(gain * profile), relative_light(profile), atol=1e-12)


# --- learning ---


def drawn(looks, kind, noise, seed=0):
    return looks.value[kind] + np.random.default_rng(seed).normal(0, noise, (len(kind), COUNT))


def test_the_usual_look_is_the_mean_of_what_is_seen(looks):
    kind = np.repeat([0, 1], 200)
    learned = learn_looks(drawn(looks, kind, 0.02), kind, 2, STEP_MM)
    # 41 means of 200 draws of 0.02 for each kind; 4 standard deviations of the largest of them
    np.testing.assert_allclose(learned.value, looks.value[:2], atol=4 * 0.02 / np.sqrt(200) * 1.1)
    np.testing.assert_allclose(learned.height, np.ptp(learned.value, axis=1))


def test_the_spread_is_the_standard_deviation_by_the_median(looks):
    """Source: scipy.stats.median_abs_deviation scaled for the normal law."""
    kind = np.zeros(300, np.int64)
    profile = drawn(looks, kind, 0.02, 3)
    learned = learn_looks(profile, kind, 1, STEP_MM)
    wanted = median_abs_deviation(profile, axis=0, scale="normal")
    np.testing.assert_allclose(learned.spread[0], wanted, rtol=1e-3, atol=2e-6)


def test_one_edge_in_ten_that_looks_otherwise_changes_the_look_little(looks):
    kind = np.zeros(200, np.int64)
    profile = drawn(looks, kind, 0.01, 4)
    plain = learn_looks(profile, kind, 1, STEP_MM)
    profile[::10] = 5.0
    spoilt = learn_looks(profile, kind, 1, STEP_MM)
    # A tenth of them clipped at 2 spreads of 0.01 pulls the mean by 0.002, and the median by a tenth of a spread.
    np.testing.assert_allclose(spoilt.value, plain.value, atol=0.005)


def test_kinds_are_learned_apart_and_few_profiles_teach_nothing(looks):
    kind = np.concatenate([np.zeros(LEAST_PROFILES, np.int64), np.ones(LEAST_PROFILES - 1, np.int64)])
    learned = learn_looks(drawn(looks, kind, 0.0), kind, 3, STEP_MM)
    assert learned.known.tolist() == [True, False, False]
    np.testing.assert_allclose(learned.value[0], looks.value[0], atol=1e-9)
    assert (learned.value[1:] == 0).all()


# --- the matched filter ---


def test_a_filter_answers_1_to_its_own_look_and_0_to_even_light(looks):
    kernel = look_kernels(looks)[:2]
    np.testing.assert_allclose(np.sum(kernel * looks.value[:2], 1), 1.0, atol=1e-9)
    np.testing.assert_allclose(kernel.sum(1), 0.0, atol=1e-9)


def test_the_filter_is_the_weighted_least_squares_amplitude(looks):
    """Source: numpy.linalg.lstsq of light = even + amplitude x look, rows weighted by their inverse variance."""
    rng = np.random.default_rng(5)
    weight = inverse_variance(looks)
    for k in (0, 1):
        light = rng.normal(size=COUNT)
        rows = np.stack([np.ones(COUNT), looks.value[k]], 1) * np.sqrt(weight[k])[:, None]
        wanted = np.linalg.lstsq(rows, light * np.sqrt(weight[k]), rcond=None)[0][1]
        assert look_kernels(looks)[k] @ light == pytest.approx(wanted, rel=1e-9)


def test_parts_that_vary_from_edge_to_edge_count_less(looks):
    """The same shadow learned where its far side is steady, and where it is not: there the filter asks less."""
    steady = Looks(looks.value, np.full_like(looks.spread, 0.01), STEP_MM, looks.height, looks.known)
    far = X_MM > 0.3
    share = [np.abs(look_kernels(s)[0][far]).sum() / np.abs(look_kernels(s)[0]).sum() for s in (looks, steady)]
    assert share[0] < 0.25 * share[1]


@settings(max_examples=25, deadline=None)
@given(st.integers(-15, 15), st.floats(0.2, 3.0), st.floats(-0.5, 0.5), st.sampled_from([0, 1]))
def test_the_response_is_largest_where_the_look_lies_and_as_large_as_it_is_strong(samples, strength, even, kind):
    x = STEP_MM * (np.arange(COUNT + 40) - (COUNT + 40) // 2)
    value = np.stack([shadow(X_MM), ridge(X_MM)])
    known = Looks(value, np.full((2, COUNT), 0.01), STEP_MM, np.ptp(value, axis=1), np.ones(2, bool))
    light = even + strength * (shadow if kind == 0 else ridge)(x, samples * STEP_MM)
    response = look_responses(light[None], look_kernels(known), np.array([kind]))[0]
    assert len(response) == 41
    assert response.argmax() == 20 + samples
    assert response.max() == pytest.approx(strength, rel=1e-4)


def test_the_response_is_that_of_numpys_correlate(looks):
    profile = np.random.default_rng(6).normal(size=(4, 77))
    kind = np.array([1, 0, 0, 1])
    response = look_responses(profile, look_kernels(looks), kind)
    for row, k, found in zip(profile, kind, response, strict=True):
        np.testing.assert_allclose(found, np.correlate(row, look_kernels(looks)[k], "valid"), rtol=1e-4, atol=1e-3)


def test_a_kind_of_which_nothing_is_known_gives_no_response(looks):
    profile = np.random.default_rng(7).normal(size=(5, 60))
    assert (look_responses(profile, look_kernels(looks), np.full(5, 2)) == 0).all()


def mean_match(profile, edge, filters):
    """Mean response of the edges' profiles, each at its own place, to the filter of its edge."""
    return float(look_responses(profile, filters, edge).mean())


def test_where_there_is_nothing_but_noise_an_edge_does_not_look_like_the_others():
    """A look learned from noise is that noise, so profiles answer 1 on average to a look that they took part in."""
    rng = np.random.default_rng(11)
    edge = np.repeat(np.arange(12), 5)
    kind, kind_of_edge = np.zeros(60, np.int64), np.zeros(12, np.int64)
    matches = []
    for _ in range(40):
        noise = rng.normal(0, 0.02, (60, COUNT))
        learned = learn_looks(noise, kind, 1, STEP_MM)
        own, others = look_kernels(learned)[kind_of_edge], others_kernels(learned, noise, kind, edge, kind_of_edge)
        matches.append([mean_match(noise, edge, own), mean_match(noise, edge, others)])
    own, others = np.mean(matches, axis=0)
    assert own > 0.9
    assert abs(others) < 0.15


def test_an_edge_of_a_kind_that_shows_looks_like_the_others(looks):
    edge = np.repeat(np.arange(12), 5)
    kind, kind_of_edge = np.zeros(60, np.int64), np.zeros(12, np.int64)
    profile = drawn(looks, kind, 0.01, 12)
    learned = learn_looks(profile, kind, 1, STEP_MM)
    filters = others_kernels(learned, profile, kind, edge, kind_of_edge)
    assert mean_match(profile, edge, filters) == pytest.approx(1.0, abs=0.02)


def test_an_edge_that_makes_up_its_kind_alone_is_compared_with_itself(looks):
    """Of so few profiles that nothing is left without the edge's own."""
    kind = np.zeros(LEAST_PROFILES, np.int64)
    profile = drawn(looks, kind, 0.01, 13)
    learned = learn_looks(profile, kind, 1, STEP_MM)
    filters = others_kernels(learned, profile, kind, kind, np.zeros(1, np.int64))
    np.testing.assert_allclose(filters, look_kernels(learned))


# --- the fit ---


def test_the_fit_is_weighted_least_squares(looks):
    """Source: numpy.linalg.lstsq of even light, an even slope, the look, and its derivative by place (smoothed over
    0.7 samples), and the variance of its solution when noise is the same in all parts: the sum of squares of the
    solution's weights (Gauss)."""
    profile = np.random.default_rng(8).normal(size=(6, COUNT))
    kind, weight = np.array([0, 1, 0, 1, 1, 0]), inverse_variance(looks)
    fit = fit_looks(profile, kind, looks, weight)
    for row, k in enumerate(kind):
        change = np.gradient(gaussian_filter1d(looks.value[k], 0.7)) / STEP_MM
        design = np.stack([np.ones(COUNT), np.linspace(-1, 1, COUNT), looks.value[k], change], 1)
        root = np.sqrt(weight[k])
        found = np.linalg.lstsq(design * root[:, None], profile[row] * root, rcond=None)[0]
        assert fit.amplitude[row] == pytest.approx(found[2], rel=1e-5)
        assert fit.shift_mm[row] == pytest.approx(-found[3], rel=1e-5)
        reads = np.linalg.lstsq(design * root[:, None], np.diag(root), rcond=None)[0]
        assert fit.shift_var[row] == pytest.approx(np.sum(reads[3] ** 2), rel=1e-5)


@settings(max_examples=40, deadline=None)
@given(st.sampled_from([0, 1]), st.floats(-0.05, 0.05), st.floats(0.3, 2.0), st.floats(-0.5, 0.5), st.floats(-0.2, 0.2))
def test_a_look_moved_along_the_facing_comes_out_moved_whatever_the_light(kind, moved_mm, strength, even, slope):
    """Moved by up to half a sample: the linear step then errs by the curvature, moved^2 / (2 width)."""
    shapes = (shadow, ridge)
    value = np.stack([shape(X_MM) for shape in shapes])
    known = Looks(value, np.full((2, COUNT), 0.01), STEP_MM, np.ptp(value, axis=1), np.ones(2, bool))
    light = even + slope * X_MM + strength * shapes[kind](X_MM, moved_mm)
    fit = fit_looks(light[None], np.array([kind]), known, inverse_variance(known))
    assert fit.amplitude[0] == pytest.approx(strength, rel=0.03)
    assert fit.shift_mm[0] / fit.amplitude[0] == pytest.approx(moved_mm, rel=0.15, abs=2e-3)


@pytest.mark.parametrize("way", [0, 1, 2])
def test_by_whichever_flank_the_stated_uncertainty_of_a_shift_is_its_scatter(looks, way):
    """2000 draws of noise that is the same in all parts, on the steady ridge; a shift's uncertainty as the search
    states it: noise times the root of its variance for unit noise."""
    kind = np.ones(2000, np.int64)
    weight = flank_weights(looks, 0.35)[way]
    noise = np.random.default_rng(11).normal(0, 0.01, (2000, COUNT))
    fit = fit_looks(looks.value[kind] + noise, kind, looks, weight)
    stated = np.sqrt(np.mean(fit.noise**2 * fit.shift_var))
    assert fit.shift_mm.std() == pytest.approx(stated, rel=0.1)


def test_a_kind_of_which_nothing_is_known_has_neither_amplitude_nor_shift(looks):
    fit = fit_looks(np.random.default_rng(1).normal(size=(4, COUNT)), np.full(4, 2), looks, inverse_variance(looks))
    assert (fit.amplitude == 0).all()
    assert (fit.shift_mm == 0).all()


# --- flanks ---


def test_flanks_are_where_the_look_falls_and_rises_most_steeply(looks):
    """A ridge of standard deviation 0.35 mm rises most steeply 0.35 mm before its top and falls so behind it."""
    plain, fall, rise = flank_weights(looks, 0.4)
    np.testing.assert_allclose(plain, inverse_variance(looks))
    assert X_MM[fall[1].argmax()] == pytest.approx(0.35, abs=0.6 * STEP_MM)
    assert X_MM[rise[1].argmax()] == pytest.approx(-0.35, abs=0.6 * STEP_MM)


def test_a_flank_takes_in_as_much_as_its_width_says(looks):
    """Normal law: at one width from the flank a part counts for exp(-1/2) of its own weight."""
    plain, fall, _ = flank_weights(looks, 0.4)
    share = fall[1] / plain[1]
    at = share.argmax()
    assert share[at] == pytest.approx(1.0)
    assert share[at + 4] == pytest.approx(np.exp(-0.5))


def test_a_shadow_whose_far_side_varies_is_steadier_by_its_sharp_side(looks):
    """Steps of different heights: the far end of the shadow lies anywhere, the sharp side where the edge is."""
    rng = np.random.default_rng(10)
    height = rng.uniform(0.4, 1.2, 300)
    profile = -0.3 / (1 + np.exp(-X_MM / 0.1))[None] / (1 + np.exp((X_MM[None] - height[:, None]) / 0.1))
    kind = np.zeros(300, np.int64)
    learned = learn_looks(profile, kind, 1, STEP_MM)
    ways = [fit_looks(profile, kind, learned, w) for w in flank_weights(learned, 0.25)]
    shift = [np.std(way.shift_mm / way.amplitude) for way in ways]
    assert shift[1] < 0.25 * shift[2]
    assert shift[1] < 0.03


# --- a change of tone across an edge ---

BLUR_MM = 1.3 * STEP_MM


def change_of_tone(height, at_mm=0.0):
    """A step of light blurred by a telephone's optics (ISO 12233 locates such a step at half its height)."""
    return height * (ndtr((X_MM - at_mm) / BLUR_MM) - 0.5)


@pytest.mark.parametrize("height", [-0.3, 0.05, 0.4])
def test_a_change_of_tone_is_taken_off_whatever_its_height(height):
    """Two edges, one with a change of tone and one without, their looks alike: they come out alike."""
    profile = np.tile(ridge(X_MM), (6, 1))
    profile[:3] += change_of_tone(height)
    level = without_tone(profile, np.array([0, 0, 0, 1, 1, 1]), np.ones(6, bool), 2)
    np.testing.assert_allclose(level[:3], level[3:], atol=1e-6)


def test_what_a_shadow_leaves_at_its_ends_is_no_change_of_tone():
    """A ridge ends as it began: nothing is taken off it."""
    profile = np.tile(ridge(X_MM), (4, 1))
    np.testing.assert_allclose(without_tone(profile, np.zeros(4, np.int64), np.ones(4, bool), 1), profile, atol=1e-4)


def test_the_height_is_that_of_the_edges_mean_and_of_the_blocks_in_use():
    profile = np.tile(ridge(X_MM), (3, 1))
    profile[2] += change_of_tone(9.0)
    level = without_tone(profile, np.zeros(3, np.int64), np.array([True, True, False]), 1)
    np.testing.assert_allclose(level, profile, atol=1e-4)


@pytest.mark.parametrize("height", [-0.1, 0.1])
def test_a_change_of_tone_draws_an_edge_and_taken_off_draws_it_no_more(height):
    """Two fifths of the ridge's own height: a third of a sample to either side, and less than a twentieth."""
    rng = np.random.default_rng(5)
    plain = ridge(X_MM) + rng.normal(0, 0.003, (40, COUNT))
    learned = learn_looks(plain, np.zeros(40, np.int64), 1, STEP_MM)
    weight, kind = flank_weights(learned, 0.3)[0], np.zeros(40, np.int64)
    toned = plain + change_of_tone(height)
    level = without_tone(toned, kind, np.ones(40, bool), 1)
    drawn, left = (np.mean(fit_looks(each, kind, learned, weight).shift_mm) for each in (toned, level))
    assert abs(drawn) > STEP_MM / 3
    assert abs(left) < STEP_MM / 20

"""Edges found and measured on a photo whose every vertex is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from foldtrue.detect.acquire import acquire, expected_steps, shrink, to_small
from foldtrue.detect.edges import DetectOptions, find_features, place_edges, read_light, remeasure_features


@pytest.fixture(scope="module")
def light(clean, true_plane, nominal):
    return read_light(clean.photo, true_plane, nominal)


@pytest.fixture(scope="module")
def features(light, true_plane, nominal):
    return find_features(light, true_plane, nominal)


def lone(nominal, features):
    """Samples of edges that no other crease lies on, and the fewer layers beside each."""
    s = nominal.views["backlit"]
    low = np.minimum(s.layers_left, s.layers_right)[features.stretch]
    return (s.shared[features.stretch] == 1) & (features.trust > 0.3), low


def rms_px(features, true_offset, use):
    return np.sqrt(np.mean(((features.offset_mm - true_offset(features)) * features.px_per_mm)[use] ** 2))


def test_clear_edges_are_placed_to_a_fiftieth_of_a_pixel(features, true_offset, nominal):
    use, low = lone(nominal, features)
    assert rms_px(features, true_offset, use & (low <= 1)) < 0.02


def test_the_faintest_edges_are_placed_to_a_twentieth_of_a_pixel(features, true_offset, nominal):
    """Between 3 and 5 layers the step is a tenth of that of the rim."""
    use, low = lone(nominal, features)
    assert rms_px(features, true_offset, use & (low == 3)) < 0.05


def test_measuring_again_from_the_adjusted_vertices_changes_little(
    light, features, true_plane, nominal, clean, true_offset
):
    again = remeasure_features(light, true_plane, nominal, features, clean.truth.vertices_mm)
    use, low = lone(nominal, again)
    assert rms_px(again, true_offset, use & (low <= 1)) < 0.02
    assert again.found.sum() >= features.found.sum()


def test_the_rough_search_is_within_a_pixel(light, true_plane, nominal, true_offset):
    rough = place_edges(light, true_plane, nominal)
    alone = nominal.views["backlit"].shared[rough.stretch] == 1
    assert np.abs((rough.offset_mm - true_offset(rough)) * rough.px_per_mm)[alone].max() < 1.5


def test_every_planned_edge_of_a_clean_photo_is_found(features, light):
    assert features.found[np.unique(light.targets.stretch)].all()


def test_contrast_is_left_minus_right(features, nominal):
    """Fewer layers let more light through."""
    s = nominal.views["backlit"]
    found = features.found
    np.testing.assert_array_equal(np.sign(features.contrast)[found], np.sign(s.layers_right - s.layers_left)[found])


def test_blur_is_the_optics_the_pixel_and_the_interpolation(features):
    """Variances add: optics 0.9^2, a square pixel 1/12, and linear interpolation at even phases 1/6 along a skew
    scan, by the mean of f (1 - f)."""
    wanted = np.sqrt(0.9**2 + 1 / 12 + 1 / 6)
    assert np.median(features.blur_px[features.found]) == pytest.approx(wanted, abs=0.08)


def test_planned_steps_follow_the_kubelka_munk_stack(light, true_plane, nominal):
    """T_n = T T_(n-1) / (1 - R R_(n-1)), R_n = R + T^2 R_(n-1) / (1 - R R_(n-1)); the scene's exposure is 0.95."""
    levels = np.zeros(6)
    for share, r, t in zip((0.3, 0.5, 0.2), (0.61, 0.605, 0.59), (0.38, 0.377, 0.37), strict=True):
        through, back = [1.0], [0.0]
        for _ in range(5):
            through.append(t * through[-1] / (1 - r * back[-1]))
            back.append(r + t * t * back[-1] / (1 - r * back[-1]))
        levels += 0.95 * share * np.array(through)
    targets = light.targets
    shift = np.eye(3)
    shift[:2, 2] = -light.origin_px
    here = true_plane.map
    local = replace(here, homography=shift @ here.homography, centre_px=here.centre_px - light.origin_px)
    steps = expected_steps(light.image, targets, local, 0.12 * nominal.pitch_mm)
    for left, right in ((1, 3), (3, 5)):
        mine = (targets.layers_left == left) & (targets.layers_right == right)
        assert np.median(steps[mine]) == pytest.approx(levels[left] - levels[right], rel=0.02)


def test_an_edge_painted_over_is_not_found_and_its_samples_are_not_trusted(clean, true_plane, nominal):
    twist = 4
    tips = clean.truth.tips_px[twist]
    pixels = clean.photo.pixels.copy()
    y, x = np.mgrid[0 : pixels.shape[0], 0 : pixels.shape[1]]
    reach = np.hypot(*(tips - tips.mean(0)).T).max() + 6
    near = (x - tips[:, 0].mean()) ** 2 + (y - tips[:, 1].mean()) ** 2 < reach**2
    pixels[near] = pixels[near].mean(0).astype(np.uint8)
    photo = replace(clean.photo, pixels=pixels)
    found = find_features(read_light(photo, true_plane, nominal), true_plane, nominal)
    s, names = nominal.views["backlit"], nominal.creases.ids
    sides = np.array([names[c].startswith(f"t{twist}:side") for c in s.crease])
    assert sides.any()
    assert not found.found[sides].any()
    assert (found.trust[sides[found.stretch]] == 0).all()


def test_edges_outside_the_picture_bring_no_samples_to_trust(clean, true_plane, nominal):
    pixels = clean.photo.pixels.copy()
    photo = replace(clean.photo, pixels=pixels[:, :520])
    found = find_features(read_light(photo, true_plane, nominal), true_plane, nominal)
    crease = nominal.views["backlit"].crease[found.stretch]
    ends = nominal.vertices_mm[nominal.creases.ends[crease]]
    place = ends[:, 0] + (ends[:, 1] - ends[:, 0]) * found.t[:, None]
    outside = true_plane.map.to_px(place)[:, 0] > 521
    assert outside.any()
    assert (found.trust[outside] == 0).all()


def test_a_channel_burnt_out_in_the_paper_is_left_out(clean, true_plane, nominal):
    pixels = clean.photo.pixels.copy()
    pixels[:, :, 0] = 255
    red = read_light(replace(clean.photo, pixels=pixels), true_plane, nominal)
    grey = clean.photo.linear[pixels[:, :, 1:]] @ np.array([0.5, 0.2], np.float32) / np.float32(0.7)
    x, y = red.origin_px.astype(int)
    h, w = red.image.shape
    np.testing.assert_allclose(red.image, grey[y : y + h, x : x + w], atol=1e-5)


def test_the_part_that_is_read_holds_the_whole_piece(light, true_plane, nominal):
    px = true_plane.map.to_px(nominal.outline_mm) - light.origin_px
    h, w = light.image.shape
    assert (px > 5).all()
    assert (px < np.array([w, h]) - 5).all()


def test_shrinking_averages_blocks_and_keeps_places():
    y, x = np.mgrid[0:31, 0:47].astype(np.float32)
    image = 2 * x - 3 * y
    small = shrink(image, 3)
    wanted = image[:30, :45].reshape(10, 3, 15, 3).mean((1, 3))
    np.testing.assert_allclose(small, wanted, atol=1e-4)
    at = to_small(np.array([[10.0, 7.0]]), 3)[0]
    assert at == pytest.approx([3.0, 2.0])
    assert small[2, 3] == pytest.approx(image[7, 10], abs=1e-4)


@pytest.mark.parametrize("off_mm", [-0.9, 0.7])
def test_edges_are_found_from_a_start_that_is_wrong(light, true_plane, nominal, off_mm):
    """All start lines shifted alike: the same edges come out as from the true start."""
    targets = light.targets
    shift = np.eye(3)
    shift[:2, 2] = -light.origin_px
    here = true_plane.map
    local = replace(here, homography=shift @ here.homography, centre_px=here.centre_px - light.origin_px)
    steps = expected_steps(light.image, targets, local, 0.12 * nominal.pitch_mm)
    zero = np.zeros(len(targets.crease))
    right = acquire(light.image, targets, local, 1.8, (zero, zero), steps, 0.06, 5.0)
    wrong = acquire(light.image, targets, local, 1.8, (zero + off_mm, zero), steps, 0.06, 5.0)
    both = (right.score > 0.6) & (wrong.score > 0.6)
    assert both.mean() > 0.9
    assert np.median(np.abs(right.offset_mm - wrong.offset_mm)[both]) < 0.15


@pytest.mark.parametrize("wrong", [{"window_pitch": 0.0}, {"window_pitch": 0.6}, {"max_slope": -0.1}])
def test_options_are_checked_at_birth(wrong):
    with pytest.raises(ValueError, match="window_pitch"):
        DetectOptions(**wrong)


def test_the_stated_noise_of_a_sample_is_its_scatter(clean, true_plane, nominal):
    """16 draws of pixel noise of 2.5 grey levels on one photo."""
    runs = []
    for seed in range(16):
        noise = np.random.default_rng(seed).normal(0, 2.5, clean.photo.pixels.shape)
        pixels = np.clip(np.rint(clean.photo.pixels + noise), 0, 255).astype(np.uint8)
        photo = replace(clean.photo, pixels=pixels)
        found = find_features(read_light(photo, true_plane, nominal), true_plane, nominal)
        keys = zip(found.stretch.tolist(), np.round(found.t, 4).tolist(), strict=True)
        runs.append(
            {k: (o, s) for k, o, s, w in zip(keys, found.offset_mm, found.std_mm, found.trust, strict=True) if w > 0.3}
        )
    common = set.intersection(*(set(r) for r in runs))
    s = nominal.views["backlit"]
    common = [k for k in common if min(s.layers_left[k[0]], s.layers_right[k[0]]) > 0]
    assert len(common) > 300
    offset = np.array([[r[k][0] for k in common] for r in runs])
    stated = np.array([[r[k][1] for k in common] for r in runs])
    ratio = offset.std(0, ddof=1) / np.sqrt(np.mean(stated**2, 0))
    assert np.median(ratio) == pytest.approx(1.0, abs=0.25)

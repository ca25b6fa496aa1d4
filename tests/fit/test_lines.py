"""Samples condensed to lines: against numpy.polyfit, and the uncertainty against repeated draws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from foldtrue.fit.lines import edge_lines, line_of
from foldtrue.stretches import left_normals


def lines_of(features, nominal):
    return edge_lines(features, nominal, "backlit", np.zeros(len(features.t)))


def line_number(features, nominal):
    return line_of(nominal, "backlit")[features.stretch]


def test_a_line_is_the_least_squares_line_of_its_samples(nominal, sampled):
    """Source: numpy.polyfit."""
    features = sampled(np.random.default_rng(1).normal(0, 0.1, nominal.vertices_mm.shape), 0.02)
    lines, number = lines_of(features, nominal), line_number(features, nominal)
    off = []
    for e, k in enumerate(line_of(nominal, "backlit")[lines.stretch]):
        slope, start = np.polyfit(features.t[number == k], features.offset_mm[number == k], 1)
        off.append((lines.slope_mm[e] - slope) / lines.slope_std_mm[e])
        off.append((lines.offset_mm[e] - start - slope * lines.t_mid[e]) / lines.offset_std_mm[e])
    assert np.sqrt(np.mean(np.square(off))) < 0.4
    assert abs(np.mean(off)) < 0.1


@pytest.mark.parametrize("per_edge", [10, 16, 40])
def test_the_stated_uncertainty_of_lines_is_their_scatter(nominal, sampled, per_edge):
    """60 draws; offset and slope about the middle are uncorrelated. Where few pieces tell whether neighbours go
    together, as much is taken for granted as is usual in paper."""
    still = np.zeros_like(nominal.vertices_mm)
    runs = [lines_of(sampled(still, 0.02, seed, per_edge=per_edge), nominal) for seed in range(60)]
    for name in ("offset", "slope"):
        value = np.array([getattr(r, f"{name}_mm") for r in runs])
        std = np.array([getattr(r, f"{name}_std_mm") for r in runs])
        assert 0.95 < np.sqrt(np.mean(std**2)) / np.sqrt(np.mean(value**2)) < 1.2
    together = np.mean([r.offset_mm / r.offset_std_mm * r.slope_mm / r.slope_std_mm for r in runs])
    assert abs(together) < 0.1


def test_how_far_off_a_sample_seemed_is_not_counted_twice(nominal, sampled):
    """Trust says how far a sample lay from its edge's line; the line weighs that itself. Only none at all counts."""
    rng = np.random.default_rng(3)
    features = sampled(np.zeros_like(nominal.vertices_mm), 0.02)
    partly = replace(features, trust=rng.uniform(0.1, 1.0, len(features.t)))
    np.testing.assert_array_equal(lines_of(partly, nominal).offset_mm, lines_of(features, nominal).offset_mm)


def test_pieces_that_shift_as_a_whole_widen_the_uncertainty(nominal, sampled):
    """Texture moves neighbouring samples together: the lines then scatter more than their samples' number tells."""
    rng = np.random.default_rng(4)
    features = sampled(np.zeros_like(nominal.vertices_mm), 0.01)
    parts = np.arange(len(features.t)) // 10
    features.offset_mm[:] += rng.normal(0, 0.03, parts.max() + 1)[parts]
    lines = lines_of(replace(features, piece=parts), nominal)
    plain = lines_of(sampled(np.zeros_like(nominal.vertices_mm), np.hypot(0.01, 0.03)), nominal)
    assert np.median(lines.offset_std_mm) > 1.8 * np.median(plain.offset_std_mm)
    assert np.sqrt(np.mean(lines.offset_mm**2)) == pytest.approx(np.sqrt(np.mean(lines.offset_std_mm**2)), rel=0.35)


def test_the_lens_part_is_taken_off_first(nominal, sampled):
    features = sampled(np.zeros_like(nominal.vertices_mm), 0.01)
    bend = 0.3 * features.t**2
    plain = lines_of(features, nominal)
    features.offset_mm[:] += bend
    freed = edge_lines(features, nominal, "backlit", bend)
    np.testing.assert_allclose(freed.offset_mm, plain.offset_mm, atol=1e-12)


def test_an_edge_without_trusted_samples_gives_no_line(nominal, sampled):
    features = sampled(np.zeros_like(nominal.vertices_mm), 0.01, hidden=(crease_of_side(nominal),))
    lines = lines_of(features, nominal)
    assert crease_of_side(nominal) not in lines.crease
    seen = features.trust > 0
    assert len(lines.crease) == len(np.unique(line_number(features, nominal)[seen]))


def crease_of_side(nominal):
    return next(k for k, i in enumerate(nominal.creases.ids) if i == "t5:side1")


def test_normals_point_left_of_the_crease(nominal):
    creases = np.arange(len(nominal.creases.ids))
    ends = nominal.vertices_mm[nominal.creases.ends]
    d, n = ends[:, 1] - ends[:, 0], left_normals(nominal, creases)
    np.testing.assert_allclose(np.hypot(*n.T), 1.0)
    np.testing.assert_allclose(np.sum(d * n, 1), 0.0, atol=1e-9)
    assert (d[:, 0] * n[:, 1] - d[:, 1] * n[:, 0] > 0).all()


def test_the_darker_side_is_the_one_with_more_layers(nominal, sampled):
    features = sampled(np.zeros_like(nominal.vertices_mm), 0.01)
    s, lines = nominal.views["backlit"], lines_of(features, nominal)
    for k, dark in zip(line_of(nominal, "backlit")[lines.stretch], lines.dark, strict=True):
        here = features.stretch[line_number(features, nominal) == k]
        assert (np.sign(s.layers_left[here] - s.layers_right[here]) == dark).all()


def test_edges_that_show_by_their_tone_alone_have_a_shift_of_their_own(nominal, sampled):
    """Light that falls, light that rises, and what looks as its kind does: none of them shares a shift."""
    features = sampled(np.zeros_like(nominal.vertices_mm), 0.02)
    plain = lines_of(features, nominal)
    tone = np.arange(len(features.found)) % 3
    toned = lines_of(replace(features, tone=tone), nominal)
    own = tone[toned.stretch]
    assert set(own) == {0, 1, 2}
    np.testing.assert_array_equal(toned.kind[own == 0], plain.kind[own == 0])
    assert not any(set(toned.kind[own == a]) & set(toned.kind[own == b]) for a, b in ((0, 1), (0, 2), (1, 2)))
    for of in (1, 2):  # alike in kind before, alike after
        same = plain.kind[own == of][:, None] == plain.kind[own == of]
        np.testing.assert_array_equal(same, toned.kind[own == of][:, None] == toned.kind[own == of])

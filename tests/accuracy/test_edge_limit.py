"""Straight edges against the Cramer-Rao limit, a few conditions of edge_limit.py; and that script's own drawing."""

from __future__ import annotations

import numpy as np
import pytest
from edge_limit import TARGET, Case, drawn_edge, measured, rms, run, scene, unknown_level
from scipy.ndimage import gaussian_filter
from scipy.special import ndtr

from foldtrue.detect import refine

CASES = [
    Case(0.5, 100.0, 300), Case(0.7, 30.0, 30), Case(0.7, 10.0, 100), Case(1.0, 100.0, 100), Case(1.5, 30.0, 30),
    Case(2.0, 10.0, 30), Case(3.0, 30.0, 100),
]  # fmt: skip


@pytest.fixture(scope="module", params=CASES, ids=str)
def outcome(request):
    return run(request.param, 120, seed=9)


def test_edges_come_within_one_and_a_half_times_the_limit(outcome):
    assert rms(outcome.offset) < TARGET
    assert rms(outcome.angle) < TARGET


def test_no_edge_beats_the_limit_beyond_chance(outcome):
    """A limit that is beaten is a wrong limit: the RMS of 120 errors scatters by 1 / sqrt(240)."""
    assert min(rms(outcome.offset), rms(outcome.angle)) > 1 - 3 / np.sqrt(240)


def test_edges_lie_on_neither_side_of_the_truth(outcome):
    assert abs(outcome.offset.mean()) < 3.5 * rms(outcome.offset) / np.sqrt(len(outcome.offset))


def test_the_stated_uncertainty_is_the_scatter(outcome):
    """Mean of 120 squares of (error / stated): 1, give or take 3 sqrt(2 / 120) by chance; up to 0.3 more, since the
    stated one does not hold what neighbouring samples share through interpolation; and up to 0.1 less, since a few
    samples cannot rule out that the paper's clouds move them alike."""
    for claimed in (outcome.offset_claimed, outcome.angle_claimed):
        assert 0.9 - 3 * np.sqrt(2 / 120) < np.mean(claimed**2) < 1.3 + 3 * np.sqrt(2 / 120)


def test_nearly_all_edges_are_found(outcome):
    assert outcome.lost <= 3


def errors(clouds, monkeypatch=None):
    """Offset errors (px) of 80 edges with blur 2 px and hardly any noise, on paper with clouds of 4 px; with
    monkeypatch all are read to the longest reach."""
    case, rng = Case(2.0, 300.0, 60), np.random.default_rng(3)
    light, ends, offset, _ = scene(case, 80, rng)
    paper = gaussian_filter(rng.normal(size=light.shape), 4.0)
    picture = (0.3 + 0.4 * light) * (1 + clouds * paper / paper.std()) + rng.normal(0, 0.4 / 300, light.shape)
    if monkeypatch:
        monkeypatch.setattr(refine, "_best_reach", lambda profiles, now, kind, edges: np.full(len(kind), 99.0))
    edge, found, *_ = measured(picture.astype(np.float32), ends)
    return found - offset[edge]


def test_edges_on_cloudy_paper_are_read_nearer_and_come_out_better(monkeypatch):
    """Clouds of 3 % of the light, 7 times the noise."""
    nearer = rms(errors(0.03))
    assert nearer < 0.9 * rms(errors(0.03, monkeypatch))


def test_edges_on_even_paper_lose_nothing_by_the_choice_of_reach(monkeypatch):
    even = rms(errors(0.0))
    assert even < 1.05 * rms(errors(0.0, monkeypatch))


def test_a_level_edge_is_drawn_as_its_closed_form():
    """Mean of the error function over a pixel, from the integral of Phi: z Phi(z) + phi(z)."""
    blur = 0.9
    optics = np.sqrt(blur**2 - 1 / 12)
    light = drawn_edge(15, np.array([7.3, 6.8]), np.array([1.0, 0.0]), blur)

    def summed(z):
        return z * ndtr(z) + np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)

    distance = 6.8 - np.arange(15)
    wanted = optics * (summed((distance + 0.5) / optics) - summed((distance - 0.5) / optics))
    np.testing.assert_allclose(light[:, 4], wanted, atol=1e-5)


@pytest.mark.parametrize(("blur", "factor"), [(0.7, 1.13), (1.0, 1.17), (1.5, 1.21), (3.0, 1.26)])
def test_unknown_levels_raise_the_limit(blur, factor):
    """The normal edge's Fisher information with base and contrast taken out; for a wide window the factor is 1 / sqrt(1
    - 2 sqrt(pi) blur / window), from the integrals of the bell and its square."""
    window = 2 * np.ceil(4.0 * np.sqrt(blur**2 + 1 / 6) + 1.5) + 1
    assert unknown_level(blur) == pytest.approx(1 / np.sqrt(1 - 2 * np.sqrt(np.pi) * blur / window), rel=0.01)
    assert unknown_level(blur) == pytest.approx(factor, abs=0.005)

"""Light through a stack of paper, against published ratios and closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from foldtrue.simulate import Camera, Light, Paper
from foldtrue.simulate.light import illumination, paper_light
from foldtrue.transmission import stack_transmittance


def test_absorbing_paper_follows_the_published_stack_values() -> None:
    # Kubelka-Munk stack of sheets with R 0.80, T 0.15: worked values 0.150 0.0625 0.0293 0.0141 0.0068.
    through = stack_transmittance(0.80, 0.15, 5)
    assert through[0] == 1
    assert through[1:] == pytest.approx([0.150, 0.0625, 0.0293, 0.0141, 0.0068], abs=6e-5)
    assert through[2:] / through[1:-1] == pytest.approx([0.417, 0.469, 0.480, 0.483], abs=6e-4)


def test_paper_without_absorption_is_not_exponential() -> None:
    # R 0.84, T 0.16: 1 / T_n - 1 = n (1 / T_1 - 1), worked values .160 .087 .060 .046 .037 .031.
    through = stack_transmittance(0.84, 0.16, 6)
    n = np.arange(1, 7)
    assert 1 / through[1:] - 1 == pytest.approx(n * (1 / 0.16 - 1))
    assert through[1:] == pytest.approx([0.160, 0.087, 0.060, 0.046, 0.037, 0.031], abs=6e-4)


def test_a_sheet_that_reflects_nothing_follows_a_power_law() -> None:
    assert stack_transmittance(0.0, 0.3, 4) == pytest.approx(0.3 ** np.arange(5))


def test_deep_stacks_become_exponential() -> None:
    # Kubelka-Munk: each further layer of a thick stack takes T / (1 - R R_inf) of the light.
    R, T = 0.6, 0.35
    a = (1 + R**2 - T**2) / (2 * R)
    endless = a - np.sqrt(a**2 - 1)
    through = stack_transmittance(R, T, 40)
    assert through[40] / through[39] == pytest.approx(T / (1 - R * endless), rel=1e-9)


def test_grey_paper_needs_one_channel_only() -> None:
    assert paper_light(Paper(reflectance=(0.6,) * 3, transmittance=(0.3,) * 3), 3).shape == (1, 4)
    assert paper_light(Paper(), 3).shape == (3, 4)


def test_vignette_takes_its_share_in_the_corners_and_nothing_in_the_middle() -> None:
    camera = Camera(width_px=401, height_px=301)
    even = illumination(camera, Light(vignette=0.3), (0, 301))
    assert even[150, 200] == pytest.approx(1)
    assert even[0, 0] == pytest.approx(0.7, abs=0.005)


def test_gradient_rises_towards_its_direction() -> None:
    camera = Camera(width_px=401, height_px=301)
    even = illumination(camera, Light(gradient=0.2, gradient_deg=90), (0, 301))
    assert even[0, 200] - even[300, 200] == pytest.approx(0.2 * 300 / 500, abs=0.001)
    assert even[150, 0] == pytest.approx(even[150, 400])


def test_strips_of_the_photo_join() -> None:
    camera, light = Camera(width_px=301, height_px=200), Light(gradient=0.2, falloff=0.3, spot=(0.2, 0.9), vignette=0.1)
    whole = illumination(camera, light, (0, 200))
    assert np.array_equal(np.vstack([illumination(camera, light, r) for r in ((0, 77), (77, 200))]), whole)

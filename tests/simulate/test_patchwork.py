"""Figures read block by block."""

from __future__ import annotations

import numpy as np
import pytest

from foldtrue.simulate.patchwork import Block, polygons_of

SIZE = (30, 40)
FIGURES = np.array(
    [[[-5.0, 2.0], [22.5, 3.3], [18.0, 25.7], [-9.0, 20.0]], [[8.0, 4.0], [31.0, 9.0], [30.0, 33.0], [9.0, 21.0]]]
)


def test_a_block_is_a_part_of_the_whole() -> None:
    figures = polygons_of(FIGURES, np.array([1.0, 0.25]), np.array([0, 0]), 1, SIZE)
    whole = figures.drawn(0, Block(0, 30, 0, 40))
    assert whole[10, 15] == pytest.approx(1.25)
    assert figures.drawn(0, Block(7, 21, 11, 28)) == pytest.approx(whole[7:21, 11:28], abs=1e-6)
    assert figures.drawn(0, Block(7, 21, 33, 40)) == pytest.approx(np.zeros((14, 7)), abs=1e-6)


def test_polygons_are_filled_whichever_way_round() -> None:
    clockwise, counter = (
        polygons_of(f, np.array([1.0]), np.array([0]), 1, SIZE).drawn(0, Block(0, 30, 0, 40))
        for f in (FIGURES[1:], FIGURES[1:, ::-1])
    )
    assert clockwise == pytest.approx(counter, abs=1e-6)
    assert clockwise.max() == pytest.approx(1)


def test_groups_are_kept_apart() -> None:
    figures = polygons_of(FIGURES, np.array([1.0, 0.25]), np.array([2, 0]), 3, SIZE)
    block = Block(0, 30, 0, 40)
    assert figures.drawn(2, block).max() == pytest.approx(1)
    assert figures.drawn(0, block).max() == pytest.approx(0.25)
    assert not figures.has(1, block)
    assert not figures.has(0, Block(0, 3, 0, 40))

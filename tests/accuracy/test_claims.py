"""Claims on hundreds of simulated photos: slow, run with -m accuracy. intervals.py beside it prints the whole table."""

from __future__ import annotations

import numpy as np
import pytest
from intervals import default_store, held, photos
from scenes import backlit_photo

pytestmark = pytest.mark.accuracy
FIGURES = ("position", "angle", "relative angle")


@pytest.fixture(scope="module")
def shares():
    """(photos, 4): share of each photo's twists whose stated 95 % interval holds the truth; FIGURES are the first."""
    return np.array([held(row).mean(0) for row in photos(240, default_store(), backlit_photo) if not row["declined"]])


@pytest.mark.parametrize("figure", FIGURES)
def test_intervals_hold_the_truth_in_93_to_97_per_cent(shares, figure):
    share = float(shares[:, FIGURES.index(figure)].mean())
    assert 0.93 <= share <= 0.97

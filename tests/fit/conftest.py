"""Edge samples made straight from known vertices, without any picture."""

from __future__ import annotations

from functools import partial

import pytest
from lone_folds import samples
from panels import folded_panel

from foldtrue.handover import Plane


@pytest.fixture(scope="session")
def nominal():
    return folded_panel(3, 24)


@pytest.fixture(scope="session")
def plane(plane_map):
    return Plane(plane_map, "backlit", "front", 7.0, "none", (), "outline", 0.97, 0.5)


@pytest.fixture(scope="session")
def sampled(nominal):
    """sampled(displacement (V, 2), noise_mm, seed, hidden) -> Features, see `samples`."""
    return partial(samples, nominal)

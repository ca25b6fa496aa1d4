"""Edge samples made straight from known vertices, without any picture."""

from __future__ import annotations

import numpy as np
import pytest
from panels import folded_panel

from foldtrue.handover import Features, Plane


@pytest.fixture(scope="session")
def nominal():
    return folded_panel(3, 24)


@pytest.fixture(scope="session")
def plane(plane_map):
    return Plane(plane_map, "backlit", "front", 7.0, "none", (), "outline", 0.97, 0.5)


@pytest.fixture(scope="session")
def sampled(nominal):
    """sampled(displacement (V, 2), noise_mm, seed, hidden) -> Features: 40 samples on every visible unshared fold."""

    def make(displacement, noise_mm=0.0, seed=0, hidden=(), per_edge=40):
        s = nominal.views["backlit"]
        use = np.flatnonzero(
            (s.layers_left != s.layers_right) & (s.shared == 1) & (np.minimum(s.layers_left, s.layers_right) > 0)
        )
        stretch = np.repeat(use, per_edge)
        f = np.tile((np.arange(per_edge) + 0.5) / per_edge, len(use))
        t = s.t0[stretch] + (s.t1 - s.t0)[stretch] * f
        ends = nominal.creases.ends[s.crease[stretch]]
        d = nominal.vertices_mm[ends[:, 1]] - nominal.vertices_mm[ends[:, 0]]
        normal = np.stack([-d[:, 1], d[:, 0]], 1) / np.hypot(*d.T)[:, None]
        moved = displacement[ends[:, 0]] * (1 - t)[:, None] + displacement[ends[:, 1]] * t[:, None]
        offset = np.sum(moved * normal, 1) + np.random.default_rng(seed).normal(0, noise_mm, len(t))
        trust = np.where(np.isin(s.crease[stretch], list(hidden)), 0.0, 1.0)
        count = len(s.crease)
        return Features(
            evidence=np.full(count, 50.0),
            contrast=np.full(count, 0.2),
            blur_px=np.full(count, 1.2),
            found=np.ones(count, bool),
            stretch=stretch,
            t=t,
            offset_mm=offset,
            std_mm=np.full(len(t), max(noise_mm, 1e-4)),
            px_per_mm=np.full(len(t), 8.0),
            trust=trust,
            piece=stretch,
            clipped=np.zeros(count, bool),
        )

    return make

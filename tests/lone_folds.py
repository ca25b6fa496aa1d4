"""Edge samples made straight from known vertices, without any picture."""

from __future__ import annotations

import numpy as np

from foldtrue.handover import Features
from foldtrue.stretches import left_normals


def samples(nominal, displacement, noise_mm=0.0, seed=0, hidden=(), per_edge=40):
    """Features of folds moved (V, 2) mm from the plan: per_edge samples on every visible unshared one, each where the
    straight line between the fold's moved ends meets the planned normal at the sample's place."""
    s = nominal.views["backlit"]
    bare = np.minimum(s.layers_left, s.layers_right) == 0
    use = np.flatnonzero((s.layers_left != s.layers_right) & (s.shared == 1) & ~bare)
    stretch = np.repeat(use, per_edge)
    f = np.tile((np.arange(per_edge) + 0.5) / per_edge, len(use))
    t = s.t0[stretch] + (s.t1 - s.t0)[stretch] * f
    ends = nominal.creases.ends[s.crease[stretch]]
    start, stop = (nominal.vertices_mm[ends[:, k]] for k in (0, 1))
    first, last = (nominal.vertices_mm[ends[:, k]] + displacement[ends[:, k]] for k in (0, 1))
    place, way = start + (stop - start) * t[:, None], stop - start
    share = np.sum((place - first) * way, 1) / np.sum((last - first) * way, 1)
    met = first + (last - first) * share[:, None]
    offset = np.sum((met - place) * left_normals(nominal, s.crease[stretch]), 1)
    offset = offset + np.random.default_rng(seed).normal(0, noise_mm, len(t))
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
        trust=np.where(np.isin(s.crease[stretch], list(hidden)), 0.0, 1.0),
        piece=stretch,
        clipped=np.zeros(count, bool),
    )

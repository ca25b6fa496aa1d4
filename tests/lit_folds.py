"""Edge samples of a front or back view made straight from known vertices, without any picture."""

from __future__ import annotations

import numpy as np

from foldtrue.fit.lines import edge_lines
from foldtrue.handover import Features
from foldtrue.stretches import left_normals, lit_kinds, place_numbers


def samples_of(nominal, view, displacement, on_top=None, noise_mm=0.0, seed=0, per_stretch=20):
    """Features as if every edge of the view had been measured. on_top (C,): whether a crease is the one that shows in
    its groove, else its partner; the samples are always filed under the crease that is listed first."""
    s, kinds = nominal.views[view], lit_kinds(nominal, view)
    use = np.sort(np.unique(place_numbers(nominal, view), return_index=True)[1])
    stretch = np.repeat(use, per_stretch)
    f = np.tile((np.arange(per_stretch) + 0.5) / per_stretch, len(use))
    t = s.t0[stretch] + (s.t1 - s.t0)[stretch] * f
    crease, partner = s.crease[stretch], kinds.partner[stretch]
    seen = crease if on_top is None else np.where((partner >= 0) & ~on_top[crease], partner, crease)
    place, ends = nominal.vertices_mm, nominal.creases.ends
    at = place[ends[crease, 0]] * (1 - t)[:, None] + place[ends[crease, 1]] * t[:, None]
    along = place[ends[seen, 1]] - place[ends[seen, 0]]
    u = (np.sum((at - place[ends[seen, 0]]) * along, 1) / np.sum(along**2, 1))[:, None]
    moved = displacement[ends[seen, 0]] * (1 - u) + displacement[ends[seen, 1]] * u
    noise = np.random.default_rng(seed).normal(0, noise_mm, len(t))
    count, every = len(s.crease), len(t)
    return Features(
        evidence=np.full(count, 50.0),
        contrast=np.full(count, 0.2),
        blur_px=np.full(count, np.nan),
        found=np.ones(count, bool),
        stretch=stretch,
        t=t,
        offset_mm=np.sum(moved * left_normals(nominal, crease), 1) + noise,
        std_mm=np.full(every, max(noise_mm, 1e-4)),
        px_per_mm=np.full(every, 8.0),
        trust=np.ones(every),
        piece=stretch,
        clipped=np.zeros(count, bool),
    )


def lines_of(nominal, view, displacement=None, **more):
    displacement = np.zeros_like(nominal.vertices_mm) if displacement is None else displacement
    features = samples_of(nominal, view, displacement, **more)
    return edge_lines(features, nominal, view, np.zeros(len(features.t)))

"""Where the clear parts of edges end once the folded vertices are known: edges that meet have moved along each
other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from foldtrue.detect.scan import Targets, crossings, seen_stretches
from foldtrue.frames import Array
from foldtrue.handover import IntArray, Nominal
from foldtrue.stretches import stretch_ends

MOST_PITCH = 0.4
"""How far an end may move, in pitches: an edge that has gone farther has met others, which the plan does not tell."""
LEAST_SINE = 0.3


def moved_ends(targets: Targets, nominal: Nominal, view: str, vertices_mm: Array) -> Targets:
    """The intervals of targets, cut at crossings, with their ends where an adjusted network vertices_mm (V, 2) lets the
    edges meet. Of several edges that the plan lets meet at one place each is taken where it now is, and the interval
    ends at the first."""
    seen = seen_stretches(nominal, view)
    a, b = stretch_ends(nominal, view)
    index, t, _, other = crossings(targets, a[seen], b[seen], nominal.pitch_mm)
    edge = targets.edge[index]
    theirs = nominal.views[view].crease[seen[other]]
    start, way = targets.start_mm[edge], (targets.end_mm - targets.start_mm)[edge]
    point, sine = _meeting(vertices_mm, nominal.creases.ends[targets.crease[edge]], nominal.creases.ends[theirs])
    length = targets.length_mm[edge]
    most = MOST_PITCH * nominal.pitch_mm / length
    moved = t + np.clip(np.sum((point - start) * way, 1) / length**2 - t, -most, most)
    moved = np.where(sine > LEAST_SINE, moved, t)
    at_start = np.abs(t - targets.t0[index]) < np.abs(t - targets.t1[index])
    t0, t1 = np.full(len(targets.t0), -np.inf), np.full(len(targets.t1), np.inf)
    np.maximum.at(t0, index[at_start], moved[at_start])
    np.minimum.at(t1, index[~at_start], moved[~at_start])
    t0, t1 = np.where(np.isfinite(t0), t0, targets.t0), np.where(np.isfinite(t1), t1, targets.t1)
    return replace(targets, t0=t0, t1=np.maximum(t0, t1))


def _meeting(vertices_mm: Array, mine: IntArray, theirs: IntArray) -> tuple[Array, Array]:
    """Where (N, 2) the lines of two creases, given by their vertices (N, 2), meet, and the sine (N,) of the angle
    between them."""
    p, q = vertices_mm[mine[:, 0]], vertices_mm[theirs[:, 0]]
    d, e = vertices_mm[mine[:, 1]] - p, vertices_mm[theirs[:, 1]] - q
    cross = d[:, 0] * e[:, 1] - d[:, 1] * e[:, 0]
    sine = np.abs(cross) / np.maximum(np.hypot(*d.T) * np.hypot(*e.T), 1e-300)
    g = q - p
    along = (g[:, 0] * e[:, 1] - g[:, 1] * e[:, 0]) / np.where(np.abs(cross) > 0, cross, 1.0)
    return p + d * along[:, None], np.asarray(sine)

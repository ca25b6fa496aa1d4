"""What the stretches of one view have in common: where they lie, which way they face, and which look alike.

Seen from the camera's side an edge is a fall from the paper on top to the paper below, along its *facing*. Light falls
on all edges of one facing alike, so they look alike and are shifted alike: they are of one *kind*. In a groove two
twists abut at one level; which of the two shows is for the photo to say.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import BoolArray, IntArray, Nominal

GROOVE, SIDE, PLEAT, RIM, OUTER = range(5)
"""Between two twists; a twist's side; a pleat's crease; the sheet's cut rim; a fold with no paper beyond it."""


@dataclass(frozen=True)
class Kinds:
    """Arrays (S,) over a view's stretches: kind, a number for every set of edges that look alike; kind_type: GROOVE to
    OUTER of that stretch; facing: +1 when the fall is to the left of the crease, -1 to its right (in a groove: chosen
    so that all of one direction have the same sense); partner: the other crease in a groove, -1 elsewhere."""

    kind: IntArray
    kind_type: IntArray
    facing: IntArray
    partner: IntArray


def stretch_ends(nominal: Nominal, view: str) -> tuple[Array, Array]:
    """Planned folded ends (S, 2), (S, 2) mm of the view's stretches, along their creases."""
    s = nominal.views[view]
    p = nominal.vertices_mm[nominal.creases.ends[s.crease, 0]]
    d = nominal.vertices_mm[nominal.creases.ends[s.crease, 1]] - p
    return p + d * s.t0[:, None], p + d * s.t1[:, None]


def place_numbers(nominal: Nominal, *views: str) -> IntArray:
    """A number for the place of every stretch of the views, one view after the other (S + ...,): stretches that lie on
    one another have the same."""
    middle = np.concatenate([0.5 * sum(stretch_ends(nominal, view)) for view in views])
    key = np.rint(middle / (1e-5 * nominal.pitch_mm)).astype(np.int64)
    return np.asarray(np.unique(key, axis=0, return_inverse=True)[1].ravel(), np.int64)


def alone_in_line(nominal: Nominal, view: str) -> BoolArray:
    """Which stretches (S,) make a line of their own, and not one with the others of their crease: those of a
    silhouette, where the crease that shows may change from stretch to stretch."""
    s = nominal.views[view]
    return s.shared > 1 if view == "backlit" else np.minimum(s.layers_left, s.layers_right) == 0


def left_normals(nominal: Nominal, crease: IntArray) -> Array:
    """Unit left normals (N, 2) of the creases in the folded frame."""
    ends = nominal.vertices_mm[nominal.creases.ends[crease]]
    d = ends[:, 1] - ends[:, 0]
    return np.asarray(np.stack([-d[:, 1], d[:, 0]], 1) / np.hypot(*d.T)[:, None])


def lit_kinds(nominal: Nominal, view: str) -> Kinds:
    """Kinds of the stretches of a front or back view: by what they are and by their facing, to the nearest 30 degrees
    (the directions of all folds, lattice theorem)."""
    s = nominal.views[view]
    normal = left_normals(nominal, s.crease)
    groove = (s.raised == 0) & (s.shared > 1)
    facing = np.where(s.raised > 0, -1, 1)
    angle = np.degrees(np.arctan2(facing * normal[:, 1], facing * normal[:, 0]))
    step = np.rint(angle / 30.0).astype(np.int64) % 12
    turned = groove & (step >= 6)
    facing, step = np.where(turned, -facing, facing), np.where(turned, step - 6, step)
    kind_type = _kind_types(nominal, view, groove)
    kind = np.unique(12 * kind_type + step, return_inverse=True)[1]
    return Kinds(kind.astype(np.int64), kind_type, facing, partners(nominal, view, groove))


def _kind_types(nominal: Nominal, view: str, groove: BoolArray) -> IntArray:
    s, creases = nominal.views[view], nominal.creases
    of_twist = np.array([f.kind == "twist" for f in nominal.facets] + [False])
    side = of_twist[creases.facets[s.crease]].any(1)
    cut = creases.kind[s.crease] == "R"
    bare = np.minimum(s.layers_left, s.layers_right) == 0
    return np.asarray(np.select([groove, cut, bare, side], [GROOVE, RIM, OUTER, SIDE], PLEAT), np.int64)


def partners(nominal: Nominal, view: str, which: BoolArray) -> IntArray:
    """The other crease (S,) on the line of each of these stretches that lie in pairs, -1 elsewhere; which: (S,)."""
    s = nominal.views[view]
    place = place_numbers(nominal, view)
    out = np.full(len(place), -1, np.int64)
    at = np.flatnonzero(which)
    at = at[np.argsort(place[at], kind="stable")]
    same = np.flatnonzero(place[at][:-1] == place[at][1:])
    out[at[same]], out[at[same + 1]] = s.crease[at[same + 1]], s.crease[at[same]]
    return out

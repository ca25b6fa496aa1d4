"""Samples along each edge condensed to a straight line, with what the plan says of it: its kind, its pair, and what
else lies there."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from foldtrue.fit.scatter import INLIER, SLOW, SLOW_BACKLIT, fit_lines
from foldtrue.frames import Array
from foldtrue.handover import BoolArray, Features, IntArray, Nominal
from foldtrue.stretches import alone_in_line, left_normals, lit_kinds, place_numbers
from foldtrue.subpixel import robust_line

LEAST_STD_MM = 1e-4
"""No line is known better than a tenth of a micrometre; keeps the equations solvable on noiseless data."""


@dataclass(frozen=True)
class EdgeLines:
    """Straight lines (E,), of which a crease may have several: crease they were scanned for; t_mid, offset_mm there and
    slope_mm per unit t with stds (uncorrelated by the choice of t_mid; in a groove t_mid is the end that both its edges
    share); normal (E, 2); dark: +1 when the darker side, or from the camera's side the upper one, is left; kind: which
    edge shift applies; glare: no paper or too much light on one side; on_table: seen from the camera's side, no paper
    beyond it; shared: several creases lie on this line and the
    outermost shows, members lists them; pair, pair_kind: the other crease in a groove seen from the camera's side (-1:
    none) and the kind of shift that applies when the line is its; stretch: the first of the view it lies on (`line_of`
    has all); samples: trusted ones, none where the edge does not stand out by itself (fit/faint.py); rms_mm: scatter of
    one sample; pixel_share (E, 2): of the variances of offset and slope what the pixels' noise brings, the paper the
    rest."""

    crease: IntArray
    t_mid: Array
    offset_mm: Array
    offset_std_mm: Array
    slope_mm: Array
    slope_std_mm: Array
    normal: Array
    dark: Array
    kind: IntArray
    glare: BoolArray
    on_table: BoolArray
    shared: BoolArray
    members: tuple[IntArray, ...]
    pair: IntArray
    pair_kind: IntArray
    stretch: IntArray
    samples: Array
    rms_mm: float
    pixel_share: Array

    @property
    def stands_out(self) -> BoolArray:
        """Lines (E,) of edges that the photo shows by themselves; the others are the network's business alone."""
        return np.asarray(self.samples > 0)

    @property
    def paper_side(self) -> Array:
        """In a groove (E,): +1 where the paper of the twist whose side the crease is lies on its left, -1 on its right;
        the parity of its kind says whether that is ahead, along the facing."""
        return np.where(self.kind % 2 == 1, -self.dark, self.dark)

    def pick(self, rows: IntArray) -> EdgeLines:
        """The lines with these indices, in this order."""
        return EdgeLines(
            crease=self.crease[rows],
            t_mid=self.t_mid[rows],
            offset_mm=self.offset_mm[rows],
            offset_std_mm=self.offset_std_mm[rows],
            slope_mm=self.slope_mm[rows],
            slope_std_mm=self.slope_std_mm[rows],
            normal=self.normal[rows],
            dark=self.dark[rows],
            kind=self.kind[rows],
            glare=self.glare[rows],
            on_table=self.on_table[rows],
            shared=self.shared[rows],
            members=tuple(self.members[int(r)] for r in rows),
            pair=self.pair[rows],
            pair_kind=self.pair_kind[rows],
            stretch=self.stretch[rows],
            samples=self.samples[rows],
            rms_mm=self.rms_mm,
            pixel_share=self.pixel_share[rows],
        )

    def join(self, more: EdgeLines) -> EdgeLines:
        """These lines and then more; rms_mm stays that of these."""
        arrays = {
            f.name: np.concatenate([getattr(self, f.name), getattr(more, f.name)])
            for f in fields(self)
            if f.name not in ("members", "rms_mm")
        }
        return EdgeLines(**arrays, members=self.members + more.members, rms_mm=self.rms_mm)


def edge_lines(features: Features, nominal: Nominal, view: str, lens_mm: Array) -> EdgeLines:
    """Fit a straight line to the samples of each edge; lens_mm (M,), the lens's part, is taken off first.

    Samples far off their edge are left out (Tukey's biweight on a first line); the rest count in full, with the
    uncertainty that their own scatter shows, see `fit_lines`.
    """
    s = nominal.views[view]
    _, first, edge = np.unique(line_of(nominal, view)[features.stretch], return_index=True, return_inverse=True)
    edge = edge.astype(np.int64)
    groups = len(first)
    value = features.offset_mm - lens_mm
    std = np.maximum(features.std_mm, 1e-5)
    # Not weighted by trust, which told how far off a sample was from its edge's line: that would count it twice.
    trust = robust_line(features.t, value, (features.trust > 0) / std**2, edge, groups, spread=1e-4)[2]
    inlier = (features.trust > 0) & (trust > INLIER)
    slow = SLOW_BACKLIT if view == "backlit" else SLOW
    line = fit_lines(features.t, value, std, inlier, edge, features.piece, groups, slow)
    keep = np.flatnonzero(line.samples >= 3)
    stretch = features.stretch[first]
    left, right, crease = s.layers_left[stretch], s.layers_right[stretch], s.crease[stretch]
    dark, kind, pair_kind, pair = looks_of(nominal, view, stretch)
    if features.tone is not None:
        kind, pair_kind = _by_tone(kind, pair_kind, features.tone[stretch])
    bare, backlit = np.minimum(left, right) == 0, view == "backlit"
    members = _members(nominal, view, stretch)
    common = _common_end(nominal, crease, pair)
    t_ref = np.where(np.isnan(common), line.t_mid, common)
    return EdgeLines(
        crease=crease,
        t_mid=t_ref,
        offset_mm=line.offset + line.slope * (t_ref - line.t_mid),
        offset_std_mm=np.maximum(np.hypot(line.offset_std, (t_ref - line.t_mid) * line.slope_std), LEAST_STD_MM),
        slope_mm=line.slope,
        slope_std_mm=np.maximum(line.slope_std, LEAST_STD_MM),
        normal=left_normals(nominal, crease),
        dark=dark,
        kind=kind,
        glare=(bare & backlit) | features.clipped[stretch],
        on_table=bare & (not backlit),
        shared=np.array([len(m) > 1 for m in members], bool),
        members=members,
        pair=pair,
        pair_kind=pair_kind,
        stretch=stretch,
        samples=line.samples,
        rms_mm=float(np.median(line.sample_std[keep])) if len(keep) else float("nan"),
        pixel_share=line.pixel_share,
    ).pick(keep)


def line_of(nominal: Nominal, view: str) -> IntArray:
    """Number (S,) of the line each stretch belongs to: its crease's; against the light one for each number of layers
    beside it, since each kind of step has its own shift; and one for each stretch of a silhouette."""
    s = nominal.views[view]
    number = s.crease
    if view == "backlit":
        layers = np.stack([s.crease, s.layers_left, s.layers_right], 1)
        number = np.unique(layers, axis=0, return_inverse=True)[1].ravel()
    alone = alone_in_line(nominal, view)
    return np.where(alone, number.max() + 1 + np.arange(len(number)), number).astype(np.int64)


def own_lines(lines: EdgeLines, nominal: Nominal) -> Array:
    """How many lines (T,) tell of each twist: 1 for a side of its own; 1/2 for one in a groove, which may be its
    neighbour's, for one that does not stand out by itself, and for a pleat's crease, which says where one tip lies
    across it; 1/4 for one at the outline, where the rim below may stick out instead."""
    of_twist = np.array([f.kind == "twist" for f in nominal.facets] + [False])
    pleat = ~of_twist[nominal.creases.facets[lines.crease]].any(1)
    worth = np.where(lines.shared, 0.25, np.where((lines.pair >= 0) | ~lines.stands_out, 0.5, 1.0))
    count = np.zeros(len(nominal.twists))
    for k, twist in enumerate(nominal.twists):
        for crease in (lines.crease, lines.pair):
            ends = np.isin(nominal.creases.ends[crease], twist.tips).sum(1) * (crease >= 0)
            count[k] += np.sum(worth[ends == 2]) + 0.5 * np.sum((ends == 1) & pleat)
    return count


def looks_of(nominal: Nominal, view: str, stretch: IntArray) -> tuple[Array, IntArray, IntArray, IntArray]:
    """Of every line (E,), given its first stretch: its darker or upper side (+1 left), its kind of shift, and the kind
    and crease of the other edge in its groove (-1: none)."""
    s = nominal.views[view]
    left, right, crease = s.layers_left[stretch], s.layers_right[stretch], s.crease[stretch]
    none = np.full(len(stretch), -1, np.int64)
    if view == "backlit":
        kind = step_kinds(nominal, crease, left, right)
        return np.where(left > right, 1.0, -1.0), kind, kind, none
    kinds = lit_kinds(nominal, view)
    facing, pair = kinds.facing[stretch], kinds.partner[stretch]
    # In a groove the edge that shows may be that of the twist on either side, each with its own shift.
    near = np.where(pair >= 0, _twist_is_ahead(nominal, crease) == facing, False).astype(np.int64)
    kind = 2 * kinds.kind[stretch] + near
    return -facing.astype(float), kind, np.where(pair >= 0, kind ^ 1, kind), pair


def _by_tone(kind: IntArray, pair_kind: IntArray, tone: IntArray) -> tuple[IntArray, IntArray]:
    """Kinds of shift (E,) where edges that show by their tone alone are shifted in a way of their own."""
    kinds = int(max(kind.max(initial=0), pair_kind.max(initial=0))) + 2 & ~1
    return kind + kinds * tone, pair_kind + kinds * tone


def _common_end(nominal: Nominal, crease: IntArray, pair: IntArray) -> Array:
    """t (E,) on the crease of the vertex that it shares with its pair, nan where there is none: there the line is that
    of either edge."""
    ends = nominal.creases.ends
    other = ends[np.where(pair >= 0, pair, crease)]
    at = [(ends[crease, k][:, None] == other).any(1) & (pair >= 0) for k in (0, 1)]
    return np.where(at[0], 0.0, np.where(at[1], 1.0, np.nan))


def _twist_is_ahead(nominal: Nominal, crease: IntArray) -> IntArray:
    """+1 where the twist whose side the crease is lies on the crease's left in the folded frame, else -1."""
    normal = left_normals(nominal, crease)
    out = np.ones(len(crease), np.int64)
    for k, c in enumerate(crease):
        for f in nominal.creases.facets[c]:
            if f >= 0 and nominal.facets[f].kind == "twist":
                centre = nominal.vertices_mm[list(nominal.facets[f].vertices)].mean(0)
                middle = nominal.vertices_mm[nominal.creases.ends[c]].mean(0)
                out[k] = 1 if float((centre - middle) @ normal[k]) > 0 else -1
    return out


def step_kinds(nominal: Nominal, crease: IntArray, left: IntArray, right: IntArray) -> IntArray:
    """Running number (N,) of the kind of step each edge is: its layers on either side, and whether it is a twist's
    side or a pleat's mountain or valley or the rim. Thickness and stray light shift all edges of a kind alike."""
    is_twist = np.array([f.kind == "twist" for f in nominal.facets] + [False])
    side = is_twist[nominal.creases.facets[crease]].any(1)
    fold = np.unique(nominal.creases.kind[crease], return_inverse=True)[1]
    key = np.stack([np.minimum(left, right), np.maximum(left, right), fold, side], 1)
    return np.asarray(np.unique(key, axis=0, return_inverse=True)[1].ravel(), np.int64)


def _members(nominal: Nominal, view: str, stretch: IntArray) -> tuple[IntArray, ...]:
    """For each line the creases of which the outermost is seen: all that lie on it where there is no paper beyond (from
    the camera's side too, where the sheet's rim may stick out below), else itself alone."""
    s, back = nominal.views[view], nominal.views["backlit"]
    bare = np.minimum(s.layers_left, s.layers_right)[stretch] == 0
    place = place_numbers(nominal, view, "backlit")
    mine, every = place[stretch], place[len(s.crease) :]
    order = np.argsort(every, kind="stable")
    low, high = (np.searchsorted(every[order], mine, side=side) for side in ("left", "right"))
    own = s.crease[stretch]
    return tuple(
        np.union1d(back.crease[order[i:j]], own[[k]]) if bare[k] else own[[k]]
        for k, (i, j) in enumerate(zip(low, high, strict=True))
    )

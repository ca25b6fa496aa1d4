"""What an edge's samples tell of its straight line when neighbours move together.

Along one edge the pieces between crossings lie on different facets, and each brings its own old creases and clouds of
the paper, which shift all of the piece's samples alike. So a sample's error is taken as the sum of its own, that of its
piece, and that of its edge: a model of nested random effects, whose variances the photo itself shows, but for the last.
Source: best linear unbiased estimation in mixed linear models (Searle, Casella and McCulloch, Variance Components, 1992
[from memory]).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import BoolArray, IntArray
from foldtrue.subpixel import straight_lines

COMMON = 0.3
"""What all pieces of an edge have in common, as a share of what one piece has of its own: a crease of the sheet often
runs on under the next facet."""
SLOW, SLOW_BACKLIT = 1.2, 1.6
"""Variance that waves longer than a piece add to a line's place and direction, in units of what shorter ones add. They
move a piece's samples alike and so do not show in their scatter; found on simulated paper with clouds and old creases
(docs/accuracy.md). Only scatter beyond the pixels' own noise counts. Against the light each step is read as far out as
makes its samples scatter least (detect/refine.py), which takes away more of the short waves than of the long ones."""
USUAL_INFLATION, _INFLATION_POOL = 2.0, 8.0
"""Usual inflation of what the paper adds to the pixels' noise, neighbours being alike, and the number of pieces beside
which it stands."""
INTERPOLATED = 1.3
"""What a block's scatter exceeds its stated pixel noise by on paper without any structure, since neighbouring samples
of a cross-line share pixels."""
INLIER = 0.3
"""A sample whose robust weight is less takes no part; the others count in full, so that their scatter is that of the
samples and not that of the weights."""
_POOL = 4.0
"""Degrees of freedom for which the whole piece's scatter stands beside an edge's own."""


@dataclass(frozen=True)
class LineFits:
    """Lines (E,): value = offset at t_mid + slope (t - t_mid), where both are uncorrelated, with their standard
    deviations; samples: how many took part; sample_std: standard deviation of one sample of it; pixel_share (E, 2): of
    the variances of offset and slope what the pixels' noise alone brings, the paper the rest."""

    t_mid: Array
    offset: Array
    offset_std: Array
    slope: Array
    slope_std: Array
    samples: Array
    sample_std: Array
    pixel_share: Array


def fit_lines(
    t: Array,
    value: Array,
    std: Array,
    inlier: BoolArray,
    edge: IntArray,
    piece: IntArray,
    edges: int,
    slow: float = SLOW,
) -> LineFits:
    """Straight lines through the samples (M,) of each edge, by generalised least squares under the model above.

    t: place on the edge; std: standard deviation from the pixels' noise, of which only the ratio between samples
    counts; edge (M,) < edges; piece (M,): number of the piece between crossings, unique over all edges; slow: what long
    waves add, see `SLOW`.
    """
    e, x, y = edge[inlier], t[inlier] - 0.5, value[inlier]
    w = 1.0 / std[inlier] ** 2
    number, index = np.unique(piece[inlier], return_inverse=True)
    p: IntArray = index.astype(np.int64)
    own_edge: IntArray = np.zeros(len(number), np.int64)
    own_edge[p] = e
    noise = _noise(x, y, w, p, own_edge, edges)
    waves = 1 + slow * _of_paper(noise)
    pixels = straight_lines(x, y, w, e, edges)
    w = w / noise[e]
    piece_var = 0.0
    for _ in range(3):  # the line, the pieces' variance about it, the line again
        normal, right = _normal(x, y, w, p, own_edge, piece_var, edges)
        a, b = _solve(normal, right)
        piece_var = _piece_variance(y - a[e] - b[e] * x, x, w, p, own_edge, edges)
    normal, right = _normal(x, y, w, p, own_edge, piece_var, edges)
    a, b = _solve(normal, right)
    s0, s1, s2 = normal.T
    mid = np.where(s0 > 0, s1 / np.maximum(s0, 1e-300), 0.0)
    spread = np.maximum(s2 - s1 * mid, 1e-300)
    count = np.bincount(e, minlength=edges)
    mean_var = count / np.maximum(_total(w, e, edges), 1e-300)
    variance = np.stack([waves / np.maximum(s0, 1e-300) + COMMON**2 * piece_var, waves / spread], 1)
    alone = INTERPOLATED * np.stack([pixels.variance_at(pixels.t_mid), pixels.slope_variance()], 1)
    return LineFits(
        t_mid=mid + 0.5,
        offset=a + b * mid,
        offset_std=np.sqrt(variance[:, 0]),
        slope=b,
        slope_std=np.sqrt(variance[:, 1]),
        samples=count.astype(float),
        sample_std=np.sqrt(mean_var),
        pixel_share=np.minimum(alone / variance, 1.0),
    )


def _sums(x: Array, y: Array, w: Array, group: IntArray, groups: int) -> tuple[Array, ...]:
    return tuple(_total(w * f, group, groups) for f in (np.ones_like(x), x, x * x, y, x * y, y * y))


def _total(value: Array, group: IntArray, groups: int) -> Array:
    """Sum (groups,) of the values in each group."""
    return np.asarray(np.bincount(group, value, groups), float)


def _noise(x: Array, y: Array, w: Array, p: IntArray, own_edge: IntArray, edges: int) -> Array:
    """Variance (E,) of a sample in units of its pixels' noise, from the scatter within pieces about one slope per edge;
    pooled towards the whole photo's, and widened by what halves of pieces differ more than independent samples
    would."""
    s0, s1, s2, sy, sxy, syy = _sums(x, y, w, p, len(own_edge))
    full = np.maximum(s0, 1e-300)
    xx, xy, yy = (_total(v, own_edge, edges) for v in (s2 - s1**2 / full, sxy - s1 * sy / full, syy - sy**2 / full))
    slope = np.where(xx > 1e-12, xy / np.maximum(xx, 1e-12), 0.0)
    chi = np.maximum(yy - slope * xy, 0.0)
    count = np.bincount(own_edge[p], minlength=edges) if len(p) else np.zeros(edges)
    freedom = np.maximum(count - np.bincount(own_edge, minlength=edges) - 1.0, 0.0)
    overall = float(chi.sum() / max(freedom.sum(), 1.0))
    noise = np.maximum((chi + _POOL * overall) / (freedom + _POOL), 1e-12)
    rest = y - slope[own_edge[p]] * x
    usual = 1 + (USUAL_INFLATION - 1) * float(_of_paper(noise).sum() / max(len(noise), 1))
    return noise * _halves_inflation(rest, x, w / noise[own_edge[p]], p, own_edge, usual)


def _of_paper(noise: Array) -> Array:
    """Share (E,) of a sample's variance beyond the pixels' own noise: clouds, fibres and old creases."""
    return np.asarray(np.clip(1 - INTERPOLATED / noise, 0.0, 1.0))


def _halves_inflation(rest: Array, x: Array, w: Array, p: IntArray, own_edge: IntArray, usual: float) -> float:
    """How much more the means of two halves of a piece differ than the scatter of their samples lets expect (batch
    means), over edges of two pieces and more, whose common slope has been taken off; at least 1. usual: what is taken
    for granted where few tell."""
    pieces = len(own_edge)
    count = np.bincount(p, minlength=pieces)
    middle = _total(x, p, pieces) / np.maximum(count, 1)
    half = 2 * p + (x > middle[p])
    weight = _total(w, half, 2 * pieces).reshape(-1, 2)
    mean = _total(w * rest, half, 2 * pieces).reshape(-1, 2) / np.maximum(weight, 1e-300)
    use = np.bincount(half, minlength=2 * pieces).reshape(-1, 2).min(1) >= 3
    beside = np.maximum(np.bincount(own_edge[use], minlength=int(own_edge.max(initial=-1)) + 1)[own_edge], 1)
    use &= beside >= 2
    halved = int(use.sum())
    square = (mean[use, 0] - mean[use, 1]) ** 2 / (1 / weight[use]).sum(1) * beside[use] / (beside[use] - 1.0)
    seen = _mean_without_tail(square) if halved else 0.0
    return max(1.0, (halved * seen + _INFLATION_POOL * usual) / (halved + _INFLATION_POOL))


def _mean_without_tail(square: Array) -> float:
    """Mean of squares of one variance, a few gross ones held to ten times the median."""
    return float(np.mean(np.minimum(square, 10 * np.median(square) + 1e-300)))


def _normal(
    x: Array, y: Array, w: Array, p: IntArray, own_edge: IntArray, piece_var: float, edges: int
) -> tuple[Array, Array]:
    """Normal equations of every edge's line, (E, 3) = s0, s1, s2 and (E, 2), when each piece has an error of its own:
    the inverse of D + v 1 1' is known in closed form (Sherman and Morrison)."""
    s0, s1, s2, sy, sxy, _ = _sums(x, y, w, p, len(own_edge))
    shrink = piece_var / (1 + piece_var * s0)
    rows = [s0 - shrink * s0 * s0, s1 - shrink * s0 * s1, s2 - shrink * s1 * s1]
    right = [sy - shrink * s0 * sy, sxy - shrink * s1 * sy]
    both = [_total(v, own_edge, edges) for v in (*rows, *right)]
    return np.stack(both[:3], 1), np.stack(both[3:], 1)


def _solve(normal: Array, right: Array) -> tuple[Array, Array]:
    s0, s1, s2 = normal.T
    det = s0 * s2 - s1 * s1
    flat = det <= 1e-9 * np.maximum(s0, 1e-300) ** 2
    b = np.where(flat, 0.0, (s0 * right[:, 1] - s1 * right[:, 0]) / np.where(flat, 1.0, det))
    a = np.where(s0 > 0, (right[:, 0] - b * s1) / np.maximum(s0, 1e-300), 0.0)
    return a, b


def _piece_variance(rest: Array, x: Array, w: Array, p: IntArray, own_edge: IntArray, edges: int) -> float:
    """Variance of what a piece has of its own, from the means of pieces about a straight line through them, over all
    edges of three or more pieces (method of moments); 0 where there are too few."""
    weight = _total(w, p, len(own_edge))
    mean, at = (_total(w * v, p, len(own_edge)) / np.maximum(weight, 1e-300) for v in (rest, x))
    s0, s1, s2, sy, sxy, syy = _sums(at, mean, np.ones(len(own_edge)), own_edge, edges)
    use = s0 >= 3
    if use.sum() < 4:
        return 0.0
    det = np.where(use, s0 * s2 - s1 * s1, 1.0)
    b = (s0 * sxy - s1 * sy) / np.where(det > 1e-12, det, 1.0)
    a = (sy - b * s1) / np.maximum(s0, 1.0)
    square = np.maximum(syy - a * sy - b * sxy, 0.0)
    noise = _total(1 / np.maximum(weight, 1e-300), own_edge, edges) / np.maximum(s0, 1.0)
    freedom = s0 - 2
    ratio = _mean_without_tail(square[use] / freedom[use])
    return max(ratio - float(np.average(noise[use], weights=freedom[use])), 0.0)

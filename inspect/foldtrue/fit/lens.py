"""The radial lens term from the straightness of edges: a folded edge is straight on the paper, so its bend is the
lens's."""

from __future__ import annotations

import numpy as np

from foldtrue.alignment import freedoms
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import Features, IntArray, KeptLens, LensPrior, Nominal, Plane
from foldtrue.lens_prior import contradicts, usual, weighed
from foldtrue.stretches import left_normals
from foldtrue.subpixel import straight_lines

LEAST_K1_STD = 1e-9
"""No lens is known better; keeps the weights of noiseless data finite."""
UNTOLD_K1_STD = 0.02
"""Of k1 taken as 0 where bends tell something else than the lens: between the two kinds of camera."""


def planned_points(features: Features, nominal: Nominal, view: str) -> tuple[Array, Array]:
    """Planned place (M, 2) mm of every sample and the left normal (M, 2) of its crease."""
    crease = nominal.views[view].crease[features.stretch]
    ends = nominal.vertices_mm[nominal.creases.ends[crease]]
    return ends[:, 0] + (ends[:, 1] - ends[:, 0]) * features.t[:, None], left_normals(nominal, crease)


def lens_from_bends(
    features: Features, nominal: Nominal, view: str, plane: PlaneMap, kept: KeptLens | None = None
) -> tuple[float, float, Array]:
    """Correction of k1, its standard uncertainty and its effect (M,) mm on the samples' offsets, to be taken off them.

    Per crease the samples' offsets and the effect of k1 are both freed of their straight part, then regressed on each
    other. What bends edges beside the lens is mostly old creases and clouds in the paper, so samples weigh by how they
    scatter about their own line, not by the noise of their pixels alone. The uncertainty comes from leaving out one
    crease at a time (a crease bent by hand is one odd answer), and what is known beforehand takes over where few or
    short edges say little: of the camera's kept lens, or of all cameras (lens_prior.py).
    """
    effect = lens_effect(features, nominal, view, plane)
    change, std = bends_alone(features, nominal, view, plane)
    k1, k1_std = weighed(change + plane.k1, std, kept)
    return k1 - plane.k1, k1_std, (k1 - plane.k1) * effect


def bends_alone(features: Features, nominal: Nominal, view: str, plane: PlaneMap) -> tuple[float, float]:
    """Correction of k1 by the straightness of folds alone, and its standard uncertainty; 0 and infinity where they say
    nothing."""
    effect = lens_effect(features, nominal, view, plane)
    edge = np.unique(nominal.views[view].crease[features.stretch], return_inverse=True)[1].astype(np.int64)
    groups = int(edge.max(initial=-1)) + 1
    s = nominal.views[view]
    # The rim is cut by hand, not straight by nature; over-exposed edges bow with the light.
    straight = ((np.minimum(s.layers_left, s.layers_right) > 0) & ~features.clipped)[features.stretch]
    seen = straight & (features.trust > 0)
    pixels = np.maximum(features.std_mm, 1e-5) ** 2
    rest = straight_rest(features.t, features.offset_mm, seen / pixels, edge, groups)[seen]
    scatter = 1.4826 * float(np.median(np.abs(rest))) if len(rest) else 0.0
    w = seen / (pixels + scatter**2)
    bend, lens = (straight_rest(features.t, v, w, edge, groups) for v in (features.offset_mm, effect))
    return slope_by_jackknife(bend, lens, w, edge, common_bows(features, nominal, view, edge, w))


def lens_prior(features: Features, nominal: Nominal, plane: Plane) -> LensPrior:
    """What the lens term rests on beside the photo."""
    if plane.lens is None:
        return "usual"
    change, std = bends_alone(features, nominal, plane.view, plane.map)
    return "contradicted" if contradicts(plane.map.k1 + change, std, plane.lens) else "kept"


def lens_by_places(plane: PlaneMap, planned: Array, measured: Array) -> tuple[float, float]:
    """k1 as the twists' places (T, 2) mm have it and its standard uncertainty by their scatter; 0 and infinity where
    they are too few.

    Never used to find the lens: errors of folding would go into it.
    """
    left = measured - planned
    design, _ = freedoms(planned, "homography")
    lens = plane.radial_field(planned).ravel()
    solve = np.linalg.pinv(design)
    rest, lens = (v - design @ (solve @ v) for v in (left.ravel(), lens))
    square = max(float(lens @ lens), 1e-300)
    told = float(lens @ rest) / square
    after = rest - told * lens
    free = len(rest) - design.shape[1] - 1
    if free < 8:
        return 0.0, float("inf")
    std = 1.4826 * float(np.median(np.abs(after))) * np.sqrt(len(rest) / free / square)
    return plane.k1 + told, float(std)


def contradicted_by_places(plane: PlaneMap, planned: Array, measured: Array) -> bool:
    """Whether the twists' places (T, 2) mm show that the map's lens term is not the lens's.

    Folds that sag between stacks of layers bow in the picture as a lens would bow them, all over the piece. A lens term
    that displaces the twists by a pattern of its own, five standard deviations clear of their scatter, has been taken
    from something else.
    """
    k1, std = lens_by_places(plane, planned, measured)
    return abs(k1 - plane.k1) > 5 * std and abs(k1) < 0.5 * abs(plane.k1)


def doubted_by_places(k1: float, k1_std: float, by_folds: tuple[float, float], by_places: tuple[float, float]) -> float:
    """The standard uncertainty of a lens term (k1, k1_std) that rests on folds and on what cameras are like, when the
    twists' places speak for another one: as if both had been asked, and with the difference that makes.

    by_folds, by_places: k1 and its standard uncertainty by either. Folds too short to show a lens leave it to what most
    cameras are like; places that only a lens would displace so must not stay within intervals that know of none.
    """
    weights = np.maximum([by_folds[1], by_places[1]], LEAST_K1_STD) ** -2.0
    if not weights[1]:
        return k1_std
    both = (float(weights @ [by_folds[0], by_places[0]] / weights.sum()), float(weights.sum() ** -0.5))
    other, other_std = usual(*both)
    return max(k1_std, float(np.hypot(other_std, other - k1)))


def lens_effect(features: Features, nominal: Nominal, view: str, plane: PlaneMap) -> Array:
    """Change (M,) mm of the samples' offsets for a unit of k1, at the planned places: at the measured ones it would
    carry the samples' own noise, and regress on itself."""
    return lens_across(*planned_points(features, nominal, view), plane)


def lens_across(points_mm: Array, normal: Array, plane: PlaneMap) -> Array:
    """The same (...,) at points (..., 2) mm of the plan, along normals (..., 2)."""
    field = plane.radial_field(points_mm.reshape(-1, 2)).reshape(points_mm.shape)
    return np.asarray(np.sum(field * normal, -1))


def straight_rest(t: Array, value: Array, weight: Array, edge: IntArray, groups: int) -> Array:
    """What is left (M,) of values at t (M,) when each edge's own weighted straight line is taken off; 0 on edges that
    have no line."""
    lines = straight_lines(t, value, weight, edge, groups)
    return np.where(lines.spread[edge] > 0, lines.rest(t, value, edge), 0.0)


def common_bows(features: Features, nominal: Nominal, view: str, edge: IntArray, weight: Array) -> Array:
    """Common bow of edges towards their dark side, one column per kind of edge (M, kinds): thick paper and stray light
    bow all edges of a kind alike, which must not be taken for the lens."""
    s = nominal.views[view]
    stretch = features.stretch
    low, high = np.minimum(s.layers_left, s.layers_right)[stretch], np.maximum(s.layers_left, s.layers_right)[stretch]
    crease = s.crease[stretch]
    ends = nominal.vertices_mm[nominal.creases.ends[crease]]
    length = np.rint(np.hypot(*(ends[:, 1] - ends[:, 0]).T) / nominal.pitch_mm * 100).astype(np.int64)
    fold = (nominal.creases.kind[crease] == "M").astype(np.int64)
    kind = np.unique(np.stack([low, high, length, fold], 1), axis=0, return_inverse=True)[1].ravel()
    dark = np.where(s.layers_left > s.layers_right, 1.0, -1.0)[stretch]
    groups = int(edge.max(initial=-1)) + 1
    bow = straight_rest(features.t, dark * (features.t - 0.5) ** 2, weight, edge, groups)
    return np.asarray(bow[:, None] * (kind[:, None] == np.arange(kind.max(initial=-1) + 1)))


def slope_by_jackknife(bend: Array, lens: Array, weight: Array, edge: IntArray, bows: Array) -> tuple[float, float]:
    """Regression of the bends on the lens's effect and the common bows; slope of the lens term and its standard error
    by the jackknife over edges.

    A dozen long edges far from the middle carry most of what is known of the lens: weights that call the odd ones among
    them outliers, and a sandwich of the residuals they themselves have drawn down, understate the error several times.
    Source: Bell and McCaffrey, Survey Methodology 28 (2002) 169 [from memory].
    """
    groups = int(edge.max(initial=-1)) + 1
    bows = bows[:, (weight[:, None] * bows**2).sum(0) > 1e-12 * max(float(np.sum(weight * bend**2)), 1e-300)]
    design = np.concatenate([lens[:, None], bows], 1)
    freedoms = design.shape[1]
    normal = np.empty((groups, freedoms, freedoms))
    right = np.empty((groups, freedoms))
    for i in range(freedoms):
        right[:, i] = np.bincount(edge, weight * design[:, i] * bend, groups)
        for j in range(freedoms):
            normal[:, i, j] = np.bincount(edge, weight * design[:, i] * design[:, j], groups)
    telling = np.flatnonzero(normal[:, 0, 0])
    if len(telling) < 6 + freedoms:
        return 0.0, float("inf")
    whole, total = normal.sum(0), right.sum(0)
    ridge = 1e-9 * np.diag(np.diag(whole))
    slope = float(np.linalg.solve(whole + ridge, total)[0])
    without = np.linalg.solve(whole + ridge - normal[telling], (total - right[telling])[:, :, None])[:, 0, 0]
    count = len(telling)
    return slope, float(np.sqrt((count - 1) / count * np.sum((without - slope) ** 2)))

"""Whether the piece bends or bulges out of its plane, from what that does in the picture.

A point raised by z is seen displaced away from the camera's foot point, by z / distance of its way there. A bend is
taken as a quadratic height, which holds a bulge, a saddle and a bend about any axis; a level or tilted piece is the
plane itself. Two witnesses are asked: where the twists lie, which errors of folding move as well, and how straight the
folds look, which sags of single folds bow as well. A bend is claimed when both tell of it and tell the same. Seen from
straight above, a bulge does what a lens does, and is not claimed (docs/uncertainty.md).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.alignment import freedoms
from foldtrue.camera_place import camera_place
from foldtrue.fit.held import FLATNESS
from foldtrue.fit.lens import common_bows, lens_effect, planned_points, straight_rest
from foldtrue.frames import Array
from foldtrue.handover import Features, Held, LatticeFit, Nominal, Photo, Plane
from foldtrue.lens_prior import UNCORRECTED
from foldtrue.measured import COVERAGE_95

BOTH_CHANCE, EACH_CHANCE = 0.001, 0.01
"""Largest chance of a flat piece showing as much: to both witnesses together, and to each."""
LEAST_AGREEMENT = 0.01
"""Least chance of both witnesses differing as much when they tell of one bend."""
_LEAST_FREEDOM = 8
_ODD = 4.5
"""In robust standard deviations: twists and folds that are this far off have a reason of their own."""


@dataclass(frozen=True)
class Bend:
    """height_mm: from the lowest to the highest point of the piece, its best plane taken off, in plan mm, and its
    standard uncertainty std_mm. chance: of a flat piece showing as much (F-test). significant: it is no chance, both
    witnesses tell of it and agree, and it is higher than the budget allows for."""

    height_mm: float
    std_mm: float
    chance: float
    significant: bool


@dataclass(frozen=True)
class _Witness:
    """value (N,), flat (N, p) columns of what a flat piece does, bend (N, 3), lens (N,) a unit of k1; all divided by
    the standard deviation of the value."""

    value: Array
    flat: Array
    lens: Array
    bend: Array


def bend_of(
    fit: LatticeFit, plane: Plane, nominal: Nominal, photo: Photo, features: Features, held: Held = "free"
) -> Bend | None:
    """The piece's bend, None where too few twists and folds tell.

    plane: the one that the features were measured in, whose map the fit has corrected since. held: how flat the piece
    is beforehand.
    """
    camera = camera_place(photo, fit.map)
    reach = float(np.hypot(*nominal.outline_mm.T).max())

    def raised(points: Array) -> Array:
        return np.asarray((points - camera.foot_mm)[:, :, None] * _heights(points, reach)[:, None] / camera.distance_mm)

    twists = _twists(fit, nominal, raised(np.array([t.planned_mm for t in nominal.twists])))
    points, normal = planned_points(features, nominal, plane.view)
    change = fit.map.k1 - plane.map.k1
    effect = lens_effect(features, nominal, plane.view, plane.map)
    across = np.einsum("nk,nkj->nj", normal, raised(points))
    folds = _folds(features, nominal, plane.view, features.offset_mm - change * effect, effect, across)
    if twists is None or folds is None:
        return None
    usual = FLATNESS[held].usual_mm
    chance, terms, cov = _tested((twists, folds), fit.map.k1, usual)
    each = [_tested((witness,), fit.map.k1, usual) for witness in (twists, folds)]
    height, std = _height(nominal, reach, terms, cov)
    std = float(np.hypot(std, height * camera.distance_std_mm / camera.distance_mm))
    clear = chance < BOTH_CHANCE and max(each[0][0], each[1][0]) < EACH_CHANCE
    clear &= _agreement(*each[0][1:], *each[1][1:]) > LEAST_AGREEMENT
    return Bend(height, std, chance, bool(clear and height > max(FLATNESS[held].relief_mm, COVERAGE_95 * std)))


def _heights(points: Array, reach_mm: float) -> Array:
    """(N, 3) heights in mm that a unit of each term gives points (N, 2)."""
    x, y = (points / reach_mm).T
    return np.stack([x * x, x * y, y * y], 1)


def _twists(fit: LatticeFit, nominal: Nominal, raised: Array) -> _Witness | None:
    """Position errors of the twists that are measured and not odd ones out."""
    planned = np.array([t.planned_mm for t in nominal.twists])
    use = fit.measured & np.array(["outlier" not in flags for flags in fit.flags])
    flat = freedoms(planned, "homography")[0].reshape(len(planned), 2, -1)[use]
    return _scaled(
        fit.position_error_mm[use].ravel(),
        flat.reshape(-1, flat.shape[2]),
        fit.map.radial_field(planned)[use].ravel(),
        raised[use].reshape(-1, 3),
        np.ones(2 * int(use.sum())),
    )


def _folds(
    features: Features, nominal: Nominal, view: str, offset: Array, effect: Array, raised: Array
) -> _Witness | None:
    """Bow of every fold, one number each; bows that all folds of one kind share towards their dark side are the
    light's."""
    s = nominal.views[view]
    fold = ((np.minimum(s.layers_left, s.layers_right) > 0) & ~features.clipped)[features.stretch]
    seen = fold & (features.trust > 0)
    edge = np.unique(s.crease[features.stretch], return_inverse=True)[1].astype(np.int64)
    groups = int(edge.max(initial=-1)) + 1
    weight = seen / np.maximum(features.std_mm, 1e-5) ** 2
    bow = straight_rest(features.t, (features.t - 0.5) ** 2, weight, edge, groups)
    own = np.bincount(edge, weight * bow**2, groups)
    told = np.bincount(edge, seen, groups) >= 4
    told &= own > 1e-12 * float(own.max(initial=0.0))

    def bows(value: Array) -> Array:
        return np.asarray(np.bincount(edge, weight * bow * value, groups)[told] / own[told])

    kinds = common_bows(features, nominal, view, edge, weight)
    flat = np.stack([bows(column) for column in kinds.T], 1)
    bend = np.stack([bows(column) for column in raised.T], 1)
    return _scaled(bows(offset), flat[:, np.abs(flat).max(0, initial=0.0) > 0], bows(effect), bend, np.sqrt(own[told]))


def _scaled(value: Array, flat: Array, lens: Array, bend: Array, weight: Array) -> _Witness | None:
    """The witness in units of its own scatter about the full model, odd ones left out; None where too little is
    left. weight: 1 / standard deviation, up to a common factor."""
    design = np.concatenate([flat, lens[:, None], bend], 1) * weight[:, None]
    target = value * weight
    use = np.ones(len(value), bool)
    scale = 0.0
    for _ in range(3):
        freedom = int(use.sum()) - int(np.linalg.matrix_rank(design[use])) if use.any() else 0
        if freedom < _LEAST_FREEDOM:
            return None
        rest = target - design @ np.linalg.lstsq(design[use], target[use], rcond=None)[0]
        scale = float(np.sqrt(np.sum(rest[use] ** 2) / freedom)) + 1e-9 * float(np.abs(target).max() + 1e-12)
        robust = 1.4826 * float(np.median(np.abs(rest[use]))) * np.sqrt(int(use.sum()) / freedom)
        use = np.abs(rest) <= _ODD * max(robust, 1e-3 * scale)
    rows = (weight / scale)[use]
    return _Witness(value[use] * rows, flat[use] * rows[:, None], lens[use] * rows, bend[use] * rows[:, None])


def _tested(witnesses: tuple[_Witness, ...], k1: float, usual_mm: float) -> tuple[float, Array, Array]:
    """Chance of a flat piece giving as much (F-test with three freedoms), the bend's terms (3,) and covariance.

    The lens may be off by what lenses are off by (a prior row); the estimate, not the test, holds the bend's terms to
    what paper does.
    """
    from scipy.special import fdtrc

    columns = sum(w.flat.shape[1] for w in witnesses)
    count = sum(len(w.value) for w in witnesses)
    design, target = np.zeros((count + 1, columns + 4)), np.zeros(count + 1)
    row = column = 0
    for w in witnesses:
        rows = slice(row, row + len(w.value))
        design[rows, column : column + w.flat.shape[1]] = w.flat
        design[rows, columns], design[rows, columns + 1 :], target[rows] = w.lens, w.bend, w.value
        row, column = rows.stop, column + w.flat.shape[1]
    design[-1, columns], target[-1] = 1 / UNCORRECTED[1], -k1 / UNCORRECTED[1]
    flat = _square_sum(design[:, : columns + 1], target)
    bent = _square_sum(design, target)
    freedom = count + 1 - int(np.linalg.matrix_rank(design))
    ratio = (flat - bent) / 3 / (bent / freedom)
    prior = np.diag(np.append(np.zeros(columns + 1), np.full(3, usual_mm**-2.0)))
    cov = np.linalg.pinv(design.T @ design + prior)
    terms = (cov @ design.T @ target)[columns + 1 :]
    return float(fdtrc(3, freedom, max(ratio, 0.0))), terms, cov[columns + 1 :, columns + 1 :]


def _agreement(one: Array, one_cov: Array, other: Array, other_cov: Array) -> float:
    """Chance of two estimates (3,) of the same terms being as different."""
    from scipy.special import chdtrc

    apart = one - other
    return float(chdtrc(len(apart), apart @ np.linalg.solve(one_cov + other_cov, apart)))


def _square_sum(design: Array, target: Array) -> float:
    return float(np.sum((target - design @ np.linalg.lstsq(design, target, rcond=None)[0]) ** 2))


def _height(nominal: Nominal, reach_mm: float, terms: Array, cov: Array) -> tuple[float, float]:
    """Height (mm) of the quadratic over the piece, its best plane taken off, and its standard uncertainty."""
    points = nominal.vertices_mm
    level = np.column_stack([np.ones(len(points)), points])
    heights = _heights(points, reach_mm)
    heights = heights - level @ np.linalg.lstsq(level, heights, rcond=None)[0]
    z = heights @ terms
    slope = heights[z.argmax()] - heights[z.argmin()]
    return float(np.ptp(z)), float(np.sqrt(slope @ cov @ slope))

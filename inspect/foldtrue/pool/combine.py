"""One best estimate from several photos of one piece, with what they have in common counted as common.

Each photo k states errors y_k (x, y in mm and turn in deg of every twist it shows) after its own best fit of the plan:
y_k = e + D c_k + noise, e the piece's errors, D the freedoms of the fit, c_k what photo k's fit took out more or less
than another's. Least squares with c_k left free gives e up to D. Each twist is weighed by its own covariance in every
photo, which is the best linear unbiased estimate per twist where photos are independent (Gauss-Markov). Weights by the
covariances of all twists together would be better yet if those were true to the last; where claims are too small they
play differences of neighbours off against each other (figures in docs/several-photos.md). The estimate's covariance is
that of the whole covariances C_k = O_k + S_k all the same, O_k the part that is each photo's own and S_k the part that
photos may share. How much they share is not known: nothing says how alike the same groove is misread in two lights. The
estimate's covariance takes the larger for granted: S wholly alike in photos of one view, half of its variance alike
between views. A test of the photos against each other takes the other end for granted, that nothing is shared, so it
never calls agreement disagreement for that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from foldtrue.alignment import freedoms
from foldtrue.frames import Array
from foldtrue.handover import BoolArray, Inspection, IntArray, Nominal

ALIKE_BETWEEN_VIEWS = 0.5
"""Share of the variance of S that photos of different views have in common: half, for want of better knowledge."""


@dataclass(frozen=True)
class Reading:
    """What one photo says of a piece. seen (T,); error (T, 3) x, y mm and turn deg, 0 where not seen; cov (3 T, 3 T)
    and own, the part of it that no other photo has; weight (3 T, 3 T) of its values by all of cov, with its fit's
    freedoms left open, 0 where not seen, and by_twist, the same by each twist's own part of cov; taken: how many
    freedoms its fit took out, 8 or 4; view."""

    seen: BoolArray
    error: Array
    cov: Array
    own: Array
    weight: Array
    by_twist: Array
    taken: int
    view: str


@dataclass(frozen=True)
class Combined:
    """seen (T,); error (T, 3) up to the freedoms, 0 where not seen; solve (3 T, 3 T): right side -> error; chi_square
    of the photos against each other, by all of their covariances, with its freedoms; taken: the piece's freedoms left
    open."""

    seen: BoolArray
    error: Array
    solve: Array
    chi_square: float
    freedoms: int
    taken: int


def reading(found: Inspection, design: Array) -> Reading:
    """The reading of one measured photo; design (3 T, 8) of `pose_freedoms`."""
    fit = found.fit
    assert fit.twist_cov is not None
    assert fit.noise_cov is not None
    error = np.column_stack([fit.position_error_mm, fit.angle_error_deg])
    error = np.where(fit.measured[:, None], error, 0.0)
    taken = 8 if "plane_from_piece" in found.plane.assumed else 4
    return make_reading(error, (fit.twist_cov, fit.noise_cov), fit.measured, found.plane.view, design, taken)


def make_reading(
    error: Array, covs: tuple[Array, Array], seen: BoolArray, view: str, design: Array, taken: int = 8
) -> Reading:
    """A reading with its weights; covs (3 T, 3 T): the whole covariance, and the photo's own part of it."""
    own = np.flatnonzero(np.repeat(seen, 3))
    at, freedoms_taken = np.ix_(own, own), design[own][:, :taken]
    weight, by_twist = np.zeros_like(covs[0]), np.zeros_like(covs[0])
    weight[at] = information(covs[0][at], freedoms_taken)
    by_twist[at] = information(of_each_twist(covs[0])[at], freedoms_taken)
    return Reading(seen, error, covs[0], covs[1], weight, by_twist, taken, view)


def of_each_twist(cov: Array) -> Array:
    """Covariance (3 T, 3 T) with what different twists have in common left out."""
    return np.asarray(cov * np.kron(np.eye(len(cov) // 3), np.ones((3, 3))))


def pose_freedoms(nominal: Nominal) -> Array:
    """(3 T, 8): x, y (mm) and turn (deg) of every twist by the whole piece's freedoms, a similarity's four first."""
    planned = np.array([t.planned_mm for t in nominal.twists])
    shift, turn = freedoms(planned, "homography")
    out = np.empty((3 * len(planned), 8))
    out[0::3], out[1::3], out[2::3] = shift[0::2], shift[1::2], np.degrees(turn)
    return out


def information(cov: Array, taken: Array) -> Array:
    """Weight matrix (n, n) of values with covariance cov, the freedoms taken (n, p) left open: W taken = 0."""
    weight = np.linalg.inv(cov + taken @ taken.T)
    across = weight @ taken
    weight = weight - across @ np.linalg.solve(taken.T @ across, across.T)
    return np.asarray(0.5 * (weight + weight.T))


def combine(readings: Sequence[Reading], design: Array) -> Combined:
    """The best estimate from all readings; design (3 T, 8) of `pose_freedoms`.

    The chi-square's freedoms: what the readings say, less their fits', less what is estimated.
    """
    seen = np.any([r.seen for r in readings], axis=0)
    taken = min(r.taken for r in readings)
    at = np.flatnonzero(np.repeat(seen, 3))
    gauge = design[at][:, :taken]
    solve, error = _estimate(readings, [r.by_twist for r in readings], at, gauge)
    _, best = _estimate(readings, [r.weight for r in readings], at, gauge)
    chi = sum(float(v @ r.weight @ v) for r in readings for v in [_rest(r, best)])
    said = sum(3 * int(r.seen.sum()) - r.taken for r in readings)
    return Combined(seen, error.reshape(-1, 3), solve, max(chi, 0.0), said - (len(at) - taken), taken)


def _estimate(readings: Sequence[Reading], weights: Sequence[Array], at: IntArray, gauge: Array) -> tuple[Array, Array]:
    """What leads from the right side to the least-squares errors, (3 T, 3 T), and those (3 T,); at: what is seen."""
    solve = np.zeros_like(weights[0])
    solve[np.ix_(at, at)] = np.linalg.inv(np.sum(weights, axis=0)[np.ix_(at, at)] + gauge @ gauge.T)
    right = np.sum([w @ r.error.ravel() for w, r in zip(weights, readings, strict=True)], axis=0)
    return solve, solve @ right


def _rest(r: Reading, error: Array) -> Array:
    return np.where(np.repeat(r.seen, 3), r.error.ravel() - error, 0.0)


def covariance(readings: Sequence[Reading], whole: Combined) -> Array:
    """Covariance (3 T, 3 T) of the combined errors, with what the photos share counted as shared."""
    total = np.zeros_like(whole.solve)
    by_view: dict[str, Array] = {}
    for r in readings:
        share = whole.solve @ r.by_twist
        total += share @ r.own @ share.T
        by_view[r.view] = by_view.get(r.view, np.zeros_like(total)) + share @ _root(r.cov - r.own)
    for common in by_view.values():
        total += (1 - ALIKE_BETWEEN_VIEWS) * common @ common.T
    between = np.sum(list(by_view.values()), axis=0)
    return np.asarray(total + ALIKE_BETWEEN_VIEWS * between @ between.T)


def _root(cov: Array) -> Array:
    """Symmetric square root of a covariance: photos with the same covariance have the same part in common."""
    value, vector = np.linalg.eigh(0.5 * (cov + cov.T))
    return np.asarray((vector * np.sqrt(np.maximum(value, 0.0))) @ vector.T)


def fit_differences(readings: Sequence[Reading], whole: Combined, design: Array) -> Array:
    """(K, 8): the freedoms by which each reading's own fit differs from the combined errors', 0 for those that it did
    not take out."""
    out = np.zeros((len(readings), design.shape[1]))
    for k, r in enumerate(readings):
        own = np.flatnonzero(np.repeat(r.seen, 3))
        taken = design[own][:, : r.taken]
        across = np.linalg.solve(of_each_twist(r.cov)[np.ix_(own, own)], taken)
        out[k, : r.taken] = np.linalg.solve(taken.T @ across, across.T @ _rest(r, whole.error.ravel())[own])
    return out

"""One orientation of the plan for all photos, told by the piece's own errors: they are its pattern.

Two photos are compared on every orientation that neither can tell apart: the weighted square of their difference (fits
left open, covariances of both) is least where the labels are the same twists. The best must lead over every other by a
likelihood ratio of LEAST_RATIO, and every other must be contradicted by more than the photos' uncertainties: light that
stays beside the camera while a faultless piece is turned makes patterns that go together too, but no more than that.
What the photos' own spread exceeds their claims by is taken out of both; else the orientation is not decided. The same
comparison tells whether they show one piece at all: errors of two pieces do not go together, so their difference varies
as much as both pieces' errors do, not as the measurements' noise does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import BoolArray, Nominal
from foldtrue.pool.combine import Reading, information
from foldtrue.pool.relabel import Relabelling, move_covariance, relabelling

LEAST_RATIO = 1000.0
"""Likelihood ratio by which one answer must lead before it is given: one wrong in a thousand at even odds."""
RATIO_IN_SPITE = 1e6
"""The same for one piece where the photos differ by more than they claim: up to twelve orientations were tried, and a
claim that is too small has to be granted."""
DISAGREES = 1e-4
"""Probability below which a difference is not put down to chance."""
MOST_WIDENED = 2.0
"""Spreads up to this many times what is claimed are taken for a claim too small, larger ones for something else."""
LEAST_COMMON = 5
"""Twists that two photos must both show: their fits' eight freedoms, and as much again."""


Answer = Literal["one piece", "other piece", "disagrees", "orientation", "little in common"]


@dataclass(frozen=True)
class Match:
    """How a photo goes with another: motion (2, 2) that brings it to the other's orientation; decided: it leads;
    same_piece: log likelihood ratio of one piece against two; chi_square of the difference, with its freedoms."""

    motion: Array
    decided: bool
    same_piece: float
    chi_square: float
    freedoms: int

    @property
    def answer(self) -> Answer:
        """Whether both show one piece, told apart from why that cannot be said."""
        from scipy import stats

        if self.same_piece < -math.log(LEAST_RATIO):
            return "other piece"
        apart = stats.chi2.sf(self.chi_square, self.freedoms) < DISAGREES
        if apart and self.same_piece < math.log(RATIO_IN_SPITE):
            return "disagrees"
        return "one piece" if self.decided else "orientation"


def relabelled(r: Reading, by: Relabelling) -> Reading:
    """The reading on another orientation of the plan."""
    error, seen = np.zeros_like(r.error), np.zeros_like(r.seen)
    error[by.twists, :2] = r.error[:, :2] @ by.motion.T
    error[by.twists, 2] = np.linalg.det(by.motion) * r.error[:, 2]
    seen[by.twists] = r.seen
    cov, own = move_covariance(r.cov, by), move_covariance(r.own, by)
    weight, by_twist = move_covariance(r.weight, by), move_covariance(r.by_twist, by)
    return Reading(seen, error, cov, own, weight, by_twist, r.taken, r.view)


def match(
    one: Reading,
    other: Reading,
    alike: tuple[Sequence[Relabelling], Sequence[Relabelling]],
    nominal: Nominal,
    design: Array,
) -> Match | None:
    """The best of all orientations of `other` against `one`; alike: what either photo cannot tell apart. None where
    they have fewer than LEAST_COMMON twists in common."""
    from scipy import stats

    found: list[tuple[float, int, Reading, Array]] = []
    for motion in relative_motions(*alike):
        by = relabelling(nominal, motion)
        turned = None if by is None else relabelled(other, by)
        if turned is not None and int((one.seen & turned.seen).sum()) >= LEAST_COMMON:
            found.append((*_difference(one, turned, design), turned, motion))
    if not found:
        return None
    # Fewer twists in common make a smaller square: each is taken against its freedoms.
    found.sort(key=lambda item: item[0] - item[1])
    chi, dof, turned, motion = found[0]
    widened = max(1.0, chi / dof)
    decided = all(
        (c - d) - (chi - dof) > 2 * widened * math.log(LEAST_RATIO) and stats.chi2.sf(c / widened, d) < DISAGREES
        for c, d, *_ in found[1:]
    )
    return Match(motion, decided, one_piece_or_two(one, turned, design), chi, dof)


def _difference(one: Reading, other: Reading, design: Array) -> tuple[float, int]:
    """Chi-square of the difference of two readings, and its freedoms."""
    both = np.asarray(one.seen & other.seen)
    at = np.flatnonzero(np.repeat(both, 3))
    taken = design[at][:, : max(one.taken, other.taken)]
    apart = (one.error - other.error)[both].ravel()
    weight = information((one.cov + other.cov)[np.ix_(at, at)], taken)
    return max(float(apart @ weight @ apart), 0.0), len(at) - taken.shape[1]


def relative_motions(one: Sequence[Relabelling], other: Sequence[Relabelling]) -> list[Array]:
    """All different motions (2, 2) that one photo's and the other's freedom make together, the idle one first."""
    out: list[Array] = []
    for a in one:
        for b in other:
            motion = a.motion.T @ b.motion
            if not any(np.allclose(motion, m) for m in out):
                out.append(motion)
    return sorted(out, key=lambda m: not np.allclose(m, np.eye(2)))


def one_piece_or_two(one: Reading, other: Reading, design: Array) -> float:
    """Log likelihood ratio of the difference of two readings: one piece against two unlike ones.

    One piece: the difference has both covariances, widened at most MOST_WIDENED times. Two pieces: the pieces' own
    variances come on top, taken from the readings themselves (mean square less mean variance). Both with the fits'
    freedoms left open.
    """
    both = np.asarray(one.seen & other.seen)
    at = np.flatnonzero(np.repeat(both, 3))
    taken = design[at][:, : max(one.taken, other.taken)]
    free = np.linalg.svd(taken, full_matrices=True)[0][:, taken.shape[1] :]
    apart = free.T @ (one.error - other.error)[both].ravel()
    noise = (one.cov + other.cov)[np.ix_(at, at)]
    spread = _own_variance(one, both, taken) + _own_variance(other, both, taken)
    quiet, loud = free.T @ noise @ free, free.T @ (noise + np.diag(np.tile(spread, int(both.sum())))) @ free
    chi = float(apart @ np.linalg.solve(quiet, apart))
    widened = float(np.clip(chi / len(apart), 1.0, MOST_WIDENED**2))
    same = -0.5 * (chi / widened + len(apart) * math.log(widened) + _log_det(quiet))
    two = -0.5 * (float(apart @ np.linalg.solve(loud, apart)) + _log_det(loud))
    return same - two


def _own_variance(r: Reading, both: BoolArray, taken: Array) -> Array:
    """(3,) variance of the piece's own errors per axis (mm2, both alike) and of its turns (deg2), the freedoms taken
    out."""
    error = r.error[both].ravel()
    error = error - taken @ np.linalg.lstsq(taken, error, rcond=None)[0]
    square = np.mean(error.reshape(-1, 3) ** 2, axis=0)
    noise = np.mean(np.diag(r.cov).reshape(-1, 3)[both], axis=0)
    excess = np.maximum(square - noise, 0.0)
    return np.array([excess[:2].mean(), excess[:2].mean(), excess[2]])


def _log_det(matrix: Array) -> float:
    return float(np.linalg.slogdet(matrix)[1])

"""Which of the two edges in a groove is the one seen: where two twists abut, either may lie on top.

A mixture model fitted by expectation and maximisation (Dempster, Laird and Rubin, J. R. Stat. Soc. B 39 (1977) 1): the
line seen belongs to the first edge or to the second; each pass of the network says where both lie, the nearer one gets
the larger share of the line in the next pass. Where both explain it the line stays shared, and what doubt remains
widens its uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.fit.lines import EdgeLines
from foldtrue.frames import Array
from foldtrue.subpixel import group_median

FEW = 8
"""Grooves that must be seen before their lines tell how far edges scatter."""


@dataclass(frozen=True)
class Claims:
    """share (E,): of the first crease in each line, 1 where there is no second; doubt (2 E,) mm: standard deviation of
    what is unknown about which it is, for offset and slope."""

    share: Array
    doubt: Array


def first_claims(lines: EdgeLines, gap_mm: float) -> Claims:
    """Before anything is known both have an equal share; at the end that they do not share they lie about gap_mm
    apart."""
    paired = lines.pair >= 0
    share = np.where(paired, 0.5, 1.0)
    met = (lines.t_mid == 0) | (lines.t_mid == 1)
    doubt = np.where(paired, 0.5 * gap_mm, 0.0)
    return Claims(share, np.stack([np.where(met, 0.0, doubt), 2 * doubt], 1).ravel())


def usual_gap(lines: EdgeLines) -> Array:
    """How far (E, 2) the two edges of a groove usually lie apart, in offset and slope.

    Every line seen is one of its two edges, so lines scatter about the plan as single edges do, those of one kind
    about what light shifts all of it by. Two edges that share an end differ in slope by their free ends alone, as one
    edge's ends do; others by the square root of two times that. The network cannot tell: as long as a line is shared
    it draws both edges to it.
    """
    gap = np.zeros((len(lines.crease), 2))
    paired = np.flatnonzero(lines.pair >= 0)
    if len(paired) < FEW:
        return gap
    slope, kind = lines.slope_mm[paired], lines.kind[paired]
    away = np.abs(slope - group_median(slope, kind, int(kind.max()) + 1)[kind])
    own = float(np.median(lines.slope_std_mm[paired]))
    scatter = float(np.sqrt(max((1.4826 * np.median(away)) ** 2 - own**2, 0.0)))
    met = np.isin(lines.t_mid[paired], (0.0, 1.0))
    gap[paired, 1] = np.where(met, scatter, np.sqrt(2) * scatter)
    gap[paired, 0] = np.where(met, 0.0, np.sqrt(0.5) * scatter)
    return gap


@dataclass(frozen=True)
class Told:
    """What the network says of P paired lines before it asks which edge each is. rest (P, 2, 2): what is left of offset
    and slope if the line is the first's, the second's; gain (2, P, 2, 2): covariance of what it predicts for the first,
    for the second, with what it predicts for the line as it is shared now; own (2, P, 2, 2): covariance of what it
    predicts for either; taken (P, 2, 2): covariance of the line as it is shared now less what it predicts for that;
    left (P, 2): what is left of the line as it is shared now; std (P, 2): scatter of the line about its edge."""

    rest: Array
    gain: Array
    own: Array
    taken: Array
    left: Array
    std: Array


def weigh_claims(lines: EdgeLines, told: Told, habit: float, usual: Array | float = 0.0) -> Claims:
    """New shares by Bayes' rule, from what all other lines predict for the first and for the second edge: a line that
    helped to place an edge must not vouch for it. habit: chance that it is the first, beforehand; usual: (E, 2) as from
    `usual_gap`.

    Leave-one-out prediction: Belsley, Kuh and Welsch, Regression Diagnostics (1980), chapter 2, for blocks of two rows.
    """
    paired = lines.pair >= 0
    share, gap = np.ones(len(paired)), np.zeros((len(paired), 2))
    chance, without = [], []
    for k in (0, 1):
        back = np.linalg.solve(told.taken, np.stack([told.left, told.left], -1))[..., 0]
        rest = told.rest[:, k] + np.einsum("pij,pj->pi", told.gain[k], back)
        spread = told.own[k] + told.gain[k] @ np.linalg.solve(told.taken, np.swapaxes(told.gain[k], 1, 2))
        spread = spread + told.std[:, :, None] ** 2 * np.eye(2)
        square = np.einsum("pi,pi->p", rest, np.linalg.solve(spread, rest[..., None])[..., 0])
        chance.append(-0.5 * (square + np.linalg.slogdet(spread)[1]))
        without.append(rest)
    odds = chance[1] - chance[0] + np.log((1 - habit) / habit)
    share[paired] = 1.0 / (1.0 + np.exp(np.clip(odds, -50, 50)))
    gap[paired] = np.abs(without[0] - without[1])
    doubt = np.sqrt(share * (1 - share))[:, None] * np.maximum(gap, usual)
    return Claims(share, np.where(paired[:, None], doubt, 0.0).ravel())


def habit_of(lines: EdgeLines, share: Array) -> float:
    """How often it is the first edge of a groove that shows: the mixture's own proportion, with two lines' worth of
    not knowing."""
    paired = lines.pair >= 0
    return float((share[paired].sum() + 1.0) / (paired.sum() + 2.0))

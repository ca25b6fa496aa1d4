"""Which of the two edges in a groove is the one seen: where two twists abut, either may lie on top, or a gap be left.

A mixture model fitted by expectation and maximisation (Dempster, Laird and Rubin, J. R. Stat. Soc. B 39 (1977) 1): the
line seen is the first edge, or the second, or, in a gap, the middle of the dark between both; each pass of the network
says where all other lines put both edges, and what explains the line best gets the larger share of it in the next pass.
Whether there is a gap those lines tell too: where they have one paper reach over the other, nothing dark lies between.
Where all three explain it the line stays shared, and what doubt remains widens its uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import ndtr

from foldtrue.fit.lines import EdgeLines
from foldtrue.frames import Array
from foldtrue.handover import IntArray
from foldtrue.subpixel import group_median

ASTRAY = 0.1
"""Share of lines that are neither's, or whose neighbours lead astray: what fits neither edge decides nothing."""
LEAST_OPEN = 0.03
"""Of a gap, and of none, however sure the other lines are."""
FEW = 8
"""Grooves that must be seen before their lines tell how far edges scatter."""


@dataclass(frozen=True)
class Claims:
    """share (E,): of the first crease in each line, 1 where there is no second; doubt (2 E,) mm: standard deviation of
    what is unknown about which it is, for offset and slope; middle (E,): chance that the line is the middle of both."""

    share: Array
    doubt: Array
    middle: Array


def first_claims(lines: EdgeLines, gap_mm: float) -> Claims:
    """Before anything is known both have an equal share; at the end that they do not share they lie about gap_mm
    apart."""
    paired = lines.pair >= 0
    share = np.where(paired, 0.5, 1.0)
    met = (lines.t_mid == 0) | (lines.t_mid == 1)
    doubt = np.where(paired, 0.5 * gap_mm, 0.0)
    return Claims(share, np.stack([np.where(met, 0.0, doubt), 2 * doubt], 1).ravel(), np.where(paired, 1 / 3, 0.0))


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
class Foretold:
    """What all other equations make of R equations of grooves. rest (2, R): what would be left of each if its line were
    the first edge's, the second's; variance (2, R): of that; apart_variance (R,): of `apart`."""

    rest: Array
    variance: Array
    apart_variance: Array

    @property
    def apart(self) -> Array:
        """First edge minus second (R,)."""
        return np.asarray(self.rest[1] - self.rest[0])


def foretell(
    either: tuple[Any, Any], share: Array, solution: tuple[Any, Array], value: Array, std: Array, weight: Array
) -> Foretold:
    """Predict R equations as if they had not been used: a line that helped to place an edge must not vouch for it.

    either: sparse (R, n) rows as the first edge's and as the second's; share (R,): of the first in what the solution
    (factor of the normal equations, unknowns (n,)) was made from, with these weights (R,); value, std (R,): what was
    seen and how that scatters about its own edge. Source: deletion of one observation, Belsley, Kuh and Welsch,
    Regression Diagnostics (1980), chapter 2.
    """
    factor, x = solution
    spread = [factor.solve(rows.T.toarray()) for rows in either]
    back = share * spread[0] + (1 - share) * spread[1]
    gain = [np.asarray(rows.multiply(back.T).sum(1)).ravel() for rows in either]
    far = [value - rows @ x for rows in either]
    left = share * far[0] + (1 - share) * far[1]
    free = 1 / np.maximum(weight, 1e-12) - (share * gain[0] + (1 - share) * gain[1])
    rest = [f + g * left / free for f, g in zip(far, gain, strict=True)]
    own = [np.asarray(rows.multiply(s.T).sum(1)).ravel() for rows, s in zip(either, spread, strict=True)]
    variance = [std**2 + o + g**2 / free for o, g in zip(own, gain, strict=True)]
    between = np.asarray((either[0] - either[1]).multiply((spread[0] - spread[1]).T).sum(1)).ravel()
    between = between + (gain[0] - gain[1]) ** 2 / free
    return Foretold(np.array(rest), np.array(variance), np.maximum(between, 1e-12))


def weigh_claims(
    lines: EdgeLines, rows: IntArray, told: Foretold, before: Claims, usual: Array | float = 0.0
) -> Claims:
    """New claims by Bayes' rule from what is foretold of the rows (R,), numbered among all (2 E,).

    How often the first edge is the one on top is the piece's own habit (twists folded later may lie on those before
    them, or below), and found with the claims: the mixture's proportion, with two lines' worth of not knowing. usual:
    (E, 2) as from `usual_gap`.
    """
    paired = lines.pair >= 0
    on_top = np.where(paired, before.share - 0.5 * before.middle, 0.0)
    habit = (on_top.sum() + 1.0) / ((1.0 - before.middle)[paired].sum() + 2.0)
    gap = gap_chance(lines, rows, told)
    share_of = np.array([1.0, 0.0, 0.5])  # of the first edge, where that is seen, the second, the middle
    rest = share_of[:, None] * told.rest[0] + (1 - share_of[:, None]) * told.rest[1]
    # Of the middle a bound: between two places a variance is no larger than the straight line between theirs.
    variance = share_of[:, None] * told.variance[0] + (1 - share_of[:, None]) * told.variance[1]
    density = np.log(np.exp(-0.5 * rest**2 / variance) + ASTRAY) - 0.5 * np.log(variance)
    odds = np.stack([np.bincount(rows // 2, each, len(paired)) for each in density])
    odds += np.log([habit * (1 - gap), (1 - habit) * (1 - gap), gap])
    chance = np.exp(odds - odds.max(0))
    chance /= chance.sum(0)
    share = np.where(paired, share_of @ chance, 1.0)
    spread = np.maximum(share_of**2 @ chance - share**2, 0.0)
    apart = np.zeros(2 * len(paired))
    apart[rows] = np.abs(told.apart)
    doubt = np.sqrt(spread).repeat(2) * np.maximum(apart, np.broadcast_to(usual, (len(paired), 2)).ravel())
    return Claims(share, np.where(paired.repeat(2), doubt, 0.0), np.where(paired, chance[2], 0.0))


def gap_chance(lines: EdgeLines, rows: IntArray, told: Foretold) -> Array:
    """Chance (E,) that a groove gapes towards the end that its edges do not share, by what the other lines make of
    their slopes; a half where they share none. rows: (R,) of what is foretold."""
    line = rows // 2
    slope = rows % 2 == 1
    # Paper on the left leaves a gap by lying farther left.
    to_free = np.where(lines.t_mid[line] == 0, 1.0, np.where(lines.t_mid[line] == 1, -1.0, 0.0))
    z = lines.paper_side[line] * to_free * told.apart / np.sqrt(told.apart_variance)
    chance = np.full(len(lines.crease), 0.5)
    chance[line[slope]] = np.clip(ndtr(z[slope]), LEAST_OPEN, 1 - LEAST_OPEN)
    return chance


def telling_rows(lines: EdgeLines) -> IntArray:
    """Rows among all (2 E,) that tell a groove's edges apart: slopes, and offsets where they are not those of an end
    that both share."""
    paired = lines.pair >= 0
    met = (lines.t_mid == 0) | (lines.t_mid == 1)
    return np.flatnonzero(np.stack([paired & ~met, paired], 1).ravel())

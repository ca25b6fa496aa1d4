"""Which of the two edges in a groove is the one seen: where two twists abut, either may lie on top.

A mixture model fitted by expectation and maximisation (Dempster, Laird and Rubin, J. R. Stat. Soc. B 39 (1977) 1): the
line seen belongs to the first edge or to the second; each pass of the network says where all other lines put both, the
nearer one gets the larger share of the line in the next pass. Where both explain it the line stays shared, and what
doubt remains widens its uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from foldtrue.fit.lines import EdgeLines
from foldtrue.frames import Array
from foldtrue.handover import IntArray
from foldtrue.subpixel import group_median

ASTRAY = 0.1
"""Share of lines that are neither's, or whose neighbours lead astray: what fits neither edge decides nothing."""
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
class Foretold:
    """What all other equations make of R equations of grooves. rest (2, R): what would be left of each if its line were
    the first edge's, the second's; variance (2, R): of that."""

    rest: Array
    variance: Array


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
    return Foretold(np.array(rest), np.array([std**2 + o + g**2 / free for o, g in zip(own, gain, strict=True)]))


def weigh_claims(lines: EdgeLines, rows: IntArray, told: Foretold, before: Array, usual: Array | float = 0.0) -> Claims:
    """New shares by Bayes' rule from what is foretold of the rows (R,), numbered among all (2 E,).

    before: the shares until now (E,). How often the first edge is the one seen is the piece's own habit (twists folded
    later may lie on those before them, or below), and found with the shares: the mixture's proportion, with two lines'
    worth of not knowing. usual: (E, 2) as from `usual_gap`.
    """
    paired = lines.pair >= 0
    habit = (before[paired].sum() + 1.0) / (paired.sum() + 2.0)
    density = np.exp(-0.5 * told.rest**2 / told.variance) + ASTRAY
    chance = np.log(density) - 0.5 * np.log(told.variance)
    odds = np.bincount(rows // 2, chance[1] - chance[0], len(paired)) + np.log((1 - habit) / habit)
    share = np.where(paired, 1.0 / (1.0 + np.exp(np.clip(odds, -50, 50))), 1.0)
    gap = np.zeros(2 * len(paired))
    gap[rows] = np.abs(told.rest[0] - told.rest[1])
    doubt = np.sqrt(share * (1 - share)).repeat(2) * np.maximum(gap, np.broadcast_to(usual, (len(paired), 2)).ravel())
    return Claims(share, np.where(paired.repeat(2), doubt, 0.0))


def telling_rows(lines: EdgeLines) -> IntArray:
    """Rows among all (2 E,) that tell a groove's edges apart: slopes, and offsets where they are not those of an end
    that both share."""
    paired = lines.pair >= 0
    met = (lines.t_mid == 0) | (lines.t_mid == 1)
    return np.flatnonzero(np.stack([paired & ~met, paired], 1).ravel())

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


def weigh_claims(lines: EdgeLines, first: Array, second: Array, scatter: Array, usual: Array | float = 0.0) -> Claims:
    """New shares from what is left (E, 2) of offset and slope when the line is the first's or the second's, and the
    standard deviation (E, 2) of such a remainder. usual: (E, 2) as from `usual_gap`."""
    paired = lines.pair >= 0
    chance = [-0.5 * np.sum((rest / scatter) ** 2, axis=1) for rest in (first, second)]
    share = np.where(paired, 1.0 / (1.0 + np.exp(np.clip(chance[1] - chance[0], -50, 50))), 1.0)
    gap = np.maximum(np.abs(first - second), usual)
    doubt = np.sqrt(share * (1 - share))[:, None] * gap
    return Claims(share, np.where(paired[:, None], doubt, 0.0).ravel())

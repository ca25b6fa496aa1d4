"""Where the uncertainty of a twist comes from: its stated variance split into named terms that add up to it.

The network's estimate is linear in what it rests on: in every line's offset and slope, and in what is taken to be known
beforehand. Its covariance is N^-1 with N = sum of w a a' over all of these, so that

    N^-1 = N^-1 N N^-1 = sum over terms G of N^-1 (sum of w_G a a') N^-1

splits it exactly, once each weight is split by where its variance comes from. Source: law of propagation, JCGM
100:2008, 5.1.2, eq. 11a, the sources being uncorrelated. No term is found by solving again without it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from foldtrue.fit.held import PaperHeight
from foldtrue.fit.lines import EdgeLines
from foldtrue.fit.weak import Setup
from foldtrue.frames import Array
from foldtrue.handover import BoolArray, Nominal
from foldtrue.handover_figures import BUDGET_FIELDS, BUDGET_TERMS, Budget

if TYPE_CHECKING:
    from foldtrue.fit.network import Network


@dataclass(frozen=True)
class Spread:
    """Variances (2 E,) mm2 of the network's equations, by source, as its last solution weighed them: own (the lines'
    scatter), apart (lines that should meet and do not), unsure (which edge it is); and weight (2 E,) <= 1 / their sum,
    less where an edge has lost some of its say."""

    own: Array
    apart: Array
    unsure: Array
    weight: Array

    @property
    def variance(self) -> Array:
        """(2 E,) all of it."""
        return self.own + self.apart + self.unsure

    def split(self) -> tuple[Array, Array, Array, Array]:
        """The weights (2 E,) as the sum of four: by own, apart and unsure, and by the say an edge has lost. Down to
        weight w from 1 / v is a variance of 1 / w - v more, which the edge's disagreement with its vertices brings."""
        square = self.weight**2
        lost = self.weight * (1 - self.weight * self.variance)
        return square * self.own, square * self.apart, square * self.unsure, lost


@dataclass(frozen=True)
class Evidence:
    """All that the network rests on, one row each of the sparse matrix rows (R, size), those of its edges first, then
    those of slivers or unused creases; weights: by term, (R,) of those rows. The network's normal matrix is rows' W
    rows with the sum of all terms' weights."""

    rows: Any
    weights: Mapping[str, Array]


def evidence_of(design: Any, spread: Spread, pixel_share: Array, setup: Setup, shape_mm: float) -> Evidence:
    """What a solved network rests on, by term; design: sparse (2 E, size); pixel_share: (2 E,) of its equations'
    scatter."""
    from scipy import sparse

    own, apart, unsure, lost = spread.split()
    column = np.arange(setup.size)
    of_paper = np.zeros(setup.size, bool)
    of_paper[setup.paper] = True
    of_frame = (column >= setup.frame_column) & (column < setup.size - 1)
    shapes, count = setup.shape.shape[0], design.shape[0]

    def of_lines(weight: Array) -> Array:
        return np.concatenate([weight, np.zeros(shapes + setup.size)])

    def beforehand(chosen: BoolArray, shape_weight: float = 0.0) -> Array:
        prior = np.where(chosen, setup.prior, 0.0)
        return np.concatenate([np.zeros(count), np.full(shapes, shape_weight), prior])

    weights = {
        "pixel_noise": of_lines(own * pixel_share),
        "paper_texture": of_lines(own * (1 - pixel_share)),
        "folds_apart": of_lines(apart + lost) + beforehand(of_paper),
        "which_edge": of_lines(unsure),
        "unseen": beforehand((column < setup.shift_column) | of_frame, shape_mm**-2.0),
        "light_shift": beforehand(
            (column >= setup.shift_column)
            & (column < setup.frame_column)
            & ((column < setup.slope_column) | (column >= setup.sliver_column))
            & ~of_paper
        ),
        "light_slope": beforehand((column >= setup.slope_column) & (column < setup.sliver_column)),
        "twist_size": beforehand(column == setup.size - 1),
    }
    rows = sparse.vstack([design, setup.shape, setup.beforehand]).tocsr()
    return Evidence(rows, weights)


def budget_of(
    network: Network, law_mm2: Array | None, poses: Array, fields: Mapping[str, Array], turns: tuple[Array, Array]
) -> Budget:
    """The terms of every twist's place and turn, after the whole piece's fit.

    law_mm2: as from `height_law`. poses: (size, 3 T), N^-1 times the rows that make x, y (mm) and turn (deg) of every
    twist of the unknowns; fields: by term of BUDGET_FIELDS (3 T, q), what independent errors, one standard deviation
    each, do to these; a term that is not there is nothing. turns: (T, T) and (T,), the rows that make the turns
    relative to the piece and its common overturn of all turns.
    """
    relative, mean = turns
    functions = np.concatenate([poses[:, 2::3] @ relative.T, (poses[:, 2::3] @ mean)[:, None]], 1)
    x, y, turned = (network.evidence.rows @ f for f in (poses[:, 0::3], poses[:, 1::3], functions))
    weights = _with_height(network, law_mm2)
    table = np.stack([weights[name] for name in BUDGET_TERMS if name not in BUDGET_FIELDS])
    xx, xy, yy = table @ (x * x), table @ (x * y), table @ (y * y)
    position = np.stack([xx, xy, xy, yy], -1).reshape(*xx.shape, 2, 2)
    turn = table @ turned**2
    for name in BUDGET_FIELDS:
        field = fields.get(name, np.zeros((poses.shape[1], 0))).reshape(len(mean), 3, -1)
        rows = np.concatenate([relative @ field[:, 2], (mean @ field[:, 2])[None]])
        position = np.concatenate([position, (field[:, :2] @ field[:, :2].transpose(0, 2, 1))[None]])
        turn = np.concatenate([turn, np.sum(rows**2, 1)[None]])
    return Budget(position, turn[:, :-1], turn[:, -1])


def height_law(lines: EdgeLines, nominal: Nominal, height: PaperHeight | None) -> Array | None:
    """Variance (E,) mm2 of what the paper's height moves each line by, at its planned middle; None where the height is
    not known."""
    if height is None:
        return None
    middle = nominal.vertices_mm[nominal.creases.ends[lines.crease]].mean(1)
    return np.asarray(height.across(middle, lines.normal) ** 2)


def _with_height(network: Network, law_mm2: Array | None) -> Mapping[str, Array]:
    """The weights with the share of `folds_apart` that the paper's height explains as a term of its own.

    Two lines on paper of different height miss each other, each by the height's law across it. What the photo shows
    them to miss each other by bounds it: of each line's variance the law's part, and never more than all of it.
    """
    weights = dict(network.evidence.weights)
    moved = np.zeros_like(weights["folds_apart"])
    if law_mm2 is not None:
        edges = 2 * len(law_mm2)
        share = np.clip(law_mm2 / np.maximum(network.spread.apart[:edges:2], 1e-300), 0.0, 1.0)
        moved[:edges] = np.repeat(share, 2) * network.spread.split()[1][:edges]
    return {**weights, "folds_apart": weights["folds_apart"] - moved, "paper_height": moved}

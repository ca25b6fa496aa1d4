"""What a network rests on beside its edges: slivers between folds against the light, unused creases from the camera's
side."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from foldtrue.fit.precreases import PrecreaseLines, astray_mm, precrease_equations, precrease_values
from foldtrue.fit.slivers import SliverLines, gain_equations, sliver_equations
from foldtrue.fit.weak import Setup
from foldtrue.frames import Array
from foldtrue.handover import IntArray, Nominal

EDGE_ROW, SLIVER_ROW, CREASE_ROW, CREASE_SLOPE_ROW = KINDS_OF_ROW = range(4)
"""Rows of the network: of edges, of slivers, and of creases, whose places may be off where their direction is not: what
a crease's two sides look like differs from line to line."""
LEAST_ASTRAY_MM = 1e-3
"""No folds miss the grid's creases by less."""
TELLING = 0.2
"""Share of how far creases scatter, squared, that folds may miss them by, and they each other, to tell of the folds."""


@dataclass(frozen=True)
class Beside:
    """Equations (2 B,), of slivers and then of unused creases, offsets (or widths) and slopes in turn: std, pixel_share
    of their variance, row: what kind of row; fixed: sparse (2 B, size), their part that stays the same."""

    slivers: SliverLines | None
    unused: PrecreaseLines | None
    std: Array
    pixel_share: Array
    row: IntArray
    fixed: Any
    setup: Setup

    def rows(self, x: Array) -> Any:
        """Sparse (2 B, size), about the solution x (size,)."""
        from scipy import sparse

        if self.slivers is None:
            return self.fixed
        count = 2 * len(self.slivers.kind)
        gains = gain_equations(self.slivers, self.setup, (self.fixed @ x)[:count])
        gains.resize(self.fixed.shape)
        return (self.fixed + sparse.csr_matrix(gains)).tocsr()

    def values(self, displacement_mm: Array) -> Array:
        """What was seen (2 B,), about vertices displaced by (V, 2)."""
        parts = []
        if self.slivers is not None:
            parts.append(np.stack([self.slivers.value_mm, self.slivers.slope_mm], 1).ravel())
        if self.unused is not None:
            parts.append(precrease_values(self.unused, displacement_mm))
        return np.concatenate(parts) if parts else np.zeros(0)


def beside_of(slivers: SliverLines | None, unused: PrecreaseLines | None, nominal: Nominal, setup: Setup) -> Beside:
    """The equations of what is not None."""
    from scipy import sparse

    std: list[Array] = [np.zeros(0)]
    pixels: list[Array] = [np.zeros(0)]
    row: list[IntArray] = [np.zeros(0, np.int64)]
    fixed: list[Any] = [sparse.csr_matrix((0, setup.size))]
    if slivers is not None:
        std.append(np.stack([slivers.value_std_mm, slivers.slope_std_mm], 1).ravel())
        pixels.append(slivers.pixel_share.ravel())
        row.append(np.full(2 * len(slivers.kind), SLIVER_ROW))
        fixed.append(sliver_equations(slivers, nominal, setup))
    if unused is not None:
        std.append(np.stack([unused.offset_std_mm, unused.slope_std_mm], 1).ravel())
        pixels.append(unused.pixel_share.ravel())
        row.append(np.tile([CREASE_ROW, CREASE_SLOPE_ROW], len(unused.kind)))
        fixed.append(precrease_equations(unused, setup))
    return Beside(
        slivers,
        unused,
        np.concatenate(std),
        np.concatenate(pixels),
        np.concatenate(row),
        sparse.vstack(fixed).tocsr(),
        setup,
    )


def paper_held(
    beside: Beside, setup: Setup, solution: tuple[Any, Array], before_mm: float, misfit_mm: float
) -> Setup | None:
    """The setup with facets' paper held to its corners as this piece's is seen to be; None where creases tell nothing.

    solution: (factor, unknowns) that took paper and vertices for as loose, before_mm, as before anything was seen: any
    other rests on the creases, and would have them vouch for themselves. misfit_mm: by how much creases miss each
    other. Where that and what folds miss them by come near what they scatter about the plan, as where something else
    was taken for creases, they tell nothing.
    """
    factor, x = solution
    unit = np.zeros((setup.size, setup.motions))
    unit[setup.paper] = np.identity(setup.motions)
    astray = astray_mm(x[setup.paper], factor.solve(unit)[setup.paper], before_mm)
    planned = np.where(np.arange(setup.size) < setup.shift_column, x - setup.beforehand @ x, x)
    planned[setup.paper] = 0.0
    away = beside.values(np.zeros((len(setup.unknown_of), 2))) - beside.fixed @ planned
    away = away[beside.row == CREASE_ROW]
    usual = 1.4826 * float(np.median(np.abs(away)))
    scatter = float(np.mean(np.minimum(away**2, 9 * usual**2)))
    if astray**2 + misfit_mm**2 > TELLING * scatter:
        return None
    prior = setup.prior.copy()
    prior[setup.paper] = max(astray, LEAST_ASTRAY_MM) ** -2.0
    return replace(setup, prior=prior)

"""Parts of a fit that are handed on as one: pleats, outline, the piece's form, and where the uncertainty comes from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from foldtrue.frames import Array


@dataclass(frozen=True)
class Form:
    """By what a piece's whole shape departs from the plan's, its size apart.

    figures: (4,) stretch_x, shear (rad), keystone_x, keystone_y, as docs/conventions.md defines them; cov: (4, 4).
    """

    figures: Array
    cov: Array

    @property
    def std(self) -> Array:
        """(4,) standard uncertainties."""
        return np.asarray(np.sqrt(np.diag(self.cov)))


@dataclass(frozen=True)
class Pleats:
    """Every pleat (P) of the plan, in the order of its facets, against the plan.

    ids: P names. twists: per pleat the ids of the two twists it joins, or of the one it runs from to the rim.
    edges_seen: (P, 2) whether its mountain and its valley edge were measured in this photo. planned_mm: (P,) width.
    width_error_mm, width_std_mm: (P,). parallelism_deg, parallelism_std_deg: (P,) angle between the edges, positive
    where the pleat widens from its first twist outwards. straightness_mm, straightness_u95_mm: (P,) of the edges seen.
    nan = not measured; flags: per pleat why.
    """

    ids: tuple[str, ...]
    twists: tuple[tuple[str, ...], ...]
    edges_seen: NDArray[np.bool_]
    planned_mm: Array
    width_error_mm: Array
    width_std_mm: Array
    parallelism_deg: Array
    parallelism_std_deg: Array
    straightness_mm: Array
    straightness_u95_mm: Array
    flags: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Outline:
    """The folded piece's outer boundary against the plan's: side k runs from corner k to corner k + 1 of
    Nominal.outline_mm (K).

    offset_mm: (K,) of the side's straight line at its planned middle, positive outwards; angle_deg: (K,) ccw; cov: (2
    K, 2 K) of all offsets (mm), then all angles (deg). seen: (K,) share of the side's length that was measured.
    across: (A, 2) pairs of opposite sides; across_error_mm (A,), across_cov_mm2 (A, A): their distance, measured less
    planned.
    corner_error_mm: (K, 2), corner_cov_mm2: (K, 2, 2) where the sides on either side of a corner meet. nan = not
    measured; flags: per side why.
    """

    offset_mm: Array
    angle_deg: Array
    cov: Array
    seen: Array
    across: NDArray[np.integer[Any]]
    across_error_mm: Array
    across_cov_mm2: Array
    corner_error_mm: Array
    corner_cov_mm2: Array
    flags: tuple[tuple[str, ...], ...]


BUDGET_FIELDS = ("lens", "plane", "waves")
BUDGET_TERMS = (
    "pixel_noise",
    "paper_texture",
    "folds_apart",
    "paper_height",
    "which_edge",
    "unseen",
    "light_shift",
    "light_slope",
    "twist_size",
    *BUDGET_FIELDS,
)
"""Where the uncertainty of a twist comes from; defined in docs/uncertainty.md. Those of BUDGET_FIELDS displace all of a
piece together, the others come through its edges."""


@dataclass(frozen=True)
class Budget:
    """Stated variances split into G terms, in the order of BUDGET_TERMS, which add up to them.

    position_cov_mm2: (G, T, 2, 2), sums to LatticeFit.position_cov_mm2. turn_var_deg2: (G, T) of the turns relative to
    the piece, sums to angle_std_deg squared; overturn_var_deg2: (G,), sums to overturn_std_deg squared.
    """

    position_cov_mm2: Array
    turn_var_deg2: Array
    overturn_var_deg2: Array


@dataclass(frozen=True)
class PanelPoses:
    """Pose of every panel (P) of the plan by its corners, as of a twist: position_error_mm (P, 2), position_cov_mm2 (P,
    2, 2), angle_error_deg, angle_std_deg, size_error, size_std (P,); measured (P,) bool; flags: per panel why not."""

    position_error_mm: Array
    position_cov_mm2: Array
    angle_error_deg: Array
    angle_std_deg: Array
    size_error: Array
    size_std: Array
    measured: NDArray[np.bool_]
    flags: tuple[tuple[str, ...], ...]

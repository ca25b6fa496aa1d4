"""Creases of the grid that no fold uses: where they cross facets, and where a photo shows them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from foldtrue.frames import Array

IntArray = NDArray[np.integer[Any]]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Precreases:
    """Unused creases inside facets (G,), each line of the grid cut at the facets' borders.

    facet: (G,) index; line: (G,) number of the grid line in the sheet. corners: (G, 2, 2) vertices at the two ends of
    the facet's edge that each end of the crease lies on; share: (G, 2) where on that edge, 0 at the first.
    """

    facet: IntArray
    line: IntArray
    corners: IntArray
    share: Array

    def ends(self, vertices_mm: Array) -> Array:
        """(G, 2, 2) mm: both ends of every crease where the vertices (V, 2) lie so; so moved, for displacements."""
        first, second = (vertices_mm[self.corners[:, :, k]] for k in (0, 1))
        return np.asarray(first + self.share[:, :, None] * (second - first))

    def normals(self, vertices_mm: Array) -> Array:
        """(G, 2) unit left normals of the creases where the vertices (V, 2) lie so."""
        along = np.diff(self.ends(vertices_mm), axis=1)[:, 0]
        return np.asarray(np.stack([-along[:, 1], along[:, 0]], 1) / np.hypot(*along.T)[:, None])

    def pick(self, rows: IntArray) -> Precreases:
        """The creases with these indices, in this order."""
        return Precreases(self.facet[rows], self.line[rows], self.corners[rows], self.share[rows])


@dataclass(frozen=True)
class PrecreaseSamples:
    """What a photo shows of the unused creases of facets that lie on top.

    creases: (G,) those looked for; kind: (G,) by their direction in the folded frame and by which side looks lighter:
    those of one kind have no zero but their mean place. Sample arrays (M): crease (M,) index; t (M,) place
    between its planned ends; offset_mm (M,) measured minus planned, along the left normal; std_mm (M,) its standard
    uncertainty from the pixels' noise; piece (M,) number of the undisturbed piece between crossings.
    """

    creases: Precreases
    kind: IntArray
    crease: IntArray
    t: Array
    offset_mm: Array
    std_mm: Array
    piece: IntArray

    @property
    def found(self) -> BoolArray:
        """Which creases (G,) show."""
        return np.isin(np.arange(len(self.kind)), self.crease)

"""Where an adjusted network puts edges, found or not, and how surely: what an edge that hardly shows is read by."""

from __future__ import annotations

import numpy as np

from foldtrue.fit.lattice import adjust
from foldtrue.fit.lens import lens_across
from foldtrue.fit.network import Network
from foldtrue.fit.options import FitOptions
from foldtrue.frames import Array
from foldtrue.handover import Features, IntArray, Nominal, Plane
from foldtrue.handover_faint import ExpectedLines
from foldtrue.stretches import left_normals


def expect_lines(features: Features, plane: Plane, nominal: Nominal, crease: IntArray) -> ExpectedLines:
    """The lines of those of the creases (N,) whose vertices are the network's, from the features alone."""
    options = FitOptions.for_view(plane.view, len(nominal.twists))
    _, _, lens_map, network = adjust(features, plane, nominal, options, rounds=3)
    crease = crease[(network.unknown_of[nominal.creases.ends[crease]] >= 0).all(1)]
    ends = nominal.creases.ends[crease]
    normal = left_normals(nominal, crease)
    moved = np.sum(network.displacement_mm[ends] * normal[:, None], 2)
    # The photo is still seen through the lens as it was taken to be.
    moved += (lens_map.k1 - plane.map.k1) * lens_across(nominal.vertices_mm[ends], normal[:, None], plane.map)
    columns = _columns(network, ends, normal)
    return ExpectedLines(
        crease, moved.mean(1), moved[:, 1] - moved[:, 0], np.asarray(columns.T @ network.factor.solve(columns))
    )


def _columns(network: Network, ends: IntArray, normal: Array) -> Array:
    """(size, 2 F): what offset and slope of every line make of the network's unknowns."""
    columns = np.zeros((network.size, 2 * len(ends)))
    rows = 2 * network.unknown_of[ends][:, :, None] + np.arange(2)
    for k, (in_offset, in_slope) in enumerate(((0.5, -1.0), (0.5, 1.0))):
        for axis in (0, 1):
            for which, share in ((0, in_offset), (1, in_slope)):
                columns[rows[:, k, axis], 2 * np.arange(len(ends)) + which] += share * normal[:, axis]
    return columns

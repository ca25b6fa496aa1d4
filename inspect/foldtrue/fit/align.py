"""Shift the whole plan onto the found edges before each edge is looked at closely: eight numbers from some hundred
lines."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from foldtrue.alignment import freedoms, homography_step
from foldtrue.fit.lens import planned_points
from foldtrue.handover import Features, Nominal, Plane


def align_plane(features: Features, plane: Plane, nominal: Nominal, rounds: int = 10) -> Plane:
    """Robust homography from edge offsets (normal components only), Tukey weights; returns the plane with its map
    corrected.

    Used between detection passes: the piece's own errors average out over the edges. Gauss-Newton, one linear step,
    which the next detection pass repeats. Where no edge was found there is nothing to align to.
    """
    if not (features.trust > 0).any():
        return plane
    planned, normal = planned_points(features, nominal, plane.view)
    design, _ = freedoms(planned, "homography")
    rows = design[0::2] * normal[:, :1] + design[1::2] * normal[:, 1:]
    weight = features.trust.astype(float)
    coef = np.zeros(8)
    for _ in range(rounds):
        wr = rows * weight[:, None]
        ridge = 1e-6 * max(float(weight.sum()), 1.0) * np.eye(8)
        coef = np.linalg.solve(wr.T @ rows + ridge, wr.T @ features.offset_mm)
        rest = features.offset_mm - rows @ coef
        scale = 1.4826 * float(np.median(np.abs(rest[features.trust > 0]))) + 1e-6
        z = rest / (4.685 * scale)
        weight = features.trust * np.where(np.abs(z) < 1, (1 - z * z) ** 2, 0.0)
    matrix = plane.map.homography @ homography_step(coef, planned)
    return replace(plane, map=replace(plane.map, homography=matrix / matrix[2, 2]))

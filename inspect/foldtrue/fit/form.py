"""By what a whole piece departs from the plan where a reference tells the photo's plane: size, stretch, shear,
keystone."""

from __future__ import annotations

import numpy as np

from foldtrue.alignment import GlobalFit, freedoms
from foldtrue.frames import Array
from foldtrue.handover import KnownPlane
from foldtrue.handover_figures import Form


def size_of(planned: Array, whole: GlobalFit, cov: Array, known: KnownPlane) -> tuple[float, float]:
    """True size of the piece / planned size by the similarity that fits it best, and its standard uncertainty.

    planned: (T, 2) that the similarity was fitted to. cov: (4 T, 4 T) of the poses before that fit, the reference's own
    in it.
    """
    change = _solve(whole.design, whole.weights)[3] / float(np.abs(planned).max())
    scale = known.size * float(np.hypot(*whole.matrix[:2, 0]))
    return scale, scale * float(np.sqrt(change @ _of_places(cov) @ change))


def spread_std(planned: Array, cov: Array) -> float:
    """Relative standard uncertainty of how far apart twists planned at (T, 2) mm are all in all: of the size of the
    similarity that fits them best, each alike. cov: (4 T, 4 T) of their poses before that fit."""
    arm = (planned - planned.mean(0)).ravel()
    return float(np.sqrt(arm @ _of_places(cov) @ arm)) / float(arm @ arm)


def form_of(planned: Array, whole: GlobalFit, cov: Array, error_mm: Array) -> Form:
    """Figures of the shape from what the similarity left, error_mm (T, 2) at planned (T, 2).

    Least squares with the four freedoms of a homography that a similarity lacks, over all twists that the similarity's
    fit did not cast out, each alike: weights that follow the errors would make figures of their own.
    """
    shifts, _ = freedoms(planned, "homography")
    each = 2 / float(np.abs(planned).max()) * _solve(shifts, (whole.weights > 0).astype(float))[4:]
    return Form(each @ error_mm.ravel(), each @ _of_places(cov) @ each.T)


def _solve(design: Array, weights: Array) -> Array:
    root = np.sqrt(np.repeat(weights, 2))
    return np.asarray(np.linalg.pinv(design * root[:, None]) * root)


def _of_places(cov: Array) -> Array:
    """(2 T, 2 T) of x and y from (4 T, 4 T) of x, y, turn, size."""
    keep = np.flatnonzero(np.arange(len(cov)) % 4 < 2)
    return np.asarray(cov[np.ix_(keep, keep)])

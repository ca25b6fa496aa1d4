"""Readings of made-up photos of made-up pieces: the errors and the noise are known because they were drawn."""

from __future__ import annotations

import numpy as np

from foldtrue.pool.combine import make_reading, pose_freedoms


class Maker:
    """Photos of one plan; draws with its own generator."""

    def __init__(self, nominal, seed):
        self.nominal, self.design = nominal, pose_freedoms(nominal)
        self.rng = np.random.default_rng(seed)
        self.twists = len(nominal.twists)

    def piece(self, mm=0.2, deg=0.8):
        """Errors (T, 3) of a piece."""
        return self.rng.normal(0, [mm, mm, deg], (self.twists, 3))

    def covariance(self, mm=0.03, deg=0.1):
        """A full covariance (3 T, 3 T), neighbours in the list correlated."""
        scale = np.tile([mm, mm, deg], self.twists)
        mix = np.eye(3 * self.twists) + 0.3 * np.eye(3 * self.twists, k=3)
        return mix @ np.diag(scale**2) @ mix.T

    def photo(self, error, cov=None, own=1.0, seen=None, view="front", drawn=1.0, fit=0.05):
        """A reading of the piece: noise of covariance drawn^2 cov, fits that differ by `fit`; own: share of cov that is
        the photo's own."""
        cov = self.covariance() if cov is None else cov
        seen = np.ones(self.twists, bool) if seen is None else seen
        noise = drawn * np.linalg.cholesky(cov) @ self.rng.normal(size=len(cov))
        value = error.ravel() + noise + self.design @ self.rng.normal(0, fit, 8)
        value = np.where(seen[:, None], value.reshape(-1, 3), 0.0)
        return make_reading(value, (cov, own * cov), seen, view, self.design)


def without_freedoms(matrix, design):
    """(n, n) or (n,) with the whole piece's freedoms projected out."""
    free = np.linalg.svd(design, full_matrices=True)[0][:, design.shape[1] :]
    return free.T @ matrix @ free if matrix.ndim == 2 else free.T @ matrix

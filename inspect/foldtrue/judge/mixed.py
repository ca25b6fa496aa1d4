"""Gaussian models of errors with known measurement noise and a scatter that is not known: the likelihood that patterns
are compared by.

z = X b + e, e ~ N(0, C + sum of t_k K_k), t_k >= 0 not known. Where effects X are compared their likelihood is maximal
over b; freedoms that a fit has taken out beforehand are projected out of everything, which is restricted maximum
likelihood for those (Patterson and Thompson, Biometrika 58 (1971) 545 [from memory]).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import LinAlgError, cho_factor, cho_solve
from scipy.optimize import minimize

from foldtrue.frames import Array

_FLOOR = 1e-8
"""Least variance component, relative to the data's mean square: zero for all that is said of it."""


@dataclass(frozen=True)
class Data:
    """Errors z (n,) with the covariance cov (n, n) of their measurement, the taken freedoms projected out: basis (m, n)
    takes a pattern over the m values measured to the n that are left."""

    z: Array
    cov: Array
    basis: Array

    def seen(self, pattern: Array) -> Array:
        """A pattern (m,) or (m, q) as far as it is left."""
        return np.asarray(self.basis.T @ pattern)

    def kernel(self, covariance: Array) -> Array:
        """A covariance (m, m) as far as it is left."""
        return np.asarray(self.basis.T @ covariance @ self.basis)


@dataclass(frozen=True)
class Fitted:
    """The best of one model. log_likelihood, maximal. components: (k,) the t. effects: (q,) b, effects_cov (q, q).
    components_std: (k,) standard uncertainty from the likelihood's curvature, nan where a component is at zero."""

    log_likelihood: float
    components: Array
    effects: Array
    effects_cov: Array


def project(errors: Array, cov: Array, freedoms: Array) -> Data:
    """errors (m,), cov (m, m) and the freedoms (m, p) that a fit has taken out of them."""
    q, _ = np.linalg.qr(freedoms, mode="complete")
    basis = q[:, freedoms.shape[1] :]
    return Data(basis.T @ errors, basis.T @ cov @ basis, basis)


def fit_model(data: Data, kernels: Sequence[Array], effects: Array | None = None, start: Array | None = None) -> Fitted:
    """Maximum likelihood of the components of `kernels` (each (n, n)) and the effects (n, q)."""
    scale = float(np.mean(data.z**2)) + 1e-300
    design = np.zeros((len(data.z), 0)) if effects is None else effects
    first = np.full(len(kernels), scale / len(kernels)) if start is None else np.maximum(start, 1e-3 * scale)

    def cost(logs: Array) -> tuple[float, Array]:
        components = np.exp(logs)
        value, slope = _with_slope(data, kernels, components, design)
        return (-value, -slope * components) if np.isfinite(value) else (1e12, np.zeros_like(logs))

    bounds = [(np.log(_FLOOR * scale), np.log(1e3 * scale))] * len(kernels)
    found = minimize(
        cost, np.log(first), jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": 60, "ftol": 1e-6}
    )
    components = np.exp(found.x)
    value, b, b_cov = _likelihood(data, kernels, components, design)
    return Fitted(value, np.where(components <= 2 * _FLOOR * scale, 0.0, components), b, b_cov)


def component_std(
    data: Data, kernels: Sequence[Array], fitted: Fitted, which: int, effects: Array | None = None
) -> float:
    """Standard uncertainty of one component by the curvature of the likelihood along it, the others held; nan at 0."""
    t = float(fitted.components[which])
    if t <= 0:
        return float("nan")
    design = np.zeros((len(data.z), 0)) if effects is None else effects
    step = 0.05 * t

    def at(value: float) -> float:
        components = fitted.components.copy()
        components[which] = value
        return _likelihood(data, kernels, components, design)[0]

    curvature = (at(t + step) - 2 * at(t) + at(t - step)) / step**2
    return float(1 / np.sqrt(-curvature)) if curvature < 0 else float("nan")


def without_effects(data: Data, fitted: Fitted, effects: Array | None) -> Data:
    """The data less what a model's effects (n, q) make of them."""
    return data if effects is None else Data(data.z - effects @ fitted.effects, data.cov, data.basis)


def expected(data: Data, kernels: Sequence[Array], fitted: Fitted, which: int, effects: Array | None = None) -> Array:
    """What of z (n,) is expected to be the component's part (best linear unbiased prediction)."""
    rest = without_effects(data, fitted, effects).z
    total = _total(data, kernels, fitted.components)
    return np.asarray(fitted.components[which] * kernels[which] @ np.linalg.solve(total, rest))


def effect_tests(data: Data, kernels: Sequence[Array], fitted: Fitted, patterns: Array) -> Array:
    """Each of k further effects of q columns, patterns (k, n, q), alone added to a model without effects: chi-squares
    (k,) of q freedoms by Wald's test at the model's components."""
    factor = cho_factor(_total(data, kernels, fitted.components))
    weighted = np.stack([cho_solve(factor, each) for each in patterns])
    normal = np.einsum("kni,knj->kij", patterns, weighted)
    right = np.einsum("kni,n->ki", weighted, data.z)
    estimates = np.linalg.solve(normal, right[..., None])[..., 0]
    return np.asarray(np.einsum("ki,ki->k", estimates, right))


def _with_slope(data: Data, kernels: Sequence[Array], components: Array, design: Array) -> tuple[float, Array]:
    """The log likelihood, maximal over the effects, and its slope by each component: by d ln det V = tr(V^-1 dV)."""
    value, b, _ = _likelihood(data, kernels, components, design)
    if not np.isfinite(value):
        return value, np.zeros(len(kernels))
    inverse = cho_solve(cho_factor(_total(data, kernels, components)), np.eye(len(data.z)), check_finite=False)
    solved = inverse @ (data.z - design @ b)
    slope = [0.5 * float(solved @ kernel @ solved - np.sum(inverse * kernel)) for kernel in kernels]
    return value, np.array(slope)


def _total(data: Data, kernels: Sequence[Array], components: Array) -> Array:
    total = data.cov.copy()
    for t, kernel in zip(components, kernels, strict=True):
        total += t * kernel
    return total


def _likelihood(data: Data, kernels: Sequence[Array], components: Array, design: Array) -> tuple[float, Array, Array]:
    try:
        factor = cho_factor(_total(data, kernels, components), lower=True, check_finite=False)
    except LinAlgError:
        return -np.inf, np.zeros(design.shape[1]), np.zeros((design.shape[1],) * 2)
    log_det = 2 * float(np.log(np.diag(factor[0])).sum())
    b, b_cov = np.zeros(0), np.zeros((0, 0))
    rest = data.z
    if design.shape[1]:
        weighted = cho_solve(factor, design, check_finite=False)
        b_cov = np.linalg.inv(design.T @ weighted)
        b = b_cov @ (weighted.T @ data.z)
        rest = data.z - design @ b
    square = float(rest @ cho_solve(factor, rest, check_finite=False))
    return -0.5 * (log_det + square), b, b_cov

"""A figure with its uncertainty, and how both are written.

Every ± in a report is an expanded uncertainty: the half-width, or for a position the radius, that holds 95 % of the
error.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from foldtrue.propagation import coverage_factor

COVERAGE_95 = 1.959963984540054
"""Half-width, in standard deviations, of the interval that holds 95 % of a normal distribution."""

_ANGLES = np.linspace(0.0, np.pi, 256, endpoint=False)


@dataclass(frozen=True)
class Measured:
    """A value with its standard uncertainty, both in `unit`; std None = not known. freedom: degrees of freedom of std,
    inf where it was not estimated from few observations."""

    value: float
    std: float | None
    unit: str
    freedom: float = math.inf

    @property
    def u95(self) -> float | None:
        """Expanded uncertainty: half-width of the 95 % interval, of Student's t where the freedoms are few. Raises
        ValueError below one degree of freedom."""
        return None if self.std is None else coverage_factor(self.freedom) * self.std

    def text(self) -> str:
        """For instance '0.12 ± 0.03 mm'."""
        return plus_minus(self.value, self.u95, self.unit)


def plus_minus(value: float | None, u95: float | None, unit: str) -> str:
    """'0.12 ± 0.03 mm': the uncertainty to one or two significant digits, the value to the same place.

    Two digits where the first is 1 or 2, else one (JCGM 100, 7.2.6: two at most, further ones only against rounding in
    later sums). 'not measured' where there is no finite value; without an uncertainty the value stands to three digits.
    """
    space = f" {unit}" if unit else ""
    if value is None or not math.isfinite(value):
        return "not measured"
    if u95 is None or not math.isfinite(u95) or u95 < 0:
        return f"{value:.3g}{space} (uncertainty not known)"
    if u95 == 0:
        return f"{value:.6g} ± 0{space}"
    places = decimal_places(u95)
    shown = round(value, places) + 0.0  # + 0.0 turns -0.0 into 0.0
    return f"{shown:.{max(places, 0)}f} ± {round(u95, places):.{max(places, 0)}f}{space}"


def decimal_places(u95: float) -> int:
    """Decimal places that show u95 > 0 with one significant digit, or two where the first is 1 or 2."""
    exponent = math.floor(math.log10(u95))
    first = round(u95 / 10.0**exponent, 9)
    return -exponent + 1 if first < 2.95 else -exponent


def radius95(covariance: ArrayLike) -> NDArray[np.float64]:
    """Radius of the circle, centred on the truth, that holds 95 % of a 2-D normal error: (..., 2, 2) -> (...).

    With standard deviations s1, s2 on the main axes the share inside radius R is the mean over the angle t of
    1 - exp(-R^2 / (2 (s1^2 cos^2 t + s2^2 sin^2 t))), from the error's polar form with a Rayleigh radius; solved for R
    by bisection. Between 1.960 s1 (a line) and 2.448 s1 (round). nan where the covariance is not finite.
    """
    matrices = np.asarray(covariance, float)
    shape = matrices.shape[:-2]
    flat = matrices.reshape(-1, 2, 2)
    radius = np.full(len(flat), np.nan)
    known = np.isfinite(flat).all((1, 2))
    if known.any():
        variances = np.maximum(np.linalg.eigvalsh(flat[known]), 0.0)
        radius[known] = _radius95_axes(variances[:, 1], variances[:, 0])
    return radius.reshape(shape)


def largest_std(covariance: ArrayLike) -> NDArray[np.float64]:
    """Standard deviation of a 2-D error along its least certain direction: (..., 2, 2) -> (...); nan where the
    covariance is not finite."""
    matrices = np.asarray(covariance, float)
    (xx, xy), (_, yy) = np.moveaxis(matrices, (-2, -1), (0, 1))
    middle, half = (xx + yy) / 2, (xx - yy) / 2
    return np.asarray(np.sqrt(np.maximum(middle + np.hypot(half, xy), 0.0)))


def _radius95_axes(large: NDArray[np.float64], small: NDArray[np.float64]) -> NDArray[np.float64]:
    scale = np.sqrt(large)
    ratio = np.divide(small, large, out=np.zeros_like(small), where=large > 0)[:, None]
    spread = 2 * np.maximum(np.cos(_ANGLES) ** 2 + ratio * np.sin(_ANGLES) ** 2, 1e-12)
    low, high = np.full(len(large), 1.9), np.full(len(large), 2.5)
    for _ in range(40):
        middle = (low + high) / 2
        inside = 1 - np.exp(-(middle[:, None] ** 2) / spread).mean(1)
        low, high = np.where(inside < 0.95, middle, low), np.where(inside < 0.95, high, middle)
    return np.asarray(scale * (low + high) / 2)

"""Blurred steps located to a fraction of a pixel: pure array functions, (x, y) in px, no knowledge of plans or photos.

A *cross-line* is a short scan across an expected edge; its samples lie at positions u (px) from the expected place, u
growing towards the side called left. The step model is I(u) = base + contrast * Phi((u - u0) / blur), Phi the normal
distribution function: the image of an ideal step through a Gaussian blur. Its maximum-likelihood fit reaches the
Cramer-Rao limit (docs/uncertainty.md).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating[Any]]
IntArray = NDArray[np.integer[Any]]
Image = NDArray[np.float32]
GREY_WEIGHTS = (0.3, 0.5, 0.2)
"""Linear RGB -> grey; green carries twice the pixels of a colour sensor, blue is the noisiest. Ours, not a standard."""


def linear_grey(pixels: NDArray[Any], table: NDArray[np.float32], weights: tuple[float, ...] = GREY_WEIGHTS) -> Image:
    """(H, W, 3) gamma-coded RGB -> (H, W) linear light, float32, through the table code -> linear."""
    if pixels.dtype == np.uint8:
        import cv2

        planes = [cv2.LUT(pixels[:, :, k], table * np.float32(weights[k])) for k in range(3) if weights[k]]
    else:
        planes = [table[pixels[:, :, k]] * np.float32(weights[k]) for k in range(3) if weights[k]]
    grey = np.asarray(planes[0], np.float32)
    for plane in planes[1:]:
        grey += plane
    return grey


def bilinear(image: Image, x: Array, y: Array) -> Image:
    """Image values at (x, y), any equal shapes; nan outside. Exact weights, unlike table-driven warps (1/32 px)."""
    height, width = image.shape
    inside = (x >= 0) & (y >= 0) & (x < width - 1) & (y < height - 1)
    x0 = np.where(inside, x, 0).astype(np.int32)
    y0 = np.where(inside, y, 0).astype(np.int32)
    fx = (x - x0).astype(np.float32)
    fy = (y - y0).astype(np.float32)
    flat = image.ravel()
    at = y0.astype(np.int64) * width + x0
    top = flat[at] * (1 - fx) + flat[at + 1] * fx
    at += width
    bottom = flat[at] * (1 - fx) + flat[at + 1] * fx
    value = top * (1 - fy) + bottom * fy
    value[~inside] = np.nan
    return np.asarray(value, np.float32)


def cross_lines(image: Image, low_px: Array, high_px: Array, count: int) -> Image:
    """Sample N cross-lines evenly from low_px (N, 2) to high_px (N, 2); returns (N, count), nan outside the image."""
    f = np.linspace(0.0, 1.0, count, dtype=np.float32)
    low = np.asarray(low_px, np.float32)
    span = np.asarray(high_px - low_px, np.float32)
    return bilinear(image, low[:, :1] + span[:, :1] * f, low[:, 1:] + span[:, 1:] * f)


def interpolated_step(low_px: Array, high_px: Array, growth: Array, place: Array, blur: Array, u: Array) -> Array:
    """By how much (N, K) a blurred step of height 1, read by `cross_lines`, exceeds the same step with its blur widened
    by 1/6 px^2, which is what linear interpolation adds on average over all places between pixels.

    low_px, high_px (N, 2): ends of the cross-lines, u (K,) px along them; growth: (N, 2) by how much the distance from
    the edge grows for a px in x and in y; place, blur (widened): (N,) px. Each sample is the weighted mean of the step
    at four pixels. Those are means over the pixel's square, of which a normal blur has only the variance; its fourth
    cumulant is -1/120 for a side of 1 (uniform distribution).
    """
    from scipy.special import ndtr

    f = np.linspace(0.0, 1.0, len(u))
    own = np.sqrt(np.maximum(blur**2 - 1 / 6, 0.12))[:, None]
    square = ((growth**4).sum(1)[:, None] / 2880) / own**4
    x, y = (low_px[:, k, None] + (high_px - low_px)[:, k, None] * f for k in (0, 1))
    x, y = x - np.floor(x), y - np.floor(y)
    away = u - place[:, None]
    out = -ndtr(away / blur[:, None])
    for right, below in ((0, 0), (1, 0), (0, 1), (1, 1)):
        weight = np.where(right, x, 1 - x) * np.where(below, y, 1 - y)
        z = (away + growth[:, :1] * (right - x) + growth[:, 1:] * (below - y)) / own
        bell = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
        out += weight * (ndtr(z) + square * (z**3 - 3 * z) * bell)
    return np.asarray(out)


def step_kernel(blur: float) -> Array:
    """Matched filter of a blurred step: first derivative of a Gaussian, scaled so that its response to a step of height
    1 with the same blur is 1 at the edge. Length odd."""
    half = max(2, int(np.ceil(3.5 * blur)))
    u = np.arange(-half, half + 1, dtype=float)
    k = u * np.exp(-0.5 * (u / blur) ** 2)
    from scipy.special import ndtr

    return np.asarray(k / np.sum(k * ndtr(u / blur)))


@dataclass(frozen=True)
class StepFits:
    """One linearised step fit per profile (N,): shift (px) of the edge from the assumed place, its variance for unit
    pixel noise, contrast (high u side minus low), base, residual sum of squares, degrees of freedom, and the relative
    blur
    correction (d blur / blur)."""

    shift: Array
    shift_var: Array
    contrast: Array
    contrast_var: Array
    base: Array
    rss: Array
    dof: Array
    blur_change: Array


def fit_steps(
    profiles: NDArray[Any],
    u: Array,
    place: Array,
    blur: Array,
    contrast: Array | None = None,
    valid: NDArray[np.bool_] | None = None,
) -> StepFits:
    """One Gauss-Newton step of the maximum-likelihood step fit for every profile at once.

    profiles: (N, K) samples at u (K,) px; place: (N,) assumed edge place px; blur: (N,) px; contrast: (N,) step height
    to linearise about, None = each profile's own. valid: (N, K) samples to use (clipped ones carry no place), None =
    all. The place that comes out is place + shift. Regression on [1, step, d step / d place, d step / d blur]; the
    last, the blur, is orthogonal to the place by symmetry and costs no precision. Source: Gauss-Newton maximum
    likelihood, Rao's one-step estimator.
    """
    from scipy.special import ndtr

    z = (u[None, :] - place[:, None]) / blur[:, None]
    bell = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
    basis = np.stack([np.ones_like(z), ndtr(z), bell, -z * bell], axis=2)
    ok = np.isfinite(profiles) if valid is None else valid & np.isfinite(profiles)
    y = np.where(ok, profiles, 0.0).astype(float)
    masked = basis * ok[:, :, None]
    normal = np.einsum("nki,nkj->nij", masked, basis)
    normal += 1e-9 * np.eye(4)
    inverse = np.linalg.inv(normal)
    coef = np.einsum("nij,nj->ni", inverse, np.einsum("nki,nk->ni", masked, y))
    resid = (y - np.einsum("nki,ni->nk", basis, coef)) * ok
    height = coef[:, 1] if contrast is None else contrast
    safe = np.where(np.abs(height) < 1e-12, 1e-12, height)
    # d/d place of Phi((u - place)/blur) is -bell/blur: the coefficient of `bell` is -contrast * shift / blur.
    return StepFits(
        shift=-coef[:, 2] * blur / safe,
        shift_var=inverse[:, 2, 2] * (blur / safe) ** 2,
        contrast=coef[:, 1],
        contrast_var=inverse[:, 1, 1],
        base=coef[:, 0],
        rss=np.sum(resid * resid, 1),
        dof=np.maximum(ok.sum(1) - 4, 0).astype(float),
        blur_change=coef[:, 3] / safe,
    )


@dataclass(frozen=True)
class BarFits:
    """One fit of a blurred bar per profile (N,), all relative to base, the light beside the bar. area (px): the bar's
    height times its width; moment (px2): area times how far the bar lies from its assumed place; each with its variance
    for unit noise; rss, dof: what is left."""

    area: Array
    area_var: Array
    moment: Array
    moment_var: Array
    base: Array
    rss: Array
    dof: Array


def fit_bars(profiles: NDArray[Any], u: Array, place: Array, width: Array, blur: float) -> BarFits:
    """Least-squares fit of a thin bar, brighter or darker than what lies on either side, to every profile at once.

    profiles: (N, K) samples at u (K,) px; place, width: (N,) assumed middle and width of the bar, px; blur: px. The
    image of a bar of width w through a Gaussian blur is the difference of two blurred steps w apart; its height and its
    width cannot be told apart once it is thinner than the blur, their product, the area, can. Regression on [1, u, bar
    of area 1, its d / d place], which is linear in area and moment. Profiles without a positive base get zeros.
    """
    from scipy.special import ndtr

    half = 0.5 * np.maximum(np.abs(width), 0.05 * blur)[:, None]
    away = u[None, :] - place[:, None]
    right, left = (away + half) / blur, (away - half) / blur
    bar = (ndtr(right) - ndtr(left)) / (2 * half)
    moved = (np.exp(-0.5 * left**2) - np.exp(-0.5 * right**2)) / (np.sqrt(2 * np.pi) * blur * 2 * half)
    basis = np.stack([np.ones_like(away), away / u[-1], bar, moved], axis=2)
    y = np.asarray(profiles, float)
    inverse = np.linalg.inv(np.einsum("nki,nkj->nij", basis, basis) + 1e-12 * np.eye(4))
    coef = np.einsum("nij,nj->ni", inverse, np.einsum("nki,nk->ni", basis, y))
    base = coef[:, 0]
    scale = np.where(base > 0, 1 / np.where(base > 0, base, 1.0), 0.0)
    rest = (y - np.einsum("nki,ni->nk", basis, coef)) * scale[:, None]
    return BarFits(
        area=coef[:, 2] * scale,
        area_var=inverse[:, 2, 2],
        moment=coef[:, 3] * scale,
        moment_var=inverse[:, 3, 3],
        base=base,
        rss=np.sum(rest * rest, 1),
        dof=np.full(len(y), max(y.shape[1] - 4, 0), float),
    )


@dataclass(frozen=True)
class BandFits:
    """One Gauss-Newton step of the fit of a band (N,): its width and place (px), each with its variance for unit noise
    of the light beside it taken as 1; height over that light; rss, dof: what is left."""

    width: Array
    width_var: Array
    place: Array
    place_var: Array
    height: Array
    rss: Array
    dof: Array


def fit_bands(profiles: NDArray[Any], u: Array, place: Array, width: Array, blur: float) -> BandFits:
    """One step towards the least-squares fit of a band wide enough to have two edges, brighter or darker than what lies
    on either side; arguments as of `fit_bars`. Regression on [1, u, band of height 1, its d / d place, its d / d
    width]."""
    from scipy.special import ndtr

    half = 0.5 * width[:, None]
    away = u[None, :] - place[:, None]
    right, left = (away + half) / blur, (away - half) / blur
    bell = [np.exp(-0.5 * z**2) / (np.sqrt(2 * np.pi) * blur) for z in (left, right)]
    band, moved, wider = ndtr(right) - ndtr(left), bell[0] - bell[1], 0.5 * (bell[0] + bell[1])
    basis = np.stack([np.ones_like(away), away / u[-1], band, moved, wider], axis=2)
    y = np.asarray(profiles, float)
    inverse = np.linalg.inv(np.einsum("nki,nkj->nij", basis, basis) + 1e-12 * np.eye(5))
    coef = np.einsum("nij,nj->ni", inverse, np.einsum("nki,nk->ni", basis, y))
    base = np.where(coef[:, 0] > 0, coef[:, 0], 1.0)
    rest = (y - np.einsum("nki,ni->nk", basis, coef)) / base[:, None]
    height = coef[:, 2] / base
    safe = np.where(np.abs(height) > 1e-9, height, 1e-9)
    return BandFits(
        width=width + coef[:, 4] / base / safe,
        width_var=inverse[:, 4, 4] / safe**2,
        place=place + coef[:, 3] / base / safe,
        place_var=inverse[:, 3, 3] / safe**2,
        height=height,
        rss=np.sum(rest * rest, 1),
        dof=np.full(len(y), max(y.shape[1] - 5, 0), float),
    )


def cramer_rao_place_px(blur: float, noise: float, contrast: float, lines: int = 1) -> float:
    """Least standard deviation (px) of a blurred step's place, base and contrast known, over `lines` scan lines:
    sqrt(2 sqrt(pi) blur) noise / contrast / sqrt(lines). Valid for blur >= 0.7 px (Cramer-Rao bound of the erf
    edge)."""
    return float(np.sqrt(2 * np.sqrt(np.pi) * blur / lines) * noise / abs(contrast))


@dataclass(frozen=True)
class StraightLines:
    """Weighted least-squares lines, one per group (G,), about their mean place: t_mid, value there, slope; weight: sum
    of the weights; spread: sum of weight (t - t_mid)^2, 0 where all samples lie at one place and the line is level."""

    t_mid: Array
    value: Array
    slope: Array
    weight: Array
    spread: Array

    def at(self, t: Array | float) -> Array:
        """Value (G,) of every line at t."""
        return np.asarray(self.value + self.slope * (t - self.t_mid))

    def variance_at(self, t: Array | float) -> Array:
        """Variance (G,) of the value at t, for weights that are inverse variances."""
        return np.asarray(1 / np.maximum(self.weight, 1e-300) + (t - self.t_mid) ** 2 * self.slope_variance())

    def slope_variance(self) -> Array:
        """Variance (G,) of the slope, for weights that are inverse variances."""
        return np.asarray(1 / np.maximum(self.spread, 1e-300))

    def rest(self, t: Array, value: Array, group: IntArray) -> Array:
        """What is left (M,) of the values when each one's line is taken off."""
        return np.asarray(value - self.value[group] - self.slope[group] * (t - self.t_mid[group]))


def straight_lines(t: Array, value: Array, weight: Array, group: IntArray, groups: int) -> StraightLines:
    """Fit a straight line to the samples of each group; t, value, weight (inverse variance), group: (M,).

    Squares are summed about the weighted means, and the means taken twice, so that no digits are lost to large values
    (two-pass algorithm: Chan, Golub and LeVeque, Am. Stat. 37 (1983) 242 [from memory]). An empty group gets zeros.
    """
    total = np.bincount(group, weight, groups).astype(float)
    safe = np.where(total > 0, total, 1.0)
    t_mid, middle = np.zeros(groups), np.zeros(groups)
    for _ in range(2):
        t_mid = t_mid + np.bincount(group, weight * (t - t_mid[group]), groups) / safe
        middle = middle + np.bincount(group, weight * (value - middle[group]), groups) / safe
    x = t - t_mid[group]
    spread = np.bincount(group, weight * x * x, groups).astype(float)
    spread = np.where(spread > 1e-9 * total, spread, 0.0)
    slope = np.bincount(group, weight * x * (value - middle[group]), groups) / np.where(spread > 0, spread, 1.0)
    return StraightLines(t_mid, middle, np.where(spread > 0, slope, 0.0), total, spread)


def robust_line(
    t: Array, value: Array, weight: Array, group: IntArray, groups: int, spread: float = 1e-9, rounds: int = 6
) -> tuple[Array, Array, Array]:
    """Straight lines value = a + b (t - 0.5) per group by iteratively reweighted least squares (Tukey's biweight).

    t, value, weight (inverse variance), group: (M,). The scale is the median residual's, widened for the two freedoms
    that the line has taken. Returns a (groups,), b (groups,), robustness weights (M,) in [0, 1] by what is left of the
    last fit. An empty group gets zeros.
    """
    trust = np.ones_like(value)
    lines = straight_lines(t, value, weight, group, groups)
    count = np.bincount(group, weight > 0, groups)
    widen = 1.4826 * np.sqrt(count / np.maximum(count - 2, 1))
    for done in range(1, rounds + 1):
        resid = lines.rest(t, value, group)
        scale = group_median(np.abs(resid), group, groups) * widen + spread
        z = resid / (4.685 * scale[group])
        trust = np.where(np.abs(z) < 1, (1 - z * z) ** 2, 0.0)
        if done < rounds:
            lines = straight_lines(t, value, weight * trust, group, groups)
    return lines.at(0.5), lines.slope, trust


def group_mean(value: Array, group: IntArray, groups: int) -> Array:
    """Mean (G, N) of the rows value (M, N) of each group; 0 for an empty group."""
    total = np.zeros((groups, value.shape[1]))
    np.add.at(total, group, value)
    return np.asarray(total / np.maximum(np.bincount(group, minlength=groups), 1)[:, None])


def group_median(value: Array, group: IntArray, groups: int) -> Array:
    """Median of value (M,) within each group; 0 for an empty group. Vectorised through one lexical sort."""
    out = np.zeros(groups)
    if not len(value):
        return out
    order = np.lexsort((value, group))
    counts = np.bincount(group, minlength=groups)
    ends = np.cumsum(counts)
    starts = ends - counts
    full = counts > 0
    low = value[order][np.minimum(starts + np.maximum(counts - 1, 0) // 2, len(value) - 1)]
    high = value[order][np.minimum(starts + counts // 2, len(value) - 1)]
    out[full] = 0.5 * (low + high)[full]
    return out

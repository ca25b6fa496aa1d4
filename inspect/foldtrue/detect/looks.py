"""How the edges of each kind look in this very photo, learned from the photo: no model of lamp, paper or shadow.

From the camera's side a fold shows as a shadow, a bright ridge, a change of tone or not at all, and which it is depends
on the light and on where the edge faces. Edges of one kind (stretches.py) look alike. Their cross profiles, laid over
one another at the current lines, give the kind's usual look and how much each part of it varies from edge to edge: a
shadow's far end varies with the height of the step, its sharp side does not. Each profile is then fitted with the look,
moved and scaled, every part weighted by how steady it is. The look's zero is the mean place of the kind's edges against
the plan, so what light shifts in all edges of a kind alike drops out.

Source of the fit: one Gauss-Newton step of weighted least squares on a linearised shift, as in `subpixel.fit_steps`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.detect.grain import Grain
from foldtrue.frames import Array
from foldtrue.handover import BoolArray, IntArray
from foldtrue.subpixel import group_mean

LEAST_PROFILES = 10
ENDS = 6
"""One part in so many of a profile, at either end, tells the tone beside the edge."""
TONE_BLUR_PX = 1.3
"""Blur of a change of tone, a telephone's own."""


@dataclass(frozen=True)
class Looks:
    """value (K, N): usual relative light of each kind along the facing; spread (K, N): how much it varies; step_mm:
    distance of neighbouring samples; height (K,): largest minus smallest value; known (K,): enough was seen."""

    value: Array
    spread: Array
    step_mm: float
    height: Array
    known: BoolArray


@dataclass(frozen=True)
class LookFits:
    """Per profile (B,): amplitude (1 = as usual), shift_mm along the facing for unit amplitude, the variance of that
    shift for unit noise in all parts, noise: standard deviation of a part, relative light."""

    amplitude: Array
    shift_mm: Array
    shift_var: Array
    noise: Array


def relative_light(profile: Array) -> Array:
    """Profiles (B, N) of linear light as departures from their own mean, which lamp and paper have set."""
    mean = profile.mean(axis=1, keepdims=True)
    return np.asarray(profile / np.maximum(mean, 1e-6) - 1.0)


def without_tone(profile: Array, edge: IntArray, use: BoolArray, edges: int) -> Array:
    """Relative profiles (B, N) less the change of tone across their edge (B,): a blurred step at the middle, as high as
    the ends of the edge's mean profile differ, over the blocks in use (B,).

    Facets lean, each its own way, and take a lamp's light differently, by chance. Under a look that knows of no step
    one draws the edge to one side: half of the variance of simulated edges' places went with it.
    """
    from scipy.special import ndtr

    count = profile.shape[1]
    mean = group_mean(profile[use], edge[use], edges)
    ends = max(2, count // ENDS)
    height = mean[:, -ends:].mean(1) - mean[:, :ends].mean(1)
    step = ndtr((np.arange(count) - count // 2) / TONE_BLUR_PX) - 0.5
    return np.asarray(profile - height[edge][:, None] * step)


def learn_looks(profile: Array, kind: IntArray, kinds: int, step_mm: float) -> Looks:
    """The usual look of every kind from relative profiles (B, N): a clipped mean about the median, and the median
    absolute deviation (times 1.4826) as its spread."""
    count = profile.shape[1]
    value, spread = np.zeros((kinds, count)), np.ones((kinds, count))
    known = np.bincount(kind, minlength=kinds) >= LEAST_PROFILES
    for k in np.flatnonzero(known):
        own = profile[kind == k]
        median = np.median(own, axis=0)
        spread[k] = 1.4826 * np.median(np.abs(own - median), axis=0) + 1e-6
        value[k] = median + np.clip(own - median, -2 * spread[k], 2 * spread[k]).mean(axis=0)
    return Looks(value, spread, step_mm, np.ptp(value, axis=1), np.asarray(known))


def _weights(looks: Looks) -> Array:
    """Inverse variance (K, N) of each part of a look; no part is taken for surer than the median one."""
    floor = np.median(looks.spread, axis=1, keepdims=True)
    return np.asarray(1.0 / (looks.spread**2 + floor**2))


def look_kernels(looks: Looks) -> Array:
    """Filters (K, N) whose response to a kind's usual look is 1 and to even light 0; 0 where no look is known."""
    return _kernels(looks.value, _weights(looks)) * looks.known[:, None]


def _kernels(value: Array, weight: Array) -> Array:
    centred = value - np.sum(weight * value, 1, keepdims=True) / np.sum(weight, 1, keepdims=True)
    kernel = weight * centred
    return np.asarray(kernel / np.maximum(np.sum(kernel * centred, 1, keepdims=True), 1e-12))


def others_kernels(looks: Looks, profile: Array, kind: IntArray, edge: IntArray, kind_of_edge: IntArray) -> Array:
    """Filters (E, N), one for every edge, as `look_kernels` of what the other edges of its kind look like.

    profile (B, N), kind and edge (B,): what the looks were learned from. An edge always looks a little like a look that
    it took part in, even where there is nothing but noise.
    """
    edges, kinds = len(kind_of_edge), len(looks.value)
    own = np.bincount(edge, minlength=edges).astype(float)
    total = np.bincount(kind, minlength=kinds).astype(float)[kind_of_edge]
    mean = np.zeros((edges, profile.shape[1]))
    np.add.at(mean, edge, profile)
    value = looks.value[kind_of_edge]
    left = total - own
    alone = left < LEAST_PROFILES
    others = (total[:, None] * value - mean) / np.maximum(left, 1.0)[:, None]
    others = np.where(alone[:, None], value, others)
    return _kernels(others, _weights(looks)[kind_of_edge]) * looks.known[kind_of_edge][:, None]


def look_responses(profile: Array, kernel: Array, edge: IntArray) -> Array:
    """Response (B, M - N + 1) of relative profiles (B, M) at every shift to the filters kernel (E, N), each to that of
    its own edge (B,)."""
    windows = np.lib.stride_tricks.sliding_window_view(profile.astype(np.float32), kernel.shape[1], axis=1)
    return np.asarray(np.einsum("bsn,bn->bs", windows, kernel.astype(np.float32)[edge]))


def flank_weights(looks: Looks, width_mm: float) -> Array:
    """Three ways (3, K, N) to weigh the parts of each look: as they are; and, beside that, the more the nearer they lie
    to its steepest fall, or rise.

    Of a shadow the side next to the edge is the edge's own, the far one the height's; of a bright ridge likewise. Which
    flank is the steady one the edges themselves must say.
    """
    weight = _weights(looks)
    slope = _slope(looks.value)
    place = np.arange(looks.value.shape[1])[None, :]
    width = max(width_mm / looks.step_mm, 1.0)
    flanks = [np.exp(-0.5 * ((place - at[:, None]) / width) ** 2) for at in (slope.argmin(1), slope.argmax(1))]
    return np.stack([weight, *(weight * np.maximum(flank, 1e-3) for flank in flanks)])


def _slope(look: Array) -> Array:
    """Derivative by the sample number along the last axis."""
    from scipy.ndimage import gaussian_filter1d

    return np.asarray(np.gradient(gaussian_filter1d(look, 0.7, axis=-1), axis=-1))


def fit_looks(profile: Array, kind: IntArray, looks: Looks, weight: Array) -> LookFits:
    """Fit every relative profile (B, N) with an even slope of light, its kind's look, and the look's derivative, parts
    weighted by weight (K, N)."""
    basis = _basis(looks)
    inverse = _inverse(np.einsum("kni,kn,knj->kij", basis, weight, basis))
    solver = np.einsum("kij,knj,kn->kin", inverse, basis, weight)
    out = np.zeros((len(profile), 4))
    rest = np.zeros(len(profile))
    # Noise is the same in all parts, weights or not; it is read where the weights let the fit be tight.
    total = weight.sum(axis=1)
    free = total * (1.0 - 4.0 / np.maximum(total**2 / np.sum(weight**2, axis=1), 5.0))
    for k in np.flatnonzero(looks.known):
        rows = np.flatnonzero(kind == k)
        out[rows] = profile[rows] @ solver[k].T
        rest[rows] = np.square(profile[rows] - out[rows] @ basis[k].T) @ weight[k] / free[k]
    return LookFits(out[:, 2], -out[:, 3], np.sum(solver[kind, 3] ** 2, axis=1), np.sqrt(rest))


def fit_looks_in_grain(profile: Array, kind: IntArray, looks: Looks, grain: Grain) -> LookFits:
    """As `fit_looks`, with parts weighted by how the paper's grain goes along a profile (grain.py)."""
    basis = _basis(looks)
    inverse = _inverse(np.einsum("kni,nm,kmj->kij", basis, grain.inverse, basis, optimize=True))
    solver = np.einsum("kij,knj,nm->kim", inverse, basis, grain.inverse, optimize=True)
    out, rest = np.zeros((len(profile), 4)), np.zeros(len(profile))
    for k in np.flatnonzero(looks.known):
        rows = np.flatnonzero(kind == k)
        out[rows] = profile[rows] @ solver[k].T
        left = (profile[rows] - out[rows] @ basis[k].T) @ grain.root
        rest[rows] = np.mean(left**2, 1) * (left.shape[1] / (left.shape[1] - 4.0))
    return LookFits(out[:, 2], -out[:, 3], inverse[kind, 3, 3], np.sqrt(rest))


def look_slopes(looks: Looks) -> Array:
    """Derivatives (K, N) of the looks, per mm along the facing."""
    return _slope(looks.value) / looks.step_mm


def _basis(looks: Looks) -> Array:
    """(K, N, 4): what a profile is fitted with."""
    even = np.broadcast_to(np.linspace(-1, 1, looks.value.shape[1]), looks.value.shape)
    return np.stack([np.ones_like(looks.value), even, looks.value, look_slopes(looks)], axis=2)


def _inverse(normal: Array) -> Array:
    """Of (K, 4, 4), some of which may be singular."""
    ridge = 1e-9 * np.trace(normal, axis1=1, axis2=2)[:, None, None] + 1e-300
    return np.asarray(np.linalg.inv(normal + ridge * np.eye(4)))

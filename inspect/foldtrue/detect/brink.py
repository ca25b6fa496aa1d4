"""Where the paper on top ends: half way down from its own light into the dark beside it.

A fold seen from the camera's side throws a shadow whose width follows the height of the step, and that grows or shrinks
along the edge and from one edge to the next: what is fitted to the whole of it, or to its far side, goes with it. The
near side is the paper's own end. It is read at half of the local step, the usual place of a blurred edge between two
levels (ISO 12233:2017 locates the slanted edge in the same way, by each line's own levels [from memory]).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.detect.looks import Looks
from foldtrue.frames import Array
from foldtrue.handover import BoolArray, IntArray

SMOOTH_PX = 0.8
"""Light is smoothed over so many samples, a third of what a telephone's own blur spans."""
ROUNDS = 3
LEAST_DEPTH = 0.3
"""Of the kind's usual fall that a profile must show."""


@dataclass(frozen=True)
class Brinks:
    """Of every kind (K,), in samples of its look: top and dip, where the steepest fall begins and ends; place, where
    the look is half way between the two; depth: how far it falls, relative light, 0 where it does not."""

    top: Array
    dip: Array
    place: Array
    depth: Array


def find_brinks(looks: Looks) -> Brinks:
    """The fall of each usual look from the paper on top into the dark beside it."""
    value = _smooth(looks.value)
    kinds = len(value)
    top, dip, place, depth = np.zeros((4, kinds))
    for k, look in enumerate(value):
        fall = int(np.gradient(look).argmin())
        before, after = fall - _falls_on(-look[fall::-1]), fall + _falls_on(look[fall:])
        top[k], dip[k], depth[k] = before, after, look[before] - look[after]
        level = 0.5 * (look[before] + look[after])
        place[k] = _crossings(look[None], np.array([level]), np.array([float(fall)]))[0][0]
    return Brinks(top, dip, place, depth)


def brink_shifts(profile: Array, kind: IntArray, brinks: Brinks) -> tuple[Array, BoolArray]:
    """How far, in samples, each relative profile (B, N) has its brink beyond its kind's, by its own levels before and
    after; and which profiles show one."""
    light, usual = _smooth(profile), brinks.place[kind]
    shift, falls = np.zeros(len(light)), np.ones(len(light), bool)
    for _ in range(ROUNDS):  # levels are those before and after the profile's own fall
        high, low = (_at(light, end[kind] + shift) for end in (brinks.top, brinks.dip))
        place, falls = _crossings(light, 0.5 * (high + low), usual + shift)
        shift = np.where(falls, place - usual, 0.0)
    depth = brinks.depth[kind]
    clear = falls & (depth > 0) & (high - low > LEAST_DEPTH * depth) & (np.abs(shift) < 0.25 * profile.shape[1])
    return np.where(clear, shift, 0.0), clear


def _at(light: Array, place: Array) -> Array:
    """Values (B,) of the rows (B, N) at fractional places (B,), by straight lines between samples."""
    place = np.clip(place, 0.0, light.shape[1] - 1.001)
    low = np.floor(place).astype(np.int64)
    part, rows = place - low, np.arange(len(light))
    return np.asarray(light[rows, low] * (1 - part) + light[rows, low + 1] * part)


def _smooth(light: Array) -> Array:
    from scipy.ndimage import gaussian_filter1d

    return np.asarray(gaussian_filter1d(light, SMOOTH_PX, axis=-1))


def _falls_on(values: Array) -> int:
    """How many samples it goes on falling from the first."""
    rising = np.flatnonzero(np.diff(values) > 0)
    return int(rising[0]) if len(rising) else len(values) - 1


def _crossings(light: Array, level: Array, near: Array) -> tuple[Array, BoolArray]:
    """Place (B,) nearest to near (B,) where each row of light (B, N) falls through its level (B,), by straight lines
    between samples; and whether it does anywhere."""
    above = light >= level[:, None]
    drops = above[:, :-1] & ~above[:, 1:]
    far = np.abs(np.arange(light.shape[1] - 1) + 0.5 - near[:, None])
    at = np.where(drops, far, np.inf).argmin(1)
    rows = np.arange(len(light))
    before, after = light[rows, at], light[rows, at + 1]
    step = np.where(drops.any(1), before - after, 1.0)
    return at + (before - level) / step, np.asarray(drops.any(1))

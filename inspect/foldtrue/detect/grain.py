"""How the grain of paper goes along a profile, and what a profile says once that is taken into account.

Neighbouring samples across an edge see the same fibre: on a telephone's photo taken from near by what is chance in one
can be nine tenths of it in the next. Read as if samples were independent, a profile gives most weight to what is wide,
which grain is as well; in the grain's own terms what is narrow counts for more. On sharp photos places of faint creases
come out half again to twice as near.

Source: generalised least squares (Aitken, Proc. R. Soc. Edinburgh 55 (1936) 42 [from memory]); grain alike everywhere,
so that its covariance depends on the distance of two samples alone, tapered where few pairs tell of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import BoolArray, IntArray
from foldtrue.subpixel import group_mean

LEAST_BLOCKS = 3
"""Blocks that a line must have for what they scatter about their mean to tell of the grain."""
USUAL = 2.0
"""Blocks that scatter so many times as far as the median one show something else."""
REACH = 0.6
"""Share of a profile beyond which samples are taken for independent."""
FLOOR = 0.03
"""No combination of samples is taken to be steadier than this, of one sample's variance: covariances are not known so
well, and light between pixels is interpolated."""


@dataclass(frozen=True)
class Grain:
    """cov (N, N): covariance of the samples of a block's profile where nothing is planned, relative light, squared;
    inverse (N, N) of it; root, unroot (N, N): symmetric, a profile times root has independent samples of variance 1,
    and times unroot it is itself again."""

    cov: Array
    inverse: Array
    root: Array
    unroot: Array

    def free_of_even(self) -> Array:
        """(N, N): the inverse, but that even light, level or sloping, counts for nothing."""
        count = len(self.cov)
        even = np.stack([np.ones(count), np.linspace(-1, 1, count)], 1)
        of_even = self.inverse @ even
        return np.asarray(self.inverse - of_even @ np.linalg.inv(even.T @ of_even) @ of_even.T)


def grain_of(profile: Array, line: IntArray, use: BoolArray, lines: int) -> Grain:
    """The grain in relative profiles (B, N), from how those in use (B,) scatter about the mean of their line (B,)."""
    count = profile.shape[1]
    number = np.bincount(line[use], minlength=lines)
    rows = np.flatnonzero(use & (number[line] >= LEAST_BLOCKS))
    if not len(rows):
        return _grain(np.identity(count))
    rest = profile[rows] - group_mean(profile[rows], line[rows], lines)[line[rows]]
    rest *= np.sqrt(number / np.maximum(number - 1.0, 1.0))[line[rows], None]
    size = np.sqrt(np.mean(rest**2, 1))
    rest = rest[size <= USUAL * np.median(size)]
    return _grain(_alike_everywhere(rest.T @ rest / len(rest)))


def _alike_everywhere(cov: Array) -> Array:
    """The covariance (N, N) that depends on the distance of two samples alone."""
    count = len(cov)
    away = np.arange(count)
    mean = np.array([np.mean(np.diagonal(cov, k)) for k in away])
    mean *= np.cos(0.5 * np.pi * np.minimum(away / (REACH * count), 1.0))
    return np.asarray(mean[np.abs(away[:, None] - away)])


def _grain(cov: Array) -> Grain:
    value, axes = np.linalg.eigh(cov)
    value = np.maximum(value, FLOOR * max(float(np.mean(np.diagonal(cov))), 1e-18))
    made = [(axes * value**power) @ axes.T for power in (1.0, -1.0, -0.5, 0.5)]
    return Grain(*made)

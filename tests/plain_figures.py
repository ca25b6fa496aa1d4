"""Figures to be judged, from nothing but a value and its standard uncertainty."""

from __future__ import annotations

from foldtrue.handover_judge import Figure
from foldtrue.measured import COVERAGE_95


def scalar(value, std):
    """A turn, deg."""
    return Figure("twist_angle", "t0", "deg", value, std, COVERAGE_95 * std)


def length(size, std):
    """A position error of that length, its uncertainty round, mm."""
    return Figure("twist_position", "t0", "mm", size, std, 2.4477 * std, vector=(size, 0.0))

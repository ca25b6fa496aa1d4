"""The pooled standard deviation against a published table, and repeatability from drawn photos."""

from __future__ import annotations

import numpy as np
import pytest

from foldtrue.pool.combine import combine
from foldtrue.pool.repeat import pooled_std, scatter

GAUGE_STUDY = """
.29 .41 .64 .08 .25 .07 .04 -.11 -.15
-.56 -.68 -.58 -.47 -1.22 -.68 -1.38 -1.13 -.96
1.34 1.17 1.27 1.19 .94 1.34 .88 1.09 .67
.47 .50 .64 .01 1.03 .20 .14 .20 .11
-.80 -.92 -.84 -.56 -1.20 -1.28 -1.46 -1.07 -1.45
.02 -.11 -.21 -.20 .22 .06 -.29 -.67 -.49
.59 .75 .66 .47 .55 .83 .02 .01 .21
-.31 -.20 -.17 -.63 .08 -.34 -.46 -.56 -.49
2.26 1.99 2.01 1.80 2.12 2.19 1.77 1.45 1.87
-1.36 -1.25 -1.31 -1.68 -1.62 -1.50 -1.49 -1.77 -2.16
"""
"""Gauge study of AIAG, Measurement Systems Analysis, 4th edition: 10 parts (rows), 3 operators with 3 trials each."""


def gauge_study():
    values = np.array([[float(v) for v in row.split()] for row in GAUGE_STUDY.strip().splitlines()])
    part, operator = np.indices(values.shape)
    return values, part, operator // 3


def test_trials_within_parts_and_operators_scatter_as_published():
    """The same reference: equipment variation with the interaction kept, 0.214435."""
    values, part, operator = gauge_study()
    std, freedoms = pooled_std(values.ravel(), (3 * part + operator).ravel())
    assert (round(std, 6), freedoms) == (0.214435, 60)


def test_what_is_taken_out_of_all_values_together_costs_its_freedoms():
    """The same reference: equipment variation with the interaction pooled, 0.199933; here the operators' offsets are
    taken out as the photos' fits are."""
    values, part, operator = gauge_study()
    offset = np.array([values[operator == k].mean() for k in range(3)])
    std, freedoms = pooled_std((values - offset[operator]).ravel(), part.ravel(), spent=2)
    assert (round(std, 6), freedoms) == (0.199933, 78)


def test_without_a_second_value_there_is_no_scatter():
    std, freedoms = pooled_std(np.array([1.0, 2.0]), np.array([0, 1]))
    assert np.isnan(std)
    assert freedoms == 0


def test_drawn_noise_comes_out_as_repeatability(maker):
    """120 draws of three photos with even noise: the mean square is right within three of its own deviations, which it
    is not where the freedoms of the fits are not counted (8 x 2 of 96)."""
    made = maker(2)
    cov = np.diag(np.tile([0.03, 0.03, 0.1], made.twists) ** 2)
    squares = []
    for _ in range(120):
        piece = made.piece()
        photos = [made.photo(piece, cov) for _ in range(3)]
        found = scatter(photos, combine(photos, made.design), made.design, made.nominal)
        assert (found[0][1], found[1][1]) == (96 - 16, 48 - 2)
        squares.append([found[0][0] ** 2, found[1][0] ** 2])
    mean = np.mean(squares, axis=0)
    slack = 3 * np.sqrt(2 / (120 * np.array([80, 46])))
    assert mean == pytest.approx([0.03**2, 0.1**2], rel=slack.max())

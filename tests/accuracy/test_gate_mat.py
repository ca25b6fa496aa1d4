"""The reduced accuracy gate of the mat: two sizes and one lens, within the project's targets for them."""

from __future__ import annotations

import pytest
from mat import lens, sized


def test_sizes_by_the_mat_are_within_their_interval_and_the_target():
    """0.05 % is the target of the RMS, and two photos are no RMS: twice that for each."""
    for seed in (1, 2):
        one = sized(seed)
        assert abs(one.error) < 0.001
        assert abs(one.error) < 3 * one.std


@pytest.mark.accuracy
def test_a_wide_lens_is_told_better_than_by_calibrating_on_the_detectors_corners():
    found = lens(-0.12, 3)
    assert found.worst_px < 0.2
    assert found.ours_px < found.theirs_px

"""Claim: a process killed at any moment loses nothing that was confirmed (docs/record.md). 300 recordings."""

from __future__ import annotations

import pytest
from killing import record_under_fire


@pytest.mark.accuracy
def test_300_recordings_under_fire(tmp_path):
    assert record_under_fire(tmp_path / "record.db", 300, seed=1) >= 20

from __future__ import annotations

import pytest

from foldtrue.record.store import Record


@pytest.fixture
def place(tmp_path):
    return tmp_path / "record.db"


@pytest.fixture
def record(place):
    with Record(place, create=True) as kept:
        yield kept

"""Made-up photos of made-up pieces."""

from __future__ import annotations

import pytest
from made_photos import Maker
from panels import folded_panel


@pytest.fixture
def maker():
    """maker(seed) draws photos of a panel of spacing 3."""
    return lambda seed=1, spacing=3: Maker(folded_panel(spacing, {2: 16, 3: 24}[spacing]), seed)

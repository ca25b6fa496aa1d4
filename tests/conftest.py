"""What many tests share: a photo-like picture, and writers of picture files."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray


@pytest.fixture
def picture() -> NDArray[np.uint8]:
    """(120, 200, 3): smooth, never square, no symmetry, so that any turn or mirror shows."""
    y, x = np.mgrid[0:120, 0:200]
    return np.stack([x, 2 * y, 60 + x // 2 + y // 3], axis=2).astype(np.uint8)

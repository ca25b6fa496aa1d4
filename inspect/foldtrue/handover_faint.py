"""Edges that hardly show: where all others have them, and what the photo says of them there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from foldtrue.frames import Array

IntArray = NDArray[np.integer[Any]]


@dataclass(frozen=True)
class ExpectedLines:
    """Where an adjusted network puts creases (F,), as straight lines in the frame of the plane it was measured in.

    crease: (F,) index; offset_mm, slope_mm: (F,) at the middle and from end to end, along the left normal; cov_mm2:
    (2 F, 2 F) of both in turn, of all creases together.
    """

    crease: IntArray
    offset_mm: Array
    slope_mm: Array
    cov_mm2: Array


@dataclass(frozen=True)
class FaintLines:
    """What the photo says of edges (F,) that do not stand out by themselves, apart from what was expected of them.

    stretch: (F,) the first of the view each lies on; t_mid: (F,) place between the crease's ends at which offset_mm and
    slope_mm (per unit t) are independent of each other; their stds, large where the photo leaves one open.
    """

    stretch: IntArray
    t_mid: Array
    offset_mm: Array
    offset_std_mm: Array
    slope_mm: Array
    slope_std_mm: Array

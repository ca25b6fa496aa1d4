"""What shows against the light where the plan lays two folds on one line, their papers on opposite sides of it.

Where both lie as planned their steps cancel and nothing shows. Where they lie apart a bright sliver shows with two
layers fewer than beside it; where they overlap, a dark one with two layers more.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from foldtrue.frames import Array

IntArray = NDArray[np.integer[Any]]
BoolArray = NDArray[np.bool_]


WIDEST = 3.0
"""Width of the widest sliver that is told by its light, in blurs: a wider one has two edges."""


@dataclass(frozen=True)
class Slivers:
    """Line arrays (G): creases (G, 2), the two that lie on the line; sense: +1 where the first one's paper lies to its
    left in the folded frame, else -1; layers: beside the sliver, on either side; open, lapped: light in the sliver over
    that beside it, less one, where two layers are missing (> 0) and where two are added (< 0), as the photo's other
    levels let expect; resolved: whether it is wide enough that its two edges tell its width, and not its light, which
    is then taken to be as expected. blur_mm: of the photo's edges.

    Sample arrays (M): line (M,) index; t on the first crease; area_mm: height of the sliver's light over that beside
    it, relative to it, times its width (> 0 bright); area_std_mm from the pixels' noise, inf where none can be told;
    middle_mm: of the sliver, from the planned line along the left normal of the first crease; middle_std_mm, inf where
    the sliver is too faint to have a place; piece: number of the undisturbed piece between crossings.
    """

    creases: IntArray
    sense: Array
    layers: IntArray
    resolved: BoolArray
    blur_mm: float
    open: Array
    lapped: Array
    line: IntArray
    t: Array
    area_mm: Array
    area_std_mm: Array
    middle_mm: Array
    middle_std_mm: Array
    piece: IntArray

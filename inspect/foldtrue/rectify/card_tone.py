"""Whether four sides bound one thing: a card has one tone along its rim, another than the table's.

Edges of a stripe, sides of a card and the grain of a table may stand as a card's sides do; their insides differ from
each other by as much as from what lies outside.
"""

from __future__ import annotations

import numpy as np

from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import Photo
from foldtrue.rectify.sides import Sides

_NEAR_MM, _FAR_MM = 1.0, 2.5
"""Strip beside a side that is compared: clear of its blur, wall and most of its shadow."""
_ALONG, _DEEP = 60, 4
_CORNER = 0.15
"""Share of a side left out at both ends."""
_DARKEST = 0.01
"""Light is told from darkness down to this share of full scale."""


def one_tone(photo: Photo, plane_map: PlaneMap, sides: Sides) -> bool:
    """Whether every seen side is crossed by a larger step of colour than its inside is off that of the four.

    Colours are logarithms of linear red, green and blue, medians of a strip, so that print along less than half of a
    side counts for nothing and the same share of light is the same step on bright and dark cards.
    """
    inside, outside = (_beside(photo, plane_map, sides, way) for way in (1.0, -1.0))
    seen = sides.seen & np.isfinite(inside).all(1) & np.isfinite(outside).all(1)
    if not seen.any():  # nothing beside it is in the picture to compare with
        return True
    common = np.median(inside[seen], 0)
    off, step = (np.hypot.reduce(apart, axis=1) for apart in (inside - common, inside - outside))
    return bool(np.all(off[seen] < step[seen]))


def _beside(photo: Photo, plane_map: PlaneMap, sides: Sides, way: float) -> Array:
    """(4, 3) colours of the strips inside (way 1) or outside (-1) of the sides; nan where one is out of the picture."""
    start = sides.corners_mm
    ahead = np.roll(start, -1, 0) - start
    to_middle = start.mean(0) - (start + 0.5 * ahead)
    across = np.stack([-ahead[:, 1], ahead[:, 0]], 1) / np.hypot(*ahead.T)[:, None]
    across *= np.sign(np.sum(across * to_middle, 1))[:, None] * way
    along = np.linspace(_CORNER, 1 - _CORNER, _ALONG)
    deep = np.linspace(_NEAR_MM, _FAR_MM, _DEEP)
    at = start[:, None, None] + along[:, None, None] * ahead[:, None, None] + deep[:, None] * across[:, None, None]
    px = np.rint(plane_map.to_px(at.reshape(-1, 2))).astype(np.int64)
    height, width = photo.pixels.shape[:2]
    there = np.all((px >= 0) & (px < [width, height]), axis=1)
    x, y = np.where(there[:, None], px, 0).T
    colour = np.log(photo.linear[photo.pixels[y, x]] + _DARKEST).astype(float)
    colour[~there] = np.nan
    strips = colour.reshape(4, -1, 3)
    share = np.isfinite(strips[..., 0]).mean(1)
    return np.stack([np.nanmedian(s, 0) if p > 0.5 else np.full(3, np.nan) for s, p in zip(strips, share, strict=True)])

"""One twist: the polygon that turns and the pleats that run away from it.

Construction (design of the plan geometry, docs/plan-file.md): side k of the polygon starts at tip k, where the mountain
line of pleat k begins, and makes the same angle alpha with that pleat's direction at every pleat, turning with the
hand. Its far end, tip k+1, lies on the pleat's valley line; so the pleat is side * sin(alpha) wide, and the polygon
closes whenever the pleats' directions add up to zero.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

from foldtrue.plan.grid import Site, unit

# kind -> (pleat directions in degrees, alpha in degrees, side / pleat width = 1 / sin(alpha))
_SHAPES = {
    "triangle": ((0, 120, 240), 150, 2.0),
    "hexagon": ((0, 60, 120, 180, 240, 300), 120, 2 / sqrt(3)),
    "rhombus": ((0, 60, 180, 240), 150, 2.0),
    "open-hexagon": ((0, 60, 120, 180, 240, 300), 150, 2.0),
}


@dataclass(frozen=True)
class Pleat:
    """A pleat as one twist sees it.

    direction_deg: outward, a multiple of 60. mountain, valley: the tips its two lines start from (sheet mm). hand: the
    valley line lies on the left of the mountain line, looking outward, when +1.
    """

    twist: int
    direction_deg: int
    mountain: complex
    valley: complex
    hand: int
    width_mm: float

    @property
    def axis_deg(self) -> int:
        return self.direction_deg % 180


@dataclass(frozen=True)
class TwistShape:
    """A twist laid out on the sheet: tips in mm, in hand order, and pleat k between tips k and k+1."""

    site: Site
    tips: tuple[complex, ...]
    pleats: tuple[Pleat, ...]


def lay_out_twist(index: int, site: Site) -> TwistShape:
    """Tips and pleats of a twist from its place, kind, turn, hand and width."""
    directions, alpha, ratio = _SHAPES[site.kind]
    turned = [(d + 60 * site.turn) % 360 for d in directions]
    order = turned if site.hand > 0 else [turned[0], *turned[:0:-1]]
    side = ratio * site.width_mm
    corners = [0j]
    for d in order[:-1]:
        corners.append(corners[-1] + side * unit(d + site.hand * alpha))
    shift = site.centre - sum(corners) / len(corners)
    tips = tuple(c + shift for c in corners)
    n = len(tips)
    pleats = tuple(Pleat(index, d, tips[k], tips[(k + 1) % n], site.hand, site.width_mm) for k, d in enumerate(order))
    return TwistShape(site, tips, pleats)

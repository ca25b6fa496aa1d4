"""Which facet lies above which, wherever facets overlap in the planned folded state.

The rule (seen from the front): twist polygons on top; along a pleat, from the top, the cell on its mountain side, the
pleat's facet, the cell on its valley side. The order of cells goes round in circles, so it is settled point by point.
"""

from __future__ import annotations

import numpy as np
from honeycomb import CELL, PLEAT, TWIST, Folding


def outlines(folding: Folding) -> list[np.ndarray]:
    """Planned folded outline of every facet, (n, 2) mm, counter-clockwise in the folded frame."""
    loops = [folding.folded_mm[list(loop)] for loop in folding.facets]
    return [loop[::-1] if back else loop for loop, back in zip(loops, folding.turned, strict=True)]


def depth_inside(outline: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Distance (N,) mm of points (N, 2) from the nearest side of a convex outline, negative outside."""
    start, d = outline, np.roll(outline, -1, axis=0) - outline
    d = d / np.hypot(d[:, 0], d[:, 1])[:, None]
    to = points[:, None] - start[None]
    return (d[None, :, 0] * to[..., 1] - d[None, :, 1] * to[..., 0]).min(axis=1)


def relations(folding: Folding) -> set[tuple[int, int]]:
    """(upper, lower) pairs known from the rule."""
    known = {(c.over, c.under) for c in folding.creases}
    valley = {c.over: set(c.ends) for c in folding.creases if not c.mountain}
    cells = [f for f, kind in enumerate(folding.kinds) if kind == CELL]
    for pleat, kind in enumerate(folding.kinds):
        if kind != PLEAT or any(folding.kinds[up] == CELL and low == pleat for up, low in known):
            continue  # where the mountain crease has no length, the cell beyond it touches the pleat in one tip
        apex = set(folding.facets[pleat]) - valley.get(pleat, set())
        known |= {(c, pleat) for c in cells if apex & set(folding.facets[c]) and (pleat, c) not in known}
    return known


def order(present: list[int], folding: Folding, known: set[tuple[int, int]]) -> list[int]:
    """The facets at one point, from the top down. Raises ValueError if the rule does not settle it."""
    twists = [f for f in present if folding.kinds[f] == TWIST]
    rest, stack = [f for f in present if f not in twists], twists
    while rest:
        top = [f for f in rest if not any((g, f) in known for g in rest)]
        if len(top) != 1:
            raise ValueError(f"no order for {[folding.kinds[f] for f in present]}")
        stack = [*stack, top[0]]
        rest.remove(top[0])
    return stack


def stacks(folding: Folding, points: np.ndarray, inside_mm: float = 0.02) -> list[list[int]]:
    """The facets at each of points (N, 2), from the top down; a facet counts from `inside_mm` within its outline."""
    inside = np.array([depth_inside(o, points) > inside_mm for o in outlines(folding)])
    known, done = relations(folding), {}
    result = []
    for column in inside.T:
        present = tuple(int(f) for f in np.nonzero(column)[0])
        if present not in done:
            done[present] = order(list(present), folding, known)
        result.append(done[present])
    return result

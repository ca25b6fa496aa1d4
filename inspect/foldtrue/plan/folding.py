"""Real folding: every facet reflected across its crease, breadth-first from a cell that keeps its orientation."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from foldtrue.errors import PlanError
from foldtrue.frames import Array
from foldtrue.plan.pattern import POINT_TOLERANCE, Pattern
from foldtrue.plan.planar import Points


@dataclass(frozen=True)
class Folded:
    """Where everything lands. Motion of facet f: z -> turn[f] * z + shift[f], with conj(z) for z where turned[f].

    turn, shift: (F,) complex; turned: (F,) bool; vertices: (V,) complex, mm, folded frame. mismatch_mm: the largest
    distance between the places that two neighbouring facets give to one end of their crease.
    """

    turn: Points
    shift: Points
    turned: np.ndarray
    vertices: Points
    mismatch_mm: float

    def move(self, facet: np.ndarray | int, points: Points) -> Points:
        """Carry sheet points (N,) with the given facet or facets (N,)."""
        mirrored = np.where(self.turned[facet], points.conj(), points)
        return np.asarray(self.turn[facet] * mirrored + self.shift[facet])

    def motion(self, facet: int) -> Array:
        """(2, 3) matrix, sheet mm -> folded mm."""
        a, b = self.turn[facet].real, self.turn[facet].imag
        s = self.shift[facet]
        f = -1.0 if self.turned[facet] else 1.0
        return np.array([[a, -f * b, s.real], [b, f * a, s.imag]])


def fold_pattern(pattern: Pattern) -> Folded:
    """Fold the crease pattern flat; origin = folded position of the sheet's centre, axes those of the cells.

    Raises PlanError when the facets do not close around every vertex (mismatch above 1e-9 of the sheet's size).
    """
    turn, shift, turned = _motions(pattern)
    folds = np.array([k != "R" for k in pattern.kind])
    state = Folded(turn, shift, turned, pattern.vertices, 0.0)
    centre = state.move(facet_at(pattern, 0j), np.zeros(1, complex))[0]
    state = Folded(turn, shift - centre, turned, pattern.vertices, 0.0)
    ends = pattern.ends[folds]
    left, right = pattern.facets[folds].T
    gaps = [state.move(left, pattern.vertices[end]) - state.move(right, pattern.vertices[end]) for end in ends.T]
    gap = np.maximum(*np.abs(gaps))
    if gap.max() > POINT_TOLERANCE * pattern.size_mm:
        owners = pattern.owners[int(np.flatnonzero(folds)[gap.argmax()])]
        names = pattern.names(owners)
        what = f"The paper does not close when folded, by {gap.max():.3g} mm at {' and '.join(names)}."
        raise PlanError(what, "Move these twists.", names)
    facet_of = np.empty(len(pattern.vertices), np.int64)
    for f, patch in enumerate(pattern.patches):
        facet_of[pattern.ends.reshape(-1)[list(patch.loop)]] = f
    return Folded(turn, state.shift, turned, state.move(facet_of, pattern.vertices), float(gap.max()))


def _motions(pattern: Pattern) -> tuple[Points, Points, np.ndarray]:
    """Motion of every facet, composed of reflections in the creases on the way from the first cell."""
    start, stop = pattern.vertices[pattern.ends].T
    along = (stop - start) / np.abs(stop - start)
    mirror_turn = (along * along).tolist()
    mirror_shift = (start - along * along * start.conj()).tolist()
    count = len(pattern.patches)
    turn, shift, turned = [0j] * count, [0j] * count, [False] * count
    root = next(f for f, patch in enumerate(pattern.patches) if patch.kind == "cell")
    turn[root] = 1 + 0j
    facets = pattern.facets.tolist()
    queue = deque([root])
    while queue:
        f = queue.popleft()
        for half_edge in pattern.patches[f].loop:
            crease = half_edge // 2
            other = facets[crease][1 - half_edge % 2]
            if other < 0 or turn[other]:
                continue
            c, t = mirror_turn[crease], mirror_shift[crease]
            if turned[f]:
                c, t = c.conjugate(), t.conjugate()
            turn[other], shift[other], turned[other] = turn[f] * c, turn[f] * t + shift[f], not turned[f]
            queue.append(other)
    return np.array(turn), np.array(shift), np.array(turned)


def facet_at(pattern: Pattern, point: complex) -> int:
    """The first facet that holds a point of the sheet, its sides included (all facets are convex)."""
    start = pattern.vertices[pattern.ends.reshape(-1)] - point
    stop = pattern.vertices[pattern.ends[:, ::-1].reshape(-1)] - point
    inside = (start.conj() * stop).imag >= -POINT_TOLERANCE * pattern.size_mm**2
    return next(f for f, patch in enumerate(pattern.patches) if inside[list(patch.loop)].all())

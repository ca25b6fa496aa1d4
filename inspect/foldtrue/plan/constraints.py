"""What forbids one facet to lie over another: the conditions on a layer order, as clauses over pairs.

For every pair of facets that overlap somewhere there is one question, which of them is nearer to the front viewer. The
answers must
- follow each crease's sense (a mountain puts the facet that shows its front over the one that shows its back),
- never let a facet that runs on past a fold lie between the two facets folded there,
- never let two folds on one line, open to one side, cross each other,
- never go round in a circle among three facets that share a place.
These are Justin's non-crossing conditions (J. Justin, Towards a mathematical theory of origami, 1997 [from memory]).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations

from foldtrue.plan.overlay import Overlay
from foldtrue.plan.pattern import Pattern

# A literal is 2 * variable, plus 1 when negated. Variable 0 is the constant 'true'.
TRUE, FALSE = 0, 1


@dataclass(frozen=True)
class Question:
    """Pairs of overlapping facets and what is asked of them.

    pairs: (i, j) with i < j for variable 1, 2, ...; its truth means i over j (front view). known: literals that the
    creases' senses fix. equal: pairs of literals with the same truth. clauses: at least one of three literals holds.
    """

    pairs: tuple[tuple[int, int], ...]
    known: tuple[int, ...]
    equal: tuple[tuple[int, int], ...]
    clauses: tuple[tuple[int, int, int], ...]


class _Pairs:
    """Numbers the pairs of facets in order of first use."""

    def __init__(self) -> None:
        self.number: dict[tuple[int, int], int] = {}

    def over(self, a: int, b: int) -> int:
        """The literal 'a over b'."""
        if a < b:
            return 2 * self.number.setdefault((a, b), len(self.number) + 1)
        return 2 * self.number.setdefault((b, a), len(self.number) + 1) + 1


def ask_layer_order(pattern: Pattern, overlay: Overlay, turned: Iterable[bool]) -> Question:
    """Collect all conditions on the order of overlapping facets.

    turned: (F,) whether a facet shows its back to the front viewer.
    """
    pairs = _Pairs()
    stacks = sorted({tuple(sorted(layers)) for layers in overlay.layers if layers})
    for stack in stacks:
        for a, b in combinations(stack, 2):
            pairs.over(a, b)
    folds = _folds(pattern, list(turned))
    known = [pairs.over(upper, lower) for upper, lower in folds.values()]
    equal: set[tuple[int, int]] = set()
    clauses: set[tuple[int, int, int]] = set()
    for stack in stacks:
        for a, b, c in combinations(stack, 3):
            ab, bc, ca = pairs.over(a, b), pairs.over(b, c), pairs.over(c, a)
            clauses.add((ab, bc, ca))
            clauses.add((ab ^ 1, bc ^ 1, ca ^ 1))
    for here, running in _places(pattern, overlay):
        for crease in here:
            a, b = folds[crease]
            equal.update((pairs.over(a, c), pairs.over(b, c)) for c in running)
        for first, second in combinations(here, 2):
            clauses.update(_uncrossed(pairs, folds[first], folds[second]))
    return Question(tuple(pairs.number), tuple(known), tuple(sorted(equal)), tuple(sorted(clauses)))


def _places(pattern: Pattern, overlay: Overlay) -> set[tuple[tuple[int, ...], tuple[int, ...]]]:
    """Along every short edge and each side of it: the folds that open to that side, and the facets that run across."""
    on_edge: dict[int, list[int]] = defaultdict(list)
    for crease, edge in zip(overlay.cover_crease.tolist(), overlay.cover_edge.tolist(), strict=True):
        if pattern.kind[crease] != "R":
            on_edge[edge].append(crease)
    facet = pattern.facets[:, 0].tolist()
    places = set()
    for edge, creases in on_edge.items():
        left, right = (overlay.layers[side[edge]] for side in (overlay.region_left, overlay.region_right))
        running = tuple(sorted(left & right))
        for layers in (left, right):
            folds = tuple(crease for crease in creases if facet[crease] in layers)
            if folds:
                places.add((folds, running))
    return places


def _folds(pattern: Pattern, shows_back: list[bool]) -> dict[int, tuple[int, int]]:
    """Upper and lower facet of every fold, as its sense says."""
    folds = {}
    for crease, ((a, b), sense) in enumerate(zip(pattern.facets.tolist(), pattern.kind, strict=True)):
        if sense != "R":
            front, back = (b, a) if shows_back[a] else (a, b)
            folds[crease] = (front, back) if sense == "M" else (back, front)
    return folds


def _uncrossed(pairs: _Pairs, first: tuple[int, int], second: tuple[int, int]) -> list[tuple[int, int, int]]:
    """Clauses for two folds (upper, lower) on one line that open to the same side.

    They cross when, from the top, the upper facet of one, the upper of the other, the lower of the one and the lower of
    the other follow each other.
    """
    return [
        (pairs.over(c, a), pairs.over(b, c), pairs.over(d, b)) for (a, b), (c, d) in ((first, second), (second, first))
    ]

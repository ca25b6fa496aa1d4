"""The layers over every region of the folded piece, from the top down, and what they make visible along each edge."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from foldtrue.handover import IntArray
from foldtrue.plan.overlay import Overlay

Stack = tuple[int, ...]


def sort_stacks(overlay: Overlay, above: IntArray) -> list[Stack]:
    """Facets over each region from the front viewer's side down; () outside.

    above: (P, 2), the first facet of each pair over the second.
    """
    over = set(map(tuple, above.tolist()))
    known: dict[frozenset[int], Stack] = {}
    stacks = []
    for layers in overlay.layers:
        if layers not in known:
            beneath = {f: sum((f, g) in over for g in layers) for f in layers}
            known[layers] = tuple(sorted(layers, key=lambda f: -beneath[f]))
        stacks.append(known[layers])
    return stacks


def steps(overlay: Overlay, stacks: Sequence[Stack]) -> tuple[IntArray, list[frozenset[int]]]:
    """What the viewer of the stacks' tops sees along each short edge.

    Returns raised (E,): +1 the paper on the left of the edge lies on top, -1 the reverse, 0 no step (nothing to see, or
    two facets of one level that meet in a groove); and the facets that visibly end there, none where nothing shows.
    The level of each side is the number of facets over the highest one that runs on beneath both.
    """
    raised = np.zeros(len(overlay.ends), np.int64)
    ending: list[frozenset[int]] = []
    known: dict[tuple[Stack, Stack], tuple[int, frozenset[int]]] = {}
    for e, (a, b) in enumerate(zip(overlay.region_left.tolist(), overlay.region_right.tolist(), strict=True)):
        pair = (stacks[a], stacks[b])
        if pair not in known:
            known[pair] = _step(*pair)
        raised[e], seen = known[pair]
        ending.append(seen)
    return raised, ending


def _step(left: Stack, right: Stack) -> tuple[int, frozenset[int]]:
    if left[:1] == right[:1]:
        return 0, frozenset()
    rise = _level(left, right) - _level(right, left)
    tops = (left[:1] if rise >= 0 else ()) + (right[:1] if rise <= 0 else ())
    return (rise > 0) - (rise < 0), frozenset(tops)


def _level(stack: Stack, beyond: Iterable[int]) -> int:
    running_on = set(beyond)
    return next((k for k, facet in enumerate(stack) if facet in running_on), len(stack))

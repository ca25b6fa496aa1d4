"""Which facet lies over which: a layer order that satisfies all conditions, or the refusal of the plan.

The order is pairwise. One bottom-to-top order of all facets need not exist: that of the cells goes round in circles.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Iterable, Sequence
from typing import NoReturn

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from foldtrue.errors import PlanError
from foldtrue.frames import Array
from foldtrue.handover import IntArray
from foldtrue.plan.constraints import TRUE, Question, ask_layer_order
from foldtrue.plan.folding import Folded
from foldtrue.plan.overlay import Overlay
from foldtrue.plan.pattern import Pattern
from foldtrue.plan.solver import HOLDS, Solver, Undecided, Unsolvable

_ADVICE = "Move these twists further apart, or change their hands."


def order_layers(pattern: Pattern, folded: Folded, overlay: Overlay) -> IntArray:
    """Pairs of overlapping facets (P, 2), the first over the second in front view.

    Where the conditions leave a choice, twist polygons come to the front, those with more corners first, then the
    facets nearer to the sheet's centre: a choice that keeps the plan's symmetry, not a law.
    Raises PlanError with the twists where a contradiction showed.
    """
    question = ask_layer_order(pattern, overlay, folded.turned.tolist())
    merged = _merge_equal(pattern, question)
    count = int(merged.max()) // 2 + 1
    origin: dict[tuple[int, ...], tuple[int, ...]] = {}
    for clause in question.clauses:
        origin.setdefault(tuple(sorted(int(merged[p]) for p in clause)), clause)
    clauses = [(a, b, c) for a, b, c in origin]
    solver = Solver(count, clauses)
    votes = _votes(pattern, question, merged, count)
    try:
        solver.solve(_groups(clauses, votes, int(merged[TRUE])), [int(merged[TRUE])])
    except Unsolvable as fault:
        original = origin.get(tuple(sorted(fault.literals)), ())
        _refuse(pattern, question, [p // 2 for p in original])
    except Undecided:
        raise PlanError("No layer order was found for this plan in reasonable time.", _ADVICE) from None
    holds = np.array([solver.value[p] == HOLDS for p in merged[2::2].tolist()])
    pairs = np.array(question.pairs, np.int64)
    return np.where(holds[:, None], pairs, pairs[:, ::-1])


def _merge_equal(pattern: Pattern, question: Question) -> IntArray:
    """One variable for all pairs that must be answered alike: old literal -> new literal, (2 + 2 P,)."""
    same = np.array([*question.equal, *((p, TRUE) for p in question.known)], np.int64)
    size = 2 * len(question.pairs) + 2
    links = np.concatenate([same, same ^ 1])
    graph = coo_matrix((np.ones(len(links), np.int8), (links[:, 0], links[:, 1])), shape=(size, size))
    _, label = connected_components(graph, directed=False)
    both = np.flatnonzero(label[0::2] == label[1::2])
    if len(both):
        _refuse(pattern, question, _chain(links, 2 * int(both[0])))
    first = np.minimum(label[0::2], label[1::2])
    _, variable = np.unique(first, return_inverse=True)
    return np.asarray(2 * np.repeat(variable.reshape(-1), 2) + (label != np.repeat(first, 2)), np.int64)


def _chain(links: IntArray, start: int) -> list[int]:
    """Variables on a shortest chain of equalities from a literal to its own opposite."""
    beside = defaultdict(list)
    for a, b in links.tolist():
        beside[a].append(b)
        beside[b].append(a)
    came_from = {start: start}
    queue = deque([start])
    while start ^ 1 not in came_from:
        here = queue.popleft()
        for there in beside[here]:
            if there not in came_from:
                came_from[there] = here
                queue.append(there)
    chain = [start ^ 1]
    while chain[-1] != start:
        chain.append(came_from[chain[-1]])
    return [p // 2 for p in chain]


def _refuse(pattern: Pattern, question: Question, variables: Iterable[int]) -> NoReturn:
    """Raise the refusal, naming the twists whose facets are in the pairs at fault."""
    facets = {f for v in variables if v > 0 for f in question.pairs[v - 1]}
    owners = [t for f in facets for t in pattern.patches[f].twists]
    names = pattern.names(owners)
    raise PlanError(
        f"It passes every local rule but cannot be folded flat: the layers of {', '.join(names)} would have to pass "
        "through each other.",
        _ADVICE,
        names,
    )


def _votes(pattern: Pattern, question: Question, merged: IntArray, count: int) -> Array:
    """How strongly each new variable is wanted to hold (count,): see order_layers for what is preferred."""
    corners = np.array([len(patch.loop) if patch.kind == "twist" else 0 for patch in pattern.patches])
    start = pattern.vertices[pattern.ends.reshape(-1)]
    middle = np.array([start[list(patch.loop)].mean() for patch in pattern.patches]) / pattern.size_mm
    i, j = np.array(question.pairs, np.int64).T
    polygon = np.sign(corners[i] - corners[j])
    nearer = np.abs(middle[j]) - np.abs(middle[i])
    onward = (middle[j].conj() * middle[i]).imag
    both_twists = (corners[i] > 0) & (corners[j] > 0)
    vote = polygon * np.where(both_twists, 1e6, 1e3) + nearer + 1e-3 * onward
    new = merged[2::2]
    return np.asarray(np.bincount(new // 2, vote * (1 - 2 * (new % 2)), minlength=count), float)


def _groups(clauses: Sequence[tuple[int, ...]], votes: Array, constant: int) -> list[list[int]]:
    """Literals to try, strongest wish first, in groups that share no clause."""
    count = len(votes)
    links = np.array([pair for c in clauses for pair in ((c[0] // 2, c[1] // 2), (c[0] // 2, c[2] // 2))], np.int64)
    links = links.reshape(-1, 2)
    links = links[(links != constant // 2).all(1)]
    graph = coo_matrix((np.ones(len(links), np.int8), (links[:, 0], links[:, 1])), shape=(count, count))
    number, label = connected_components(graph, directed=False)
    groups: list[list[int]] = [[] for _ in range(number)]
    for variable in np.lexsort((np.arange(count), -np.abs(votes))).tolist():
        groups[label[variable]].append(2 * variable + int(votes[variable] < 0))
    return groups

"""A small search for truth values under clauses of three literals.

Literals: 2 * variable, plus 1 when negated. Everything that follows from a value is drawn at once; where nothing
follows, a value is tried and taken back if it leads to a contradiction. The layer orders of twist tessellations leave
few free variables, in small separate groups, so nothing cleverer is needed.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

UNKNOWN, HOLDS, FAILS = 0, 1, -1
MAX_CONFLICTS = 20_000


class Unsolvable(Exception):  # an outcome of the search, turned into a PlanError by its caller
    """No values satisfy all clauses; `literals` are those of a clause where that showed."""

    def __init__(self, literals: tuple[int, ...]) -> None:
        super().__init__(literals)
        self.literals = literals


class Undecided(Exception):
    """The search was given up after MAX_CONFLICTS contradictions."""


class Solver:
    """Values of `count` variables under clauses; value[literal] is UNKNOWN, HOLDS or FAILS."""

    def __init__(self, count: int, clauses: Iterable[tuple[int, int, int]]) -> None:
        self.value = [UNKNOWN] * (2 * count)
        self._trail: list[int] = []
        self._units: list[int] = []
        # follows[p]: pairs of literals one of which must hold once p holds
        self._follows: list[list[tuple[int, int]]] = [[] for _ in range(2 * count)]
        for clause in clauses:
            literals = tuple(dict.fromkeys(clause))
            if any(p ^ 1 in literals for p in literals):
                continue
            if len(literals) == 1:
                self._units.append(literals[0])
                continue
            for k, p in enumerate(literals):
                rest = literals[:k] + literals[k + 1 :]
                self._follows[p ^ 1].append((rest[0], rest[-1]))

    def solve(self, groups: Iterable[Sequence[int]], given: Sequence[int] = ()) -> None:
        """Give every variable a value.

        given: literals that hold. groups: literals to try first, one for each variable, variables that share no clause
        in different groups where possible: a contradiction in one is never sought in another.
        Raises Unsolvable, or Undecided when the search is given up.
        """
        self._assume([*given, *self._units])
        for group in groups:
            self._search(group)

    def _search(self, preferred: Sequence[int]) -> None:
        """Depth-first over one group; choices[k] = (length of the trail before it, its place in `preferred`)."""
        choices: list[tuple[int, int]] = []
        conflicts = 0
        place = 0
        while place < len(preferred):
            if self.value[preferred[place]] != UNKNOWN:
                place += 1
                continue
            choices.append((len(self._trail), place))
            attempt = preferred[place]
            while True:
                try:
                    self._assume([attempt])
                    break
                except Unsolvable:
                    conflicts += 1
                    if conflicts > MAX_CONFLICTS:
                        raise Undecided from None
                    if not choices:
                        raise
                    length, place = choices.pop()
                    self._undo(length)
                    attempt = preferred[place] ^ 1

    def _assume(self, literals: Iterable[int]) -> None:
        """Let the literals hold and draw all that follows. Raises Unsolvable on a contradiction."""
        value, trail = self.value, self._trail
        done = len(trail)
        for p in literals:
            if value[p] == FAILS:
                raise Unsolvable((p,))
            if value[p] == UNKNOWN:
                value[p], value[p ^ 1] = HOLDS, FAILS
                trail.append(p)
        while done < len(trail):
            p = trail[done]
            done += 1
            for q, r in self._follows[p]:
                if value[q] == HOLDS or value[r] == HOLDS:
                    continue
                if value[q] == FAILS and value[r] == FAILS:
                    raise Unsolvable((p ^ 1, q, r))
                if value[q] == FAILS or value[r] == FAILS or q == r:
                    forced = r if value[q] == FAILS else q
                    value[forced], value[forced ^ 1] = HOLDS, FAILS
                    trail.append(forced)

    def _undo(self, length: int) -> None:
        """Take back everything after the first `length` values."""
        while len(self._trail) > length:
            p = self._trail.pop()
            self.value[p] = self.value[p ^ 1] = UNKNOWN

"""Which of several photos show one piece, and how each is brought to one orientation of the plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from foldtrue.errors import FoldtrueError, NotThisPiece, PhotoTooPoor
from foldtrue.frames import Array
from foldtrue.handover import Nominal, Plane
from foldtrue.pool.combine import Reading
from foldtrue.pool.orient import Answer, Match, match
from foldtrue.pool.relabel import Relabelling, motions_alike

_STRANGE: tuple[Answer, ...] = ("other piece", "disagrees")

WHY: Mapping[Answer, tuple[str, str]] = {
    "other piece": (
        "shows another piece: its errors do not go with those of {}, whatever way it is turned.",
        "Measure every piece by itself.",
    ),
    "disagrees": (
        "disagrees with {} by more than the uncertainties allow: another piece, one that was bent since, or light that "
        "misleads.",
        "Compare their overlays, and take it again.",
    ),
    "orientation": (
        "may be turned against {}: the piece's errors are too small to tell which twist is which.",
        "Mark one corner, photograph the piece the same way up, and say so with --same-way-up.",
    ),
    "little in common": (
        "has too few measured twists in common with {}.",
        "Photograph the whole piece.",
    ),
}
"""What is said of a photo that does not go with another, and what helps."""


@dataclass(frozen=True)
class Family:
    """Photos of one piece. anchor: the one whose orientation the others are brought to; members: how, by number (the
    anchor among them); left: what the anchor says of each of the rest."""

    anchor: int
    members: Mapping[int, Relabelling]
    left: Mapping[int, Answer]

    @property
    def stands(self) -> bool:
        """Two photos or more that go together, and more than speak against them."""
        against = sum(answer in _STRANGE for answer in self.left.values())
        return len(self.members) >= 2 and len(self.members) > against

    def problem(self, names: Sequence[str]) -> FoldtrueError:
        """Why these photos give no figures of one piece."""
        answer = next(a for a in WHY if a in self.left.values())
        odd, *more = (names[k] for k, a in self.left.items() if a == answer)
        what, advice = WHY[answer]
        advice = f"The same holds for {', '.join(more)}. {advice}" if more else advice
        kind = NotThisPiece if answer == "other piece" else PhotoTooPoor
        return kind(f"{odd} {what.format(names[self.anchor])}", advice)


def find_family(
    readings: Sequence[Reading], planes: Sequence[Plane], nominal: Nominal, design: Array, same_way_up: bool = False
) -> Family:
    """The photo that most others go with, and those.

    same_way_up: the orientation closest to upright is the same in all photos; only whether they agree is asked then. Of
    photos with equally many the one whose look leaves fewest orientations open is the anchor, then the first.
    """
    alike = [motions_alike(nominal, plane)[: 1 if same_way_up else None] for plane in planes]
    count = len(readings)
    matches: dict[tuple[int, int], Match | None] = {}
    for a in range(count):
        for b in range(a + 1, count):
            found = match(readings[a], readings[b], (alike[a], alike[b]), nominal, design)
            matches[a, b] = found
            matches[b, a] = found and replace(found, motion=found.motion.T)
    families = [_family_of(a, matches, alike, nominal) for a in range(count)]
    return min(families, key=lambda f: (-len(f.members), len(alike[f.anchor]), f.anchor))


def _family_of(
    anchor: int,
    matches: Mapping[tuple[int, int], Match | None],
    alike: Sequence[Sequence[Relabelling]],
    nominal: Nominal,
) -> Family:
    """All that go with this photo, on the orientation of its own that lets each of them take one of theirs."""
    kin: dict[int, Array] = {}
    left: dict[int, Answer] = {}
    for k in range(len(alike)):
        found = matches.get((anchor, k))
        if k != anchor:
            answer: Answer = found.answer if found else "little in common"
            if found and answer == "one piece":
                kin[k] = found.motion
            else:
                left[k] = answer
    best: dict[int, Relabelling] = {}
    for own in alike[anchor]:
        members = {anchor: own}
        for k, motion in kin.items():
            there = next((r for r in alike[k] if np.allclose(r.motion, own.motion @ motion)), None)
            if there is not None:
                members[k] = there
        best = max(best, members, key=len)
    left |= {k: "orientation" for k in kin if k not in best}
    return Family(anchor, dict(sorted(best.items())), left)

"""The touch-up list: what is worth refolding, in an order that makes sense at the table, in the folder's words.

A twist is listed when its place or turn is not within its limit and its error exceeds its uncertainty; a node when its
closure is so and no twist around it is listed. First those that gain most; what carries another comes before it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from foldtrue.handover_judge import RIM, Figures, Judged, TouchUp, TwistPlace, Word
from foldtrue.judge.neighbours import carried_by, towards
from foldtrue.measured import plus_minus

_DIMENSIONS = {"twist_position": 2, "twist_angle": 1}


@dataclass(frozen=True)
class _Errors:
    """All measured figures of one kind. square: by id, what is left of the squared error when its noise is taken out;
    may be negative."""

    square: Mapping[str, float]
    limit: float

    def gain(self, name: str) -> float:
        """Drop of the mean square, in squared limits, were this one as planned."""
        return max(0.0, self.square.get(name, 0.0)) / self.limit**2 / len(self.square) if name in self.square else 0.0

    def drop(self, name: str) -> float:
        """Drop of the mean error (root of the mean square, noise taken out)."""
        total, own = sum(self.square.values()), max(0.0, self.square.get(name, 0.0))
        return math.sqrt(max(0.0, total) / len(self.square)) - math.sqrt(max(0.0, total - own) / len(self.square))


def touch_up_list(found: Figures, judged: Sequence[Judged]) -> tuple[TouchUp, ...]:
    """All places worth refolding, in the order to work in."""
    kinds = (*_DIMENSIONS, "closure")
    own = {kind: {one.figure.id: one for one in judged if one.figure.kind == kind} for kind in kinds}
    errors = {kind: _errors(list(own[kind].values()), size) for kind, size in _DIMENSIONS.items()}
    entries = [
        _twist_entry(twist, found, own["twist_position"].get(twist.id), own["twist_angle"].get(twist.id), errors)
        for twist in found.twists
    ]
    twists = [entry for entry in entries if entry is not None]
    listed = {entry.id for entry in twists}
    nodes = [
        _node_entry(one, len(own["closure"]))
        for one in own["closure"].values()
        if _worth_it(one) and not listed & set(one.figure.twists)
    ]
    ordered = [*_at_the_table(twists, carried_by(found)), *sorted(nodes, key=_weight)]
    return tuple(replace(entry, order=i) for i, entry in enumerate(ordered, 1))


def _errors(judged: Sequence[Judged], dimensions: int) -> _Errors | None:
    square = {
        one.figure.id: one.figure.value**2 - dimensions * one.figure.std**2
        for one in judged
        if one.figure.value is not None and one.figure.std is not None and one.word != "not_measured"
    }
    return _Errors(square, judged[0].limit) if square else None


def _clear(one: Judged | None) -> bool:
    """Whether the figure exceeds its uncertainty."""
    if one is None or one.figure.value is None or one.figure.u95 is None:
        return False
    return abs(one.figure.value) > one.figure.u95


def _worth_it(one: Judged | None) -> bool:
    return one is not None and one.word in ("outside", "too_close") and _clear(one)


def _twist_entry(
    twist: TwistPlace,
    found: Figures,
    place: Judged | None,
    turn: Judged | None,
    errors: Mapping[str, _Errors | None],
) -> TouchUp | None:
    regained = [one for one in (place, turn) if one is not None and _worth_it(one)]
    if not regained:
        return None
    position, angle = errors["twist_position"], errors["twist_angle"]
    shift = place.figure if place is not None and _clear(place) else None
    over = turn.figure if turn is not None and _clear(turn) else None
    back = None if shift is None or shift.vector is None else (-shift.vector[0], -shift.vector[1])
    word: Word = "outside" if any(one.word == "outside" for one in regained) else "too_close"
    entry = TouchUp(
        order=0,
        kind="twist",
        id=twist.id,
        word=word,
        twists=(twist.id,),
        limits_regained=len(regained),
        gain=sum(each.gain(twist.id) for each in (position, angle) if each is not None),
        mean_error_drop_mm=0.0 if position is None else position.drop(twist.id),
        mean_error_drop_deg=0.0 if angle is None else angle.drop(twist.id),
        shift_mm=None if shift is None else shift.value,
        shift_u95_mm=None if shift is None else shift.u95,
        towards=() if back is None else towards(twist, back, found),
        overturn_deg=None if over is None or over.value is None else twist.hand * over.value,
        overturn_u95_deg=None if over is None else over.u95,
        gap_mm=None,
        gap_u95_mm=None,
        after=(),
        words="",
    )
    return replace(entry, words=_twist_words(twist, entry))


def _node_entry(one: Judged, count: int) -> TouchUp:
    figure = one.figure
    assert figure.value is not None
    assert figure.std is not None
    gap = plus_minus(figure.value, figure.u95, "mm")
    return TouchUp(
        order=0,
        kind="node",
        id=figure.id,
        word=one.word,
        twists=figure.twists,
        limits_regained=1,
        gain=max(0.0, figure.value**2 - figure.std**2) / one.limit**2 / count,
        mean_error_drop_mm=0.0,
        mean_error_drop_deg=0.0,
        shift_mm=None,
        shift_u95_mm=None,
        towards=(),
        overturn_deg=None,
        overturn_u95_deg=None,
        gap_mm=figure.value,
        gap_u95_mm=figure.u95,
        after=(),
        words=f"the point where {_and(figure.twists)} meet: its corners miss their common middle by {gap} (RMS).",
    )


def _twist_words(twist: TwistPlace, entry: TouchUp) -> str:
    parts = []
    if entry.shift_mm is not None:
        parts.append(f"move it {plus_minus(entry.shift_mm, entry.shift_u95_mm, 'mm')} {_where(entry.towards)}")
    if entry.overturn_deg is not None:
        size = plus_minus(abs(entry.overturn_deg), entry.overturn_u95_deg, "deg")
        on, back = ("counter-clockwise", "clockwise")[:: twist.hand]
        over = f"over-turned: turn it back, {back}, by {size}"
        parts.append(over if entry.overturn_deg > 0 else f"under-turned: turn it further, {on}, by {size}")
    return f"{twist.id} (ring {twist.ring}{', at the rim' if twist.border else ''}): {'; '.join(parts)}."


def _where(names: Sequence[str]) -> str:
    if not names:
        return "back to its place"
    said = ["the rim" if name == RIM else name for name in names]
    return f"towards {said[0]}" if len(said) == 1 else f"towards the gap between {said[0]} and {said[1]}"


def _and(names: Sequence[str]) -> str:
    return " and ".join(part for part in (", ".join(names[:-1]), *names[-1:]) if part)


def _weight(entry: TouchUp) -> tuple[bool, float]:
    return (entry.word != "outside", -entry.gain)


def _at_the_table(entries: Sequence[TouchUp], carriers: Mapping[str, frozenset[str]]) -> list[TouchUp]:
    """The greatest gain first, but nothing before what carries it and is listed too."""
    waiting = {entry.id: entry for entry in sorted(entries, key=_weight)}
    names = set(waiting)
    ordered: list[TouchUp] = []
    while waiting:
        ready = next(entry for entry in waiting.values() if not carriers[entry.id] & set(waiting))
        del waiting[ready.id]
        first = tuple(sorted(carriers[ready.id] & names, key=[entry.id for entry in ordered].index))
        ordered.append(replace(ready, after=first))
    return ordered

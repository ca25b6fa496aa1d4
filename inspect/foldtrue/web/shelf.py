"""The record as pages read it: pieces with their latest inspection, found by words and by what was said of them."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from foldtrue.handover_record import ALL, RecordedPiece
from foldtrue.measured import plus_minus
from foldtrue.report.units import Units

if TYPE_CHECKING:
    from foldtrue.record.store import Record

Value = TypeVar("Value")
State = tuple[tuple[int, int, int], ...]
_REMEMBERED = 32
_SETTLED_NS = 1_000_000_000


@dataclass(frozen=True, kw_only=True)
class Wish:
    """What is looked for; empty means any. words: each must be in a piece's name, plan, paper, person, tags or note."""

    words: str = ""
    plan: str = ""
    paper: str = ""
    person: str = ""
    tag: str = ""


@dataclass(frozen=True)
class Choices:
    """What can be chosen from, as far as it is in the record."""

    plans: tuple[str, ...]
    papers: tuple[str, ...]
    people: tuple[str, ...]
    tags: tuple[str, ...]


class Shelf:
    """The record in the person's folder, and what was made of it since it last changed."""

    def __init__(self, home: Path) -> None:
        self._home = home
        self._lock = threading.Lock()
        self._state: State = ()
        self._values: dict[Hashable, Any] = {}

    def open(self, *, create: bool = False) -> Record | None:
        """None where nothing was ever recorded and `create` is false. Raises UnreadableFile."""
        from foldtrue.record.connection import default_place
        from foldtrue.record.store import Record

        place = default_place(self._home)
        return Record(place, create=create) if create or place.exists() else None

    def inspections(self) -> Sequence[RecordedPiece]:
        """All of the record, by day; empty where there is none."""
        return self.remember("inspections", self._read)

    def _read(self) -> Sequence[RecordedPiece]:
        kept = self.open()
        if kept is None:
            return ()
        with kept:
            return kept.find()

    def verdict_words(self, numbers: Sequence[int]) -> Mapping[int, str]:
        """By number, the verdict that was given when it was measured, in words."""
        from foldtrue.report.judgement import WORDS

        kept = self.open()
        if kept is None:
            return {}
        with kept:
            return {number: WORDS.get(word, word) for number, word in kept.verdicts(numbers).items()}

    def pictured(self, numbers: Sequence[int]) -> set[int]:
        """Those that have a thumbnail."""
        kept = self.open()
        if kept is None:
            return set()
        with kept:
            return kept.pictured(numbers)

    def remember(self, name: Hashable, make: Callable[[], Value]) -> Value:
        """What `make` gives, or gave since the record last changed, by this program or another.

        A file that changed within the last second is not remembered: its time may stay the same over the next change.
        """
        state, settled = self._look()
        with self._lock:
            if state == self._state and name in self._values:
                known: Value = self._values[name]
                return known
        value = make()
        with self._lock:
            if state != self._state or len(self._values) >= _REMEMBERED:
                self._state, self._values = state, {}
            if settled:
                self._values[name] = value
        return value

    def _look(self) -> tuple[State, bool]:
        """Times and sizes of the record's files, and whether the last change is old enough to tell the next one."""
        from foldtrue.record.connection import default_place

        state = []
        for ending in ("", "-wal"):
            try:
                found = Path(f"{default_place(self._home)}{ending}").stat()
                state.append((found.st_ino, found.st_mtime_ns, found.st_size))
            except OSError:
                state.append((0, 0, 0))
        return tuple(state), time.time_ns() - max(changed for _, changed, _ in state) > _SETTLED_NS


def latest_of_each(found: Iterable[RecordedPiece]) -> list[RecordedPiece]:
    """Each piece by its latest inspection with the tags of all of them, the piece inspected last first."""
    latest: dict[str, RecordedPiece] = {}
    tags: dict[str, dict[str, None]] = {}
    for row in sorted(found, key=lambda row: (row.done_on, row.recorded_at, row.number)):
        tags.setdefault(row.piece, {}).update(dict.fromkeys(row.tags))
        latest.pop(row.piece, None)
        latest[row.piece] = row
    return [replace(row, tags=tuple(tags[row.piece])) for row in reversed(latest.values())]


def choices_in(found: Sequence[RecordedPiece]) -> Choices:
    return Choices(
        _names(row.plan for row in found),
        _names(row.paper for row in found),
        _names(row.folder for row in found),
        _names(tag for row in found for tag in row.tags),
    )


def _names(values: Iterable[str | None]) -> tuple[str, ...]:
    return tuple(sorted({value for value in values if value}, key=str.casefold))


def is_meant(row: RecordedPiece, wish: Wish) -> bool:
    told = (row.piece, row.plan, row.paper, row.folder, row.note, *row.tags)
    text = "\n".join(part for part in told if part).casefold()
    return (
        all(word in text for word in wish.words.casefold().split())
        and wish.plan in ("", row.plan)
        and wish.paper in ("", row.paper)
        and wish.person in ("", row.folder)
        and (not wish.tag or wish.tag in row.tags)
    )


def mean_errors(row: RecordedPiece, units: Units) -> tuple[str, str]:
    """Mean error of place and of turn with ±; 'not measured' where it was not."""
    whole = row.groups.get(ALL)
    if whole is None:
        return "not measured", "not measured"
    place = units.length(whole.position_mm, whole.position_u95_mm)
    return place, plus_minus(whole.angle_deg, whole.angle_u95_deg, "deg")

"""From recorded inspections to figures that compare: one for each piece, in the order of folding.

A mean error is told in the unit that makes pieces alike (share of the pitch, degrees), and what the best fit of the
whole piece took away is given back, so that few twists do not look like better hands. Definitions: docs/progress.md.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from foldtrue.averages import pooled_std
from foldtrue.handover_record import ALL, RecordedPiece

LEAST_FREEDOMS = 4
"""What must be left of a piece's figures when the best fit has taken its own."""


@dataclass(frozen=True)
class Metric:
    """A figure followed over time; smaller is better. name: with its unit, as in progress.json."""

    name: str
    title: str
    unit: str


POSITION = Metric("position_of_pitch_pct", "Mean position error", "% of the pitch")
ANGLE = Metric("angle_deg", "Mean turn error", "deg")


@dataclass(frozen=True)
class Point:
    """One piece. order: its place among all pieces compared, from 1. u95: 95 % uncertainty of value."""

    order: int
    piece: str
    number: int
    done_on: date
    plan: str
    folder: str
    paper: str
    view: str
    value: float
    u95: float

    @property
    def stratum(self) -> tuple[str, str]:
        """Whom it may be compared with: pieces after the same plan by the same hands."""
        return self.plan, self.folder


@dataclass(frozen=True)
class Series:
    """One figure of one group of all pieces. left_out: pieces without it, and why."""

    metric: Metric
    group: str
    points: tuple[Point, ...]
    left_out: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Repeatability:
    """Pooled standard deviation of the figure of one photo, from pieces measured in several, and its freedoms."""

    std: float
    freedoms: int


def one_of_each(found: Iterable[RecordedPiece]) -> list[RecordedPiece]:
    """The latest inspection of every piece, with the day of its first one and in the order of those days."""
    first: dict[str, RecordedPiece] = {}
    latest: dict[str, RecordedPiece] = {}
    for row in sorted(found, key=lambda row: (row.recorded_at, row.number)):
        earlier = first.setdefault(row.piece, row)
        if row.done_on < earlier.done_on:
            first[row.piece] = row
        latest[row.piece] = row
    order = sorted(latest, key=lambda name: (first[name].done_on, first[name].recorded_at, first[name].number))
    return [replace(latest[name], done_on=first[name].done_on) for name in order]


def series_of(pieces: Sequence[RecordedPiece], metric: Metric, group: str = ALL) -> Series:
    """The figure of one group, of every piece in order; names of plans that are alike get part of their hash."""
    names = plan_names(pieces)
    points, left_out = [], []
    for order, row in enumerate(pieces, 1):
        value = figure(row, metric, group)
        if isinstance(value, str):
            left_out.append((row.piece, value))
            continue
        who = (names[row.plan_sha256], row.folder or "", row.paper or "", row.view or "")
        points.append(Point(order, row.piece, row.number, row.done_on, *who, *value))
    return Series(metric, group, tuple(points), tuple(left_out))


def plan_names(pieces: Iterable[RecordedPiece]) -> Mapping[str | None, str]:
    """A name for each plan by its SHA-256."""
    named = {row.plan_sha256: row.plan or "" for row in pieces}
    often = list(named.values())
    return {key: name if often.count(name) == 1 else f"{name} ({(key or '')[:6]})" for key, name in named.items()}


def figure(row: RecordedPiece, metric: Metric, group: str = ALL) -> tuple[float, float] | str:
    """Value and 95 % uncertainty, or why there is none."""
    found = row.groups.get(group)
    if found is None:
        return "nothing of it was measured"
    if metric is POSITION:
        value, u95, taken, each = found.position_mm, found.position_u95_mm, row.taken, 2 if row.stage != "grid" else 1
    else:
        value, u95, taken, each = found.angle_deg, found.angle_u95_deg, 1, 1
    if value is None or u95 is None:
        return "it was not measured"
    given = each * row.groups[ALL].members
    if given - taken < LEAST_FREEDOMS:
        return "too few of its twists were measured"
    factor = math.sqrt(given / (given - taken))
    if metric is POSITION:
        if not row.pitch_mm:
            return "its result does not tell the pitch; measure it again"
        factor *= 100 / row.pitch_mm
    return factor * value, factor * u95


def repeatability(found: Iterable[RecordedPiece], metric: Metric) -> Repeatability | None:
    """From pieces of which several results of different photos are recorded; None where there are none."""
    values: list[float] = []
    piece: list[str] = []
    seen: dict[tuple[str, int], set[str]] = defaultdict(set)
    for row in sorted(found, key=lambda row: (row.recorded_at, row.number)):
        value, same = figure(row, metric), (row.piece, row.planned)  # a ring more is another thing to measure
        if isinstance(value, str) or not seen[same].isdisjoint(row.photos):
            continue  # the same photo measured again repeats nothing
        seen[same].update(row.photos)
        values.append(value[0])
        piece.append(f"{row.piece}\n{row.planned}")
    if len(values) == len(set(piece)):
        return None
    return Repeatability(*pooled_std(np.array(values), np.array(piece)))


def groups_in(pieces: Iterable[RecordedPiece]) -> list[str]:
    """Names of all groups within pieces, 'all' left out, in the order they come up."""
    return [name for name in dict.fromkeys(name for row in pieces for name in row.groups) if name != ALL]

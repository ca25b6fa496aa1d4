"""The twists of a record as rows for pages and charts: figures as numbers, worst place first where they are listed."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

Record = Mapping[str, Any]


@dataclass(frozen=True)
class TwistRow:
    """One twist. number: its place in the record. at_mm: planned, on the plan's axes. error_mm, u95_mm: of its place;
    turn_deg, turn_u95_deg: of its turn, the piece's common overturn taken out; all None where it was not measured.
    verdict: of its limits, None where the piece was not judged."""

    number: int
    id: str
    ring: int
    border: bool
    hand: str
    at_mm: tuple[float, float]
    error_mm: tuple[float, float] | None
    u95_mm: float | None
    turn_deg: float | None
    turn_u95_deg: float | None
    flags: tuple[str, ...]
    verdict: str | None

    @property
    def off_mm(self) -> float | None:
        """How far it is off its place."""
        return None if self.error_mm is None else math.hypot(*self.error_mm)

    @property
    def clearly_off(self) -> bool:
        """Whether its error is larger than its uncertainty."""
        return self.off_mm is not None and self.u95_mm is not None and self.off_mm > self.u95_mm


def twist_rows(record: Record) -> tuple[TwistRow, ...]:
    """The twists in the plan's order. Raises KeyError, TypeError or ValueError where the record has not the published
    form."""
    overturn = record["fit"]["overturn_deg"] or 0.0
    verdicts = record.get("judgement", {}).get("twists", {})
    return tuple(_row(i, twist, overturn, verdicts.get(twist["id"])) for i, twist in enumerate(record["twists"]))


def _row(number: int, twist: Record, overturn: float, verdict: str | None) -> TwistRow:
    error, turned = twist["position_error_mm"], twist["angle_error_deg"]
    hand = 1 if twist["hand"] == "ccw" else -1
    return TwistRow(
        number=number,
        id=str(twist["id"]),
        ring=int(twist["ring"]),
        border=bool(twist["border"]),
        hand="ccw" if hand > 0 else "cw",
        at_mm=_pair(twist["planned_mm"]),
        error_mm=None if error is None else _pair(error),
        u95_mm=_number(twist["position_u95_mm"]),
        turn_deg=None if turned is None else float(turned) - hand * overturn,
        turn_u95_deg=_number(twist["angle_relative_u95_deg"]),
        flags=tuple(map(str, twist["flags"])),
        verdict=verdict,
    )


def worst_first(rows: Iterable[TwistRow]) -> list[TwistRow]:
    """By place, those not measured last."""
    return sorted(rows, key=lambda row: (row.off_mm is None, -(row.off_mm or 0.0)))


def room_mm(rows: Sequence[TwistRow], pitch_mm: float) -> float:
    """Distance of the two nearest twists; four pitches where they are farther apart or there is one only."""
    from scipy.spatial import cKDTree

    places = np.unique([row.at_mm for row in rows], axis=0) if rows else np.zeros((0, 2))
    if len(places) < 2:
        return 4 * pitch_mm
    return min(float(cKDTree(places).query(places, 2)[0][:, 1].min()), 4 * pitch_mm)


def _pair(values: Any) -> tuple[float, float]:
    x, y = (float(value) for value in values)
    if not (math.isfinite(x) and math.isfinite(y)):
        raise ValueError("a place that is no number")
    return x, y


def _number(value: Any) -> float | None:
    return None if value is None else float(value)

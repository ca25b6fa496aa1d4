"""A result's files as what a page shows: figures already written with their uncertainty, in the order of need."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from foldtrue.flags import FLAGS
from foldtrue.measured import plus_minus

Record = Mapping[str, Any]
_WRITTEN = ("result.json", "twists.csv", "pleats.csv", "grid.json", "sheet.json")


@dataclass(frozen=True)
class TwistRow:
    """One twist as text. place, turn: with ±; order: 0 for the worst place, those not measured last."""

    id: str
    where: str
    hand: str
    place: str
    turn: str
    flags: tuple[str, ...]
    measured: bool


@dataclass(frozen=True)
class Shown:
    """kind: of the result. lines: the summary, sentence by sentence. rows: of twists; empty for sheets. notes: what the
    flags mean, (name, sentence, advice). files: what can be saved."""

    kind: Literal["piece", "grid", "sheet"]
    lines: tuple[str, ...]
    rows: tuple[TwistRow, ...]
    notes: tuple[tuple[str, str, str], ...]
    files: tuple[str, ...]


def shown_result(out: Path) -> Shown:
    """Reads the result in a job's folder. Raises OSError or ValueError where there is none that can be read."""
    from foldtrue.report.grid import grid_text
    from foldtrue.report.sheet import sheet_text
    from foldtrue.report.tables import summary_text

    files = tuple(name for name in _WRITTEN if (out / name).is_file())
    if "grid.json" in files:
        return Shown("grid", _lines(grid_text(_read(out / "grid.json"))), (), (), files)
    if "sheet.json" in files:
        return Shown("sheet", _lines(sheet_text(_read(out / "sheet.json"))), (), (), files)
    record = _read(out / "result.json")
    return Shown("piece", _lines(summary_text(record)), _rows(record), _notes(record), files)


def _read(path: Path) -> dict[str, Any]:
    content = json.loads(path.read_bytes())
    if not isinstance(content, dict):
        raise ValueError(f"not a record: {path.name}")
    return content


def _lines(text: str) -> tuple[str, ...]:
    return tuple(line for line in text.split("\n") if line.strip())


def _rows(record: Record) -> tuple[TwistRow, ...]:
    overturn = record["fit"]["overturn_deg"] or 0.0
    return tuple(_row(twist, overturn) for twist in sorted(record["twists"], key=_badness))


def _badness(twist: Record) -> tuple[bool, float]:
    error = twist["position_error_mm"]
    return (error is None, -math.hypot(*error) if error else 0.0)


def _row(twist: Record, overturn: float) -> TwistRow:
    where = f"ring {twist['ring']}" + (", at the rim" if twist["border"] else "")
    flags: Sequence[str] = twist["flags"]
    error = twist["position_error_mm"]
    if error is None:
        return TwistRow(twist["id"], where, twist["hand"], "not measured", "not measured", tuple(flags), False)
    hand = 1 if twist["hand"] == "ccw" else -1
    place = plus_minus(math.hypot(*error), twist["position_u95_mm"], "mm")
    turn = plus_minus(twist["angle_error_deg"] - hand * overturn, twist["angle_relative_u95_deg"], "deg")
    return TwistRow(twist["id"], where, twist["hand"], place, turn, tuple(flags), True)


def _notes(record: Record) -> tuple[tuple[str, str, str], ...]:
    names = dict.fromkeys(name for twist in record["twists"] for name in twist["flags"])
    known = [(name, FLAGS[name]) for name in names if name in FLAGS]
    return tuple((name, flag.sentence, flag.advice) for name, flag in known)

"""A result's files as what a page shows: figures already written with their uncertainty, in the order of need."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from foldtrue.assess import judge_by
from foldtrue.flags import FLAGS
from foldtrue.handover_judge import Rule
from foldtrue.judge.tolerances import find_tolerances
from foldtrue.measured import plus_minus
from foldtrue.report.diagnosis import diagnosis_text
from foldtrue.report.grid import grid_text
from foldtrue.report.judgement import SHAPES, WORDS
from foldtrue.report.sheet import sheet_text
from foldtrue.report.tables import summary_text
from foldtrue.report.twist_rows import TwistRow, twist_rows, worst_first
from foldtrue.report.units import Units
from foldtrue.report.verdict_part import Verdict, verdict
from foldtrue.web.controls import PHOTO, page_words, without_place

Record = Mapping[str, Any]
_CONTROLS = without_place(PHOTO)
WRITTEN = ("result.json", "twists.csv", "pleats.csv", "grid.json", "sheet.json")


@dataclass(frozen=True)
class Row:
    """One twist as text. place, turn: with ±. shape, word: of its verdict, empty where it was not judged."""

    id: str
    where: str
    hand: str
    place: str
    turn: str
    shape: str
    word: str
    flags: tuple[str, ...]


@dataclass(frozen=True)
class Shown:
    """kind: of the result. lines: the summary, sentence by sentence. rows: of twists, worst place first; empty for
    sheets. notes: what the flags mean, (name, sentence, advice). habits: sentences. verdict: None where the piece was
    not judged. files: what can be saved."""

    kind: Literal["piece", "grid", "sheet"]
    lines: tuple[str, ...]
    rows: tuple[Row, ...]
    notes: tuple[tuple[str, str, str], ...]
    habits: tuple[str, ...]
    verdict: Verdict | None
    files: tuple[str, ...]


def shown_result(out: Path, units: Units, limits: str | None = None) -> Shown:
    """Reads the result in a job's folder; limits: another set of tolerances to hold a piece against than the one it was
    measured with. Raises OSError or ValueError where there is no result that can be read, UsageError for a set that is
    not there."""
    files = tuple(name for name in WRITTEN if (out / name).is_file())
    if "grid.json" in files:
        return Shown("grid", _said(grid_text(_read(out / "grid.json"))), (), (), (), None, files)
    if "sheet.json" in files:
        return Shown("sheet", _said(sheet_text(_read(out / "sheet.json"))), (), (), (), None, files)
    record = _read(out / "result.json")
    if limits is not None:
        record["judgement"] = judge_by(find_tolerances(limits), Rule(), record)
    habits = _said(diagnosis_text(record["diagnosis"])) if "diagnosis" in record else ()
    lines = _said(units.sentence(summary_text(record)))
    rows = tuple(_row(row, units) for row in worst_first(twist_rows(record)))
    return Shown("piece", lines, rows, _notes(record), habits, _verdict(record, units), files)


def _read(path: Path) -> dict[str, Any]:
    content = json.loads(path.read_bytes())
    if not isinstance(content, dict):
        raise ValueError(f"not a record: {path.name}")
    return content


def _said(text: str) -> tuple[str, ...]:
    return tuple(page_words(line, _CONTROLS) for line in text.split("\n") if line.strip())


def _verdict(record: Record, units: Units) -> Verdict | None:
    judged = verdict(record, units)
    if judged is None:
        return None
    return replace(judged, settle=tuple((what, page_words(advice, _CONTROLS)) for what, advice in judged.settle))


def _row(row: TwistRow, units: Units) -> Row:
    measured = row.off_mm is not None
    return Row(
        id=row.id,
        where=f"ring {row.ring}" + (", at the rim" if row.border else ""),
        hand=row.hand,
        place=units.length(row.off_mm, row.u95_mm) if row.off_mm is not None else "not measured",
        turn=plus_minus(row.turn_deg, row.turn_u95_deg, "deg") if measured else "not measured",
        shape="" if row.verdict is None else SHAPES[row.verdict],
        word="" if row.verdict is None else WORDS[row.verdict],
        flags=row.flags,
    )


def _notes(record: Record) -> tuple[tuple[str, str, str], ...]:
    names = dict.fromkeys(name for twist in record["twists"] for name in twist["flags"])
    known = [(name, FLAGS[name]) for name in names if name in FLAGS]
    return tuple((name, flag.sentence, page_words(flag.advice, _CONTROLS)) for name, flag in known)

"""The part of a report that judges: the verdict, what it rests on, what would settle it, what to touch up."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from foldtrue.handover_judge import Rule
from foldtrue.measured import plus_minus
from foldtrue.report.judgement import (
    KIND_WORDS,
    SHAPES,
    WORDS,
    limit_words,
    place_words,
    rule_words,
    touch_up_line,
    verdict_notes,
)
from foldtrue.report.units import Units

Record = Mapping[str, Any]


@dataclass(frozen=True)
class KindRow:
    """One kind of figure under its limit. counts: (verdict's shape, word, how many)."""

    kind: str
    limit: str
    counts: tuple[tuple[str, str, int], ...]
    worst: str


@dataclass(frozen=True)
class Verdict:
    """shape, word: of the piece. settle: (what, what would settle it)."""

    shape: str
    word: str
    limits_name: str
    rule: str
    notes: tuple[str, ...]
    rows: tuple[KindRow, ...]
    settle: tuple[tuple[str, str], ...]
    touch_up: tuple[tuple[str, str], ...]


def verdict(record: Record, units: Units) -> Verdict | None:
    """The verdict and what it rests on; None where the piece was not judged. touch_up: (file name of the picture, the
    entry in words)."""
    from foldtrue.report.crops import crop_name

    judgement = record.get("judgement")
    if judgement is None:
        return None
    kept = judgement["tolerances"]
    own = ", which is from no standard" if kept["built_in"] else ""
    settle = judgement["settle"] if judgement["verdict"] != "outside" else []
    return Verdict(
        shape=SHAPES[judgement["verdict"]],
        word=WORDS[judgement["verdict"]],
        limits_name=f"{kept['name']} ({kept['sha256'][:8]}{own})",
        rule=rule_words(Rule(guard=judgement["guard"])),
        notes=tuple(verdict_notes(judgement)),
        rows=tuple(_kind_rows(judgement, units)),
        settle=tuple((f"{KIND_WORDS[r['kind']]} {place_words(r)}", r["advice"]) for r in settle),
        touch_up=tuple((crop_name(r), units.sentence(touch_up_line(r))) for r in judgement["touch_up"]),
    )


def _kind_rows(judgement: Record, units: Units) -> Iterator[KindRow]:
    for kind, limit in judgement["tolerances"]["limits"].items():
        rows = [row for row in judgement["figures"] if row["kind"] == kind]
        if rows:
            count = Counter(row["verdict"] for row in rows)
            counts = tuple((SHAPES[word], WORDS[word], count[word]) for word in SHAPES if count[word])
            yield KindRow(KIND_WORDS[kind], units.sentence(limit_words(rows[0], limit)), counts, _worst(rows, units))


def _worst(rows: Sequence[Record], units: Units) -> str:
    told = [row for row in rows if row["value"] is not None and row["limit"] is not None]
    if not told:
        return "not measured"
    worst = max(told, key=lambda row: abs(row["value"]) / row["limit"])
    size = abs(worst["value"])
    found = units.length(size, worst["u95"]) if worst["unit"] == "mm" else plus_minus(size, worst["u95"], _unit(worst))
    return f"{found}, {place_words(worst)}"


def _unit(row: Record) -> str:
    return "%" if row["unit"] == "percent" else str(row["unit"])

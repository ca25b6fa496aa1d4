"""What the pages for a buyer or a class say: the figures of the piece, not of every twist, and what they rest on."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from foldtrue.report import sections
from foldtrue.report.names import shown
from foldtrue.report.page import PageOptions, title_of
from foldtrue.report.verdict_part import KindRow, Verdict, verdict

CAUTIONS = (
    "This is not a certified measurement: no laboratory has checked it, and it is no ground for a legal or safety "
    "decision.",
    "It says how true the twists are to each other after the plan, and nothing of the paper's strength, its age or the "
    "piece's beauty. Errors are what was found on the day of the photo; paper moves with the damp of the air.",
    "Paper burns: hang the piece in front of a window or cool lamps only, never near a flame or a hot lamp.",
)


def handout_parts(record: Mapping[str, Any], options: PageOptions) -> dict[str, Any]:
    """title, about (lines under it), verdict, tables (heading, a line below, rows of cells), cautions; plain text."""
    judged = verdict(record, options.units)
    maker = "" if options.maker is None else f"Folded by {shown(options.maker)}. "
    about = (
        f"{maker}Measured from a photo; report of {shown(options.date)}.",
        "Every ± is a 95 % interval: in 95 of 100 cases the true error lies within it.",
    )
    return {
        "title": title_of(record, options),
        "about": about,
        "verdict": None if judged is None else (judged.shape, judged.word),
        "tables": tuple(_tables(record, options, judged)),
        "cautions": CAUTIONS,
    }


def _tables(record: Mapping[str, Any], options: PageOptions, judged: Verdict | None) -> Iterator[Any]:
    units, whole = options.units, record["summary"]
    piece = [("Plan", shown(record["provenance"]["plan"]["name"])), ("Pitch of the grid", _pitch(whole, options))]
    yield "The piece", "", [*piece, ("Twists", str(whole["twists"])), *sections.size_facts(record, units)]
    yield "How true it is", "", sections.summary_facts(record, units)
    if judged is not None:
        rows = [(row.kind, f"at most {row.limit}", _counts(row), row.worst) for row in judged.rows]
        said = " ".join((f"{shown(judged.limits_name)}; {judged.rule}.", *judged.notes))
        yield "Limits it was held against", said, [("Figure", "Limit", "How many", "Worst"), *rows]
    yield "How it was measured", "", sections.how_measured(record)[:-1]


def _pitch(whole: Mapping[str, Any], options: PageOptions) -> str:
    return f"planned {options.units.plain(whole['pitch_mm'], 4)}"


def _counts(row: KindRow) -> str:
    return ", ".join(f"{count} {word}" for _, word, count in row.counts)

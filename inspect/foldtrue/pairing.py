"""Two recorded pieces side by side: each figure of the one against the same figure of the other, and whether they
differ by more than both uncertainties together. Each piece is held against its own plan; nothing is compared twist by
twist.

Mean errors are those of progress, what the best fit took away given back (docs/progress.md), so that a piece of few
twists does not look better than one of many. Of closures, pleat widths and distances across, the root mean square is
taken, and as its uncertainty that of theirs: by the triangle inequality it holds however they hang together.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from foldtrue.errors import UsageError
from foldtrue.handover_record import RecordedPiece, printable
from foldtrue.judge.figures import read_figures
from foldtrue.measured import plus_minus
from foldtrue.progress.series import ANGLE, POSITION, Metric, figure
from foldtrue.report.diagnosis import KIND_WORDS as HABITS
from foldtrue.report.judgement import WORDS as VERDICTS

Result = Mapping[str, Any]
PairUnit = Literal["mm", "deg", "% of the pitch"]
_KINDS = {"closure": "Closure, RMS", "pleat_width": "Pleat width errors, RMS", "outline": "Distances across, RMS error"}
_SAME_PITCH = 1e-6
_NOT_MEASURED = "not measured"


@dataclass(frozen=True)
class Value:
    """value and its 95 % uncertainty, in the row's unit; None with the reason in `why` where there is none."""

    value: float | None
    u95: float | None
    why: str = ""


@dataclass(frozen=True)
class PairRow:
    """One figure of both pieces, smaller is better. smaller: 0 for the first, 1 for the second, None where they cannot
    be told apart or one of them was not measured."""

    title: str
    unit: PairUnit
    values: tuple[Value, Value]
    smaller: Literal[0, 1] | None

    @property
    def told(self) -> bool:
        """Whether both were measured."""
        return all(each.value is not None for each in self.values)


@dataclass(frozen=True)
class Pair:
    """verdicts, habits: in words, of both pieces. notes: what must be known to read the rows rightly."""

    pieces: tuple[RecordedPiece, RecordedPiece]
    rows: tuple[PairRow, ...]
    verdicts: tuple[str, str]
    habits: tuple[tuple[str, ...], tuple[str, ...]]
    notes: tuple[str, ...]


def pair_pieces(pieces: tuple[RecordedPiece, RecordedPiece], results: tuple[Result, Result]) -> Pair:
    """Raises UsageError where they are of stages that have no figure in common, UnreadableFile for a damaged result."""
    stages = {piece.stage for piece in pieces}
    if "sheet" in stages or ("grid" in stages and len(stages) > 1):
        raise UsageError(
            f"A {' and a '.join(sorted(stages))} have no figure in common.",
            "Choose two pieces, or two creased grids.",
        )
    pitches = [piece.pitch_mm for piece in pieces]
    same_pitch = None not in pitches and math.isclose(pitches[0] or 0, pitches[1] or 0, rel_tol=_SAME_PITCH)
    pitch_mm = pitches[0] if same_pitch else None
    rows = [
        _row("Mean error of place", [_mean(piece, POSITION, pitch_mm) for piece in pieces], _length(same_pitch)),
        _row("Mean error of turn", [_mean(piece, ANGLE, None) for piece in pieces], "deg"),
    ]
    if "grid" not in stages:
        rows += _more_rows(pieces, results, same_pitch)
    verdicts, habits = [_verdict(each) for each in results], [_habits(each) for each in results]
    notes = tuple(_notes(pieces, results, same_pitch))
    return Pair(pieces, tuple(rows), (verdicts[0], verdicts[1]), (habits[0], habits[1]), notes)


def _length(same_pitch: bool) -> PairUnit:
    return "mm" if same_pitch else "% of the pitch"


def _row(title: str, values: Sequence[Value], unit: PairUnit) -> PairRow:
    one, other = values
    smaller: Literal[0, 1] | None = None
    if one.value is not None and other.value is not None:
        apart = abs(one.value - other.value) > math.hypot(one.u95 or 0.0, other.u95 or 0.0)
        smaller = (0 if one.value < other.value else 1) if apart else None
    return PairRow(title, unit, (one, other), smaller)


def _mean(piece: RecordedPiece, metric: Metric, pitch_mm: float | None) -> Value:
    """As progress has it; of places in mm where a pitch is given, else in its share."""
    found = figure(piece, metric)
    if isinstance(found, str):
        return Value(None, None, found)
    factor = 1.0 if pitch_mm is None else pitch_mm / 100
    return Value(factor * found[0], factor * found[1])


def _more_rows(
    pieces: tuple[RecordedPiece, RecordedPiece], results: tuple[Result, Result], same_pitch: bool
) -> Iterator[PairRow]:
    figures = [read_figures(result).figures for result in results]
    for kind, title in _KINDS.items():
        both = []
        for piece, found in zip(pieces, figures, strict=True):
            known = [(one.value, one.u95) for one in found if one.kind == kind and one.value is not None]
            both.append(_root_mean_square(known, None if same_pitch else piece.pitch_mm, same_pitch))
        yield _row(title, both, _length(same_pitch))


def _root_mean_square(known: list[tuple[float, float | None]], pitch_mm: float | None, in_mm: bool) -> Value:
    if not known:
        return Value(None, None, _NOT_MEASURED)
    if not in_mm and not pitch_mm:
        return Value(None, None, "its result does not tell the pitch; measure it again")
    factor = 1.0 if in_mm else 100 / (pitch_mm or 1.0)
    square, noise = (sum((x or 0.0) ** 2 for x in column) / len(known) for column in zip(*known, strict=True))
    return Value(factor * math.sqrt(square), factor * math.sqrt(noise))


def _verdict(result: Result) -> str:
    judgement = result.get("judgement")
    return VERDICTS.get(judgement["verdict"], str(judgement["verdict"])) if judgement else "not judged"


def _habits(result: Result) -> tuple[str, ...]:
    """The habits found, or why none is told."""
    found = result.get("diagnosis")
    if not found:
        return ("not looked for",)
    if found.get("reason"):
        return (str(found["reason"]),)
    codes = dict.fromkeys(str(one.get("code")) for one in found.get("findings", ()))
    names = tuple(HABITS.get(code, code) for code in codes)
    return names or ("none stands out",)


def _notes(
    pieces: tuple[RecordedPiece, RecordedPiece], results: tuple[Result, Result], same_pitch: bool
) -> Iterator[str]:
    one, other = pieces
    if one.plan_sha256 != other.plan_sha256:
        yield "They follow different plans: only figures relative to each one's own plan are compared."
    if not same_pitch:
        yield "Their grids have different pitches, so lengths are told as shares of each one's own pitch."
    if one.stage != other.stage:
        yield "One is half done, the other finished: what is folded later may move what is folded already."
    if one.view != other.view:
        yield "The photos are of different views, whose edges are shifted by light in different ways."
    if len({_limits(result) for result in results} - {None}) > 1:
        yield "The verdicts were given by different limits."


def _limits(result: Result) -> str | None:
    judgement = result.get("judgement")
    return str(judgement["tolerances"]["sha256"]) if judgement and "tolerances" in judgement else None


def difference_words(row: PairRow, names: tuple[str, str]) -> str:
    """What the two values say of each other."""
    if not row.told:
        return "cannot be compared"
    return "cannot be told apart" if row.smaller is None else f"smaller in {names[row.smaller]}"


def pair_text(pair: Pair) -> str:
    """The pair for the terminal."""
    names = (printable(pair.pieces[0].piece), printable(pair.pieces[1].piece))
    lines = [f"{names[0]} (number {pair.pieces[0].number}) and {names[1]} (number {pair.pieces[1].number})"]
    for row in pair.rows:
        values = [each.why or plus_minus(each.value, each.u95, row.unit) for each in row.values]
        lines.append(f"  {row.title}: {values[0]}; {values[1]}: {difference_words(row, names)}")
    lines.append(f"  Verdict when measured: {pair.verdicts[0]}; {pair.verdicts[1]}")
    lines.append(f"  Habits: {', '.join(pair.habits[0])}; {', '.join(pair.habits[1])}")
    return "\n".join([*lines, *pair.notes])

"""The verdict in result.json's words, and as text for the terminal. Verdicts are told by word and by shape."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import Any

from foldtrue.handover_judge import Comparison, Judged, Judgement, Limit, Rule, Settle, TouchUp
from foldtrue.measured import plus_minus
from foldtrue.report.result import as_json

Record = Mapping[str, Any]
WORDS = {
    "within": "within its limits",
    "outside": "outside its limits",
    "too_close": "too close to call",
    "not_enough_measured": "not enough measured",
    "not_measured": "not measured",
}
SHAPES = {"within": "o", "outside": "X", "too_close": "?", "not_measured": "-", "not_enough_measured": "-"}
"""One letter a verdict, of as many shapes."""
KIND_WORDS = {
    "twist_position": "twist position",
    "twist_angle": "twist turn",
    "closure": "closure",
    "pleat_width": "pleat width",
    "pleat_parallelism": "pleat parallelism",
    "outline": "outline",
    "size": "size of the piece",
}
_UNITS = {"mm": "mm", "deg": "deg", "percent": "%"}
_SHOWN = 5
_TOLD = 0.001
"""Smaller drops of the mean error, in mm or deg, are not worth a word."""


def judgement_record(judgement: Judgement) -> dict[str, Any]:
    """`judgement` of result.json, as plain JSON values."""
    tolerances, low_high = judgement.tolerances, judgement.all_within
    record = {
        "verdict": judgement.word,
        "tolerances": {
            "name": tolerances.name,
            "sha256": tolerances.sha256,
            "built_in": tolerances.built_in,
            "limits": {kind: asdict(limit) for kind, limit in tolerances.limits.items()},
        },
        "guard": judgement.rule.guard,
        "outside_by_chance": judgement.by_chance,
        "all_within_probability": {"least": low_high[0], "greatest": low_high[1]},
        "missing": judgement.missing,
        "figures": [_figure(one) for one in judgement.figures],
        "twists": judgement.twists,
        "settle": [_settle(one) for one in judgement.settle],
        "touch_up": [_touch_up(one) for one in judgement.touch_up],
    }
    plain = as_json(record)
    assert isinstance(plain, dict)
    return plain


def _figure(one: Judged) -> dict[str, Any]:
    figure = one.figure
    return {
        "kind": figure.kind,
        "id": figure.id,
        "twists": figure.twists,
        "unit": figure.unit,
        "value": figure.value,
        "u95": figure.u95,
        "limit": one.limit,
        "verdict": one.word,
        "probability": one.probability,
        "p_value": one.p_value,
    }


def _settle(one: Settle) -> dict[str, Any]:
    figure, rest = one.figure, {"smaller": one.smaller, "photos": one.photos, "advice": one.advice}
    return {"kind": figure.kind, "id": figure.id, "twists": figure.twists, **rest}


def _touch_up(one: TouchUp) -> dict[str, Any]:
    entry = asdict(one)
    entry["verdict"] = entry.pop("word")
    return entry


def judgement_text(judgement: Record) -> str:
    """The verdict, what it rests on, what would settle it, and the top of the touch-up list."""
    parts = (_verdict_lines(judgement), _count_lines(judgement), _settle_lines(judgement), _touch_up_lines(judgement))
    return "\n\n".join(text for text in map("\n".join, parts) if text)


def _verdict_lines(judgement: Record) -> list[str]:
    word, kept = judgement["verdict"], judgement["tolerances"]
    own = ", from no standard; docs/tolerances.md" if kept["built_in"] else ""
    lines = [
        f"Verdict: [{SHAPES[word]}] {WORDS[word]}.",
        f"Limits: {kept['name']} ({kept['sha256'][:8]}{own}); {rule_words(Rule(guard=judgement['guard']))}.",
    ]
    return [*lines, *verdict_notes(judgement)]


def verdict_notes(judgement: Record) -> Iterator[str]:
    """What must be known to read the verdict rightly, a sentence each."""
    if judgement["missing"]:
        missing = ", ".join(_missing(judgement, kind, count) for kind, count in judgement["missing"].items())
        yield f"Needed and not measured: {missing}."
    if judgement["outside_by_chance"]:
        yield (
            "A figure is outside by itself, but among so many the worst of a good piece may look so: a second photo "
            "tells whether it is real."
        )


def _missing(judgement: Record, kind: str, count: int) -> str:
    """So many of a kind; all of it where the result has none."""
    rows = [row for row in judgement["figures"] if row["kind"] == kind]
    return f"{'every' if count == len(rows) else count} {KIND_WORDS[kind]}"


def rule_words(rule: Rule) -> str:
    """The decision rule in words."""
    if rule.guard == 0:
        return "simple acceptance: the value alone decides, at a limit half of all verdicts are wrong"
    return f"guard band of {rule.guard:g} U on either side of a limit"


def _count_lines(judgement: Record) -> Iterator[str]:
    """One line a kind of figure: its limit, how many within, too close, outside, not measured, and the worst."""
    for kind, limit in judgement["tolerances"]["limits"].items():
        rows = [row for row in judgement["figures"] if row["kind"] == kind]
        if not rows:
            continue
        count = Counter(row["verdict"] for row in rows)
        counted = ", ".join(f"[{SHAPES[word]}] {count[word]}" for word in SHAPES if count[word])
        yield f"  {KIND_WORDS[kind] + ':':20} at most {limit_words(rows[0], limit)}; {counted}{_worst(rows)}"


def limit_words(row: Record, limit: Record) -> str:
    """A limit as it applies to a figure of its kind."""
    if row["limit"] is None:
        return f"{limit['value']:g} of the pitch, which the result does not tell"
    share = f" ({100 * limit['value']:g} % of the pitch)" if limit["unit"] == "of_pitch" else ""
    return f"{row['limit']:.3g} {_UNITS[row['unit']]}{share}"


def _worst(rows: Sequence[Record]) -> str:
    told = [row for row in rows if row["value"] is not None and row["limit"] is not None]
    if not told:
        return ""
    worst = max(told, key=lambda row: abs(row["value"]) / row["limit"])
    return f"; worst {place_words(worst)}, {plus_minus(abs(worst['value']), worst['u95'], _UNITS[worst['unit']])}"


def place_words(row: Record) -> str:
    """What to call a figure: a node by the twists around it."""
    return "at " + " and ".join(row["twists"]) if row["kind"] == "closure" and row["twists"] else str(row["id"])


def _settle_lines(judgement: Record) -> Iterator[str]:
    rows = judgement["settle"]
    if not rows or judgement["verdict"] == "outside":
        return
    yield "What would settle it:"
    for row in rows[:_SHOWN]:
        yield f"  {KIND_WORDS[row['kind']]} {place_words(row)}: {row['advice']}"
    if len(rows) > _SHOWN:
        yield f"  and {len(rows) - _SHOWN} more that are too close to call"


def _touch_up_lines(judgement: Record) -> Iterator[str]:
    rows = judgement["touch_up"]
    if not rows:
        yield "Touch-up list: nothing that exceeds both its limit and its uncertainty."
        return
    yield "Touch-up list, in the order to work in (seen from the front):"
    for row in rows[:_SHOWN]:
        yield f"  {touch_up_line(row)}"
    if len(rows) > _SHOWN:
        yield f"  and {len(rows) - _SHOWN} more in result.json"


def touch_up_line(row: Record) -> str:
    """One entry: number, shape, words, what it gains and what comes first."""
    drops = ((row["mean_error_drop_mm"], "mm"), (row["mean_error_drop_deg"], "deg"))
    gains = [f"{drop:.2g} {unit}" for drop, unit in drops if drop >= _TOLD]
    gain = f" Mean error drops by {' and '.join(gains)}." if gains else ""
    first = f" After {', '.join(row['after'])}, which it hangs on." if row["after"] else ""
    return f"{row['order']}. [{SHAPES[row['verdict']]}] {row['words']}{gain}{first}"


def limits_text(limits: Mapping[Any, Limit]) -> str:
    """One line a limit, for whoever checks a tolerance file."""
    lines = []
    for kind, limit in limits.items():
        share = limit.unit == "of_pitch"
        size = f"{100 * limit.value:g} % of the pitch" if share else f"{limit.value:g} {_UNITS[limit.unit]}"
        lines.append(f"  {KIND_WORDS[kind] + ':':20} at most {size}{'; needed' if limit.needed else ''}")
    return "\n".join(lines)


_CHANGE_WORDS = {"better": "better", "worse": "worse", "moved": "changed, no nearer"}


def comparison_text(found: Comparison) -> str:
    """What changed between two results of one piece by more than both uncertainties together."""
    clear = [change for change in found.changes if change.word != "no_difference"]
    count = len(found.changes)
    lines = [
        f"{len(clear)} of {count} figures changed by more than both uncertainties together; "
        f"about {0.05 * count:.0f} would seem so by chance."
    ]
    for change in clear:
        old, new, unit = change.before, change.after, _UNITS[change.before.unit]
        lines.append(
            f"  {KIND_WORDS[old.kind]} {place_words(asdict(old))}: {_CHANGE_WORDS[change.word]}, "
            f"{plus_minus(old.value, old.u95, unit)} before, {plus_minus(new.value, new.u95, unit)} after; "
            f"change {plus_minus(change.size, change.u95, unit)}"
        )
    if not found.same_way_up:
        lines.append("That both show the same twists by the same names is taken for granted: the errors do not tell.")
    if not found.same_view:
        lines.append("The two photos are of different views, whose edges are shifted by light in different ways.")
    return "\n".join(lines)

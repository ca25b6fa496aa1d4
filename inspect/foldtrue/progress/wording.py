"""What progress says in words, and progress.json as a plain record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from foldtrue.handover_record import printable
from foldtrue.measured import decimal_places, plus_minus
from foldtrue.progress.judge import (
    ALPHA,
    MATTERS,
    MEASUREMENT,
    REPEATS_FROM,
    ControlChart,
    Finding,
    MetricProgress,
    Progress,
    Row,
)
from foldtrue.progress.series import Metric, Repeatability
from foldtrue.progress.statistics import std_interval

FORMAT, VERSION = "foldtrue-progress", 1
_LIMIT = 2.8
_WORDS = {
    "better": "Getting better",
    "worse": "Getting worse",
    "steady": "Steady",
    "not_enough_pieces": "Not enough pieces to say",
}


def progress_text(progress: Progress) -> str:
    """What the terminal shows."""
    if not progress.pieces:
        return f"No {progress.stage} like that is recorded."
    blocks = [head_line(progress)]
    for found in progress.metrics:
        lines = [f"{found.metric.title}", "  " + finding_sentence(found.finding, found.metric)]
        lines += ["  " + line for line in notes(found)]
        if found.breakdown:
            lines += ["", f"  By part, paper, plan and person, {found.metric.unit}:"]
            lines += ["  " + line for line in _table(found)]
        blocks.append("\n".join(lines))
    return printable("\n\n".join([*blocks, *cautions(progress)]))


def head_line(progress: Progress) -> str:
    """How much is compared."""
    noun = "piece" if progress.stage in ("piece", "ring") else progress.stage
    stage = " at the stage of a ring" if progress.stage == "ring" else ""
    pieces, inspections = _counted(progress.pieces, noun), _counted(progress.inspections, "inspection")
    return f"{pieces}{stage}, {inspections} recorded."


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"


def finding_sentence(finding: Finding, metric: Metric) -> str:
    """Verdict, slope with interval, p-value; or what is missing."""
    word = _WORDS[finding.verdict]
    if finding.smallest_p > ALPHA:
        why = "there must be something to compare"
        if finding.smallest_p < 1:
            chance = p_text(finding.smallest_p)
            why = (
                f"even if these {finding.pieces} rose or fell throughout, chance alone would do that with p = {chance}"
            )
        return f"{word}: {why}. Five of one plan by one person are the fewest that can tell."
    if finding.per_ten is None:
        return f"{word}."
    sentence = f"{word}: {slope_text(finding)} {metric.unit} per ten pieces, p {p_text(finding.p_value)}"
    if finding.verdict == "steady":
        sentence += f"; a change of {100 * MATTERS:.0f} % of the level is ruled out"
    if finding.verdict == "not_enough_pieces":
        sentence += f"; neither a trend is shown, nor a change of {100 * MATTERS:.0f} % of the level ruled out"
    return sentence + "."


def slope_text(finding: Finding) -> str:
    """'-0.30 (95 %: -0.52 to -0.11)', all to the same place."""
    if finding.per_ten is None:
        return ""
    low, high = finding.low, finding.high
    if low is None or high is None:
        return f"{finding.per_ten:+.2g}"
    places = max(0, decimal_places((high - low) / 2)) if high > low else 2
    values = [f"{round(value, places) + 0.0:+.{places}f}" for value in (finding.per_ten, low, high)]
    return f"{values[0]} (95 %: {values[1]} to {values[2]})"


def p_text(p_value: float) -> str:
    return "below 0.0001" if p_value < 1e-4 else f"{p_value:.2g}"


def notes(found: MetricProgress) -> list[str]:
    """Repeatability, control charts, and which pieces are left out."""
    unit = found.metric.unit
    lines = [repeatability_sentence(found.repeatability, unit)] if found.repeatability is not None else []
    for chart in found.charts:
        lines += chart_sentences(chart, unit)
    reasons: dict[str, list[str]] = {}
    for piece, reason in found.series.left_out:
        reasons.setdefault(reason, []).append(piece)
    lines += [f"Left out, as {reason}: {', '.join(pieces)}." for reason, pieces in reasons.items()]
    return lines


def repeatability_sentence(repeats: Repeatability, unit: str) -> str:
    """How far figures of one piece from several photos scatter, where there are enough of them."""
    if repeats.freedoms < REPEATS_FROM:
        return (
            f"Repeatability: not enough pieces measured in several photos ({repeats.freedoms} of {REPEATS_FROM} "
            "degrees of freedom)."
        )
    low, high = std_interval(repeats.std, repeats.freedoms)
    return (
        f"Repeatability, from pieces measured in several photos: standard deviation {repeats.std:.2g} (95 %: {low:.2g} "
        f"to {high:.2g}) {unit}, {repeats.freedoms} degrees of freedom. Two pieces that differ by less than "
        f"{_LIMIT * repeats.std:.2g} {unit} cannot be told apart."
    )


def chart_sentences(chart: ControlChart, unit: str) -> list[str]:
    """Limits, what lies outside, and how much of the scatter is the measurement's."""
    whose = " by ".join(name for name in (chart.plan or "no plan", chart.folder) if name)
    limits = chart.limits
    mean = plus_minus(limits.mean, chart.mean_u95, unit)
    lines = [
        f"{whose}: mean {mean}, control limits {max(0.0, limits.low):.3g} to {limits.high:.3g} {unit} "
        f"({len(chart.points)} pieces)."
    ]
    if chart.outside:
        lines.append(f"Outside the control limits: {', '.join(chart.outside)}.")
    if chart.average_outside:
        lines.append(f"The moving average is outside its limits at {chart.average_outside} pieces.")
    if chart.measurement_share is not None and chart.measurement_share >= MEASUREMENT:
        lines.append(
            f"{100 * chart.measurement_share:.0f} % of the scatter between these pieces is the measurement's: the "
            "limits tell more of the photos than of the hands. Measure each piece in several photos."
        )
    return lines


def cautions(progress: Progress) -> list[str]:
    """What may mislead in these very data."""
    if len(progress.views) < 2:
        return []
    return [
        f"The pieces were lit in different ways ({', '.join(progress.views)}). The noise of each is taken out, but "
        "a change of light in the middle of a series may still look like a small change of hands."
    ]


BREAKDOWN_HEAD = ("part", "pieces", "latest five (lowest to highest)", "change per ten pieces", "p", "finding")


def breakdown_cells(row: Row) -> tuple[str, ...]:
    """One line of the table of groups; p adjusted for the number of rows."""
    middle, low, high = row.latest
    finding = row.finding
    judged = finding.smallest_p <= ALPHA
    return (
        row.name if row.kind == "within the piece" else f"{row.kind}: {row.name}",
        str(finding.pieces),
        f"{middle:.3g} ({low:.3g} to {high:.3g})",
        slope_text(finding) if judged else "",
        p_text(finding.p_value) if judged else "",
        _WORDS[finding.verdict].lower(),
    )


def _table(found: MetricProgress) -> list[str]:
    rows = [BREAKDOWN_HEAD, *(breakdown_cells(row) for row in found.breakdown)]
    widths = [max(len(row[k]) for row in rows) for k in range(len(BREAKDOWN_HEAD))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]


def progress_record(progress: Progress) -> dict[str, Any]:
    """progress.json: every figure that the page shows; the form is docs/progress.schema.json."""
    return {
        "format": FORMAT,
        "version": VERSION,
        "stage": progress.stage,
        "pieces": progress.pieces,
        "inspections": progress.inspections,
        "views": list(progress.views),
        "metrics": [_metric_record(found) for found in progress.metrics],
    }


def _metric_record(found: MetricProgress) -> dict[str, Any]:
    repeats = found.repeatability
    return {
        "name": found.metric.name,
        "unit": found.metric.unit,
        "points": [{**asdict(point), "done_on": point.done_on.isoformat()} for point in found.series.points],
        "left_out": [{"piece": piece, "reason": reason} for piece, reason in found.series.left_out],
        "trend": asdict(found.finding),
        "repeatability": None if repeats is None else asdict(repeats),
        "charts": [_chart_record(chart) for chart in found.charts],
        "breakdown": [
            {"kind": row.kind, "name": row.name, "latest": list(row.latest), "trend": asdict(row.finding)}
            for row in found.breakdown
        ],
    }


def _chart_record(chart: ControlChart) -> Mapping[str, Any]:
    return {
        "plan": chart.plan,
        "folder": chart.folder,
        "orders": [point.order for point in chart.points],
        "mean": chart.limits.mean,
        "sigma": chart.limits.sigma,
        "low": chart.limits.low,
        "high": chart.limits.high,
        "average": chart.average.values.tolist(),
        "average_low": chart.average.low.tolist(),
        "average_high": chart.average.high.tolist(),
        "mean_u95": chart.mean_u95,
        "outside": list(chart.outside),
        "average_outside": chart.average_outside,
        "measurement_share": chart.measurement_share,
    }

"""What may be said of the pieces so far: better, worse, steady, or not enough pieces to say.

The rule (docs/progress.md): an order of so few pieces that could show nothing is never judged; a trend needs p at most
0.05 and an interval without zero; steadiness needs an interval that holds no change worth the name.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from foldtrue.handover_record import RecordedPiece, Stage
from foldtrue.measured import COVERAGE_95
from foldtrue.progress.series import (
    ANGLE,
    POSITION,
    Metric,
    Point,
    Repeatability,
    Series,
    groups_in,
    one_of_each,
    repeatability,
    series_of,
)
from foldtrue.progress.statistics import Ewma, Limits, ewma, holm, individuals_limits, mann_kendall, theil_sen
from foldtrue.propagation import coverage_factor

Verdict = Literal["better", "worse", "steady", "not_enough_pieces"]
ALPHA = 0.05
MATTERS = 0.25
"""A change per ten pieces below this share of the level is none worth the name (our choice)."""
LIMITS_FROM = 8
"""Pieces from which control limits are drawn (common practice, no source)."""
REPEATS_FROM = 5
"""Degrees of freedom from which repeatability is told: with fewer its interval is wider than twice itself."""
LATEST = 5
PER = 10
"""Slopes are told per so many pieces."""
MEASUREMENT = 0.5
"""Share of the scatter from which the measurement, not the hands, makes the limits."""


@dataclass(frozen=True)
class Finding:
    """pieces: how many were compared. per_ten: Theil-Sen slope per ten pieces, low and high its 95 % interval, None
    where there is none. p_value: Mann-Kendall, in a breakdown adjusted for its rows. smallest_p: the least p-value that
    so many pieces could have. level: their median, what a change is measured against."""

    verdict: Verdict
    pieces: int
    level: float | None
    per_ten: float | None
    low: float | None
    high: float | None
    p_value: float
    smallest_p: float


@dataclass(frozen=True)
class ControlChart:
    """Pieces of one plan by one person: individuals chart and moving average with their limits. outside: pieces beyond
    a limit of the first; average_outside: at how many the second leaves its own. mean_u95: of the mean.
    measurement_share: of the variance between pieces, what the measurement explains."""

    plan: str
    folder: str
    points: tuple[Point, ...]
    limits: Limits
    average: Ewma
    outside: tuple[str, ...]
    average_outside: int
    mean_u95: float
    measurement_share: float | None


@dataclass(frozen=True)
class Row:
    """One line of a breakdown. latest: median, lowest and highest of the last five pieces."""

    kind: str
    name: str
    latest: tuple[float, float, float]
    finding: Finding


@dataclass(frozen=True)
class MetricProgress:
    metric: Metric
    series: Series
    finding: Finding
    repeatability: Repeatability | None
    charts: tuple[ControlChart, ...]
    breakdown: tuple[Row, ...]


@dataclass(frozen=True)
class Progress:
    """stage: of what; pieces, inspections: how many are recorded of it; views: how they were lit."""

    stage: Stage
    pieces: int
    inspections: int
    views: tuple[str, ...]
    metrics: tuple[MetricProgress, ...]


def see_progress(found: Sequence[RecordedPiece], stage: Stage) -> Progress:
    """What the recorded inspections of one stage say; the other stages' are left aside."""
    rows = [row for row in found if row.stage == stage]
    pieces = one_of_each(rows)
    views = tuple(sorted({row.view for row in pieces if row.view}))
    metrics = tuple(_metric(rows, pieces, metric) for metric in (POSITION, ANGLE))
    return Progress(stage, len(pieces), len(rows), views, metrics)


def _metric(rows: Sequence[RecordedPiece], pieces: Sequence[RecordedPiece], metric: Metric) -> MetricProgress:
    series, repeats = series_of(pieces, metric), repeatability(rows, metric)
    strata = dict.fromkeys(point.stratum for point in series.points)
    own = ([point for point in series.points if point.stratum == stratum] for stratum in strata)
    charts = tuple(_chart(points, repeats) for points in own if len(points) >= LIMITS_FROM)
    return MetricProgress(
        metric, series, judge(series.points), repeats, charts, _breakdown(pieces, metric, series.points)
    )


def judge(points: Sequence[Point]) -> Finding:
    """Trend of the points in their order; only pieces of one plan by one person are compared with each other."""
    values, order = np.array([point.value for point in points]), np.array([float(point.order) for point in points])
    strata = [point.stratum for point in points]
    if len(points) < 2:
        level = points[0].value if points else None
        return Finding("not_enough_pieces", len(points), level, None, None, None, 1.0, 1.0)
    test, slope = mann_kendall(values, strata), theil_sen(order, values, strata)
    per_ten, low, high = (None if part is None else PER * part for part in (slope.value, slope.low, slope.high))
    finding = Finding(
        "steady", len(points), float(np.median(values)), per_ten, low, high, test.p_value, test.smallest_p
    )
    return replace(finding, verdict=verdict_of(finding))


def verdict_of(finding: Finding) -> Verdict:
    """The rule on the module's first page."""
    low, high, level = finding.low, finding.high, finding.level
    if finding.smallest_p > ALPHA or low is None or high is None or level is None:
        return "not_enough_pieces"
    if finding.p_value <= ALPHA and not low <= 0 <= high:
        return "better" if high < 0 else "worse"
    if level > 0 and max(-low, high) <= MATTERS * level:
        return "steady"
    return "not_enough_pieces"


def _chart(points: Sequence[Point], repeats: Repeatability | None) -> ControlChart:
    values = np.array([point.value for point in points])
    limits = individuals_limits(values)
    average = ewma(values, start=limits.mean, sigma=limits.sigma)
    beyond = (values < limits.low) | (values > limits.high)
    left = int(np.sum((average.values < average.low) | (average.values > average.high)))
    outside = tuple(point.piece for point, out in zip(points, beyond.tolist(), strict=True) if out)
    mean_u95 = coverage_factor(len(values) - 1) * float(np.std(values, ddof=1)) / math.sqrt(len(values))
    noise = float(np.mean([(point.u95 / COVERAGE_95) ** 2 for point in points]))
    if repeats is not None and repeats.freedoms >= REPEATS_FROM:
        noise = max(noise, repeats.std**2)
    share = min(1.0, noise / limits.sigma**2) if limits.sigma > 0 else None
    plan, folder = points[0].stratum
    return ControlChart(plan, folder, tuple(points), limits, average, outside, left, mean_u95, share)


def _breakdown(pieces: Sequence[RecordedPiece], metric: Metric, points: Sequence[Point]) -> tuple[Row, ...]:
    """Groups within pieces, then pieces by paper, plan and person where there are several of them; p-values adjusted
    for the number of rows that could show anything."""
    parts = [("within the piece", group, series_of(pieces, metric, group).points) for group in groups_in(pieces)]
    kinds: tuple[tuple[str, Callable[[Point], str]], ...] = (
        ("paper", lambda point: point.paper),
        ("plan", lambda point: point.plan),
        ("folder", lambda point: point.folder),
    )
    for kind, of in kinds:
        names = dict.fromkeys(map(of, points))
        if len(names) > 1:
            parts += [(kind, name or "not said", tuple(p for p in points if of(p) == name)) for name in names]
    findings = [judge(part) for _, _, part in parts]
    able = [k for k, finding in enumerate(findings) if finding.smallest_p <= ALPHA]
    for k, p_value in zip(able, holm([findings[k].p_value for k in able]), strict=True):
        adjusted = replace(findings[k], p_value=p_value)
        findings[k] = replace(adjusted, verdict=verdict_of(adjusted))
    rows = zip(parts, findings, strict=True)
    return tuple(Row(kind, name, _latest(part), finding) for (kind, name, part), finding in rows if part)


def _latest(points: Sequence[Point]) -> tuple[float, float, float]:
    last = [point.value for point in points[-LATEST:]]
    return float(np.median(last)), min(last), max(last)

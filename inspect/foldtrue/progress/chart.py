"""Charts as SVG: black on white, told apart by shape, line style and a label at the line itself, never by colour."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape

from foldtrue.progress.judge import ControlChart, MetricProgress
from foldtrue.progress.series import Point

_WIDTH, _HEIGHT = 780, 300
_LEFT, _RIGHT, _TOP, _BOTTOM = 64, 150, 16, 44
_SIZE = 4.5
SHAPES = ("circle", "square", "triangle", "diamond", "ring", "frame", "cross", "plus")
"""With more plans and persons than shapes they are used again; the words at each point tell them apart."""
_STEPS = (0.2, 0.5, 1.0, 2.0)


@dataclass(frozen=True)
class _Frame:
    """Data to picture: x in pieces, from first to last; y from 0 (or low) to high."""

    first: int
    last: int
    low: float
    high: float

    def x(self, order: float) -> float:
        share = (order - self.first) / (self.last - self.first) if self.last > self.first else 0.5
        return _LEFT + 12 + share * (_WIDTH - _LEFT - _RIGHT - 24)

    def y(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return _HEIGHT - _BOTTOM - min(1.0, max(0.0, share)) * (_HEIGHT - _TOP - _BOTTOM)


def overview_chart(progress: MetricProgress) -> str:
    """Every piece with its 95 % interval, a shape for each plan and person; the trend where all are of one."""
    points, finding = progress.series.points, progress.finding
    frame, shapes = _frame(points, []), shapes_of(points)
    parts = _axes(frame, points, f"{progress.metric.title}, {progress.metric.unit}")
    if len(shapes) == 1 and finding.per_ten is not None and len(points) > 2:
        parts += _trend(frame, points, finding.per_ten / 10)
    parts += [_point(frame, point, shapes[point.stratum]) for point in points]
    return _svg(parts, f"{progress.metric.title} of {len(points)} pieces in the order of folding")


def individuals_chart(chart: ControlChart, unit: str) -> str:
    """Pieces of one plan by one person with mean and control limits."""
    limits = chart.limits
    frame = _frame(chart.points, [limits.low, limits.high])
    parts = _axes(frame, chart.points, f"each piece, {unit}")
    parts += [
        _level(frame, limits.mean, f"mean {limits.mean:.3g}", ""),
        _level(frame, limits.high, f"upper limit {limits.high:.3g}", "6 4"),
        _level(frame, limits.low, f"lower limit {limits.low:.3g}", "6 4") if limits.low > 0 else "",
        _path(frame, [(p.order, p.value) for p in chart.points], "1.2", ""),
    ]
    parts += [_point(frame, point, "circle", bar=False) for point in chart.points]
    parts += [_ringed(frame, p.order, p.value) for p in chart.points if not limits.low <= p.value <= limits.high]
    return _svg(parts, f"Individuals chart of {len(chart.points)} pieces with mean and control limits")


def average_chart(chart: ControlChart, unit: str) -> str:
    """The moving average of the same pieces with its limits."""
    average, orders = chart.average, [point.order for point in chart.points]
    low, smooth, high = (part.tolist() for part in (average.low, average.values, average.high))
    frame = _frame(chart.points, [*low, *smooth, *high], bars=False)
    parts = _axes(frame, chart.points, f"moving average, {unit}")
    parts += [
        _level(frame, chart.limits.mean, f"mean {chart.limits.mean:.3g}", ""),
        _path(frame, list(zip(orders, high, strict=True)), "1.2", "6 4"),
        _path(frame, list(zip(orders, low, strict=True)), "1.2", "6 4"),
        _label(frame.y(high[-1]), f"upper limit {high[-1]:.3g}"),
        _label(frame.y(low[-1]), f"lower limit {low[-1]:.3g}"),
        _path(frame, list(zip(orders, smooth, strict=True)), "3", ""),
    ]
    triples = zip(orders, smooth, low, high, strict=True)
    parts += [_ringed(frame, order, z) for order, z, least, most in triples if not least <= z <= most]
    return _svg(parts, f"Exponentially weighted moving average of {len(orders)} pieces with its limits")


def shapes_of(points: Sequence[Point]) -> Mapping[tuple[str, str], str]:
    """A shape for each stratum, in the order they come up."""
    strata = dict.fromkeys(point.stratum for point in points)
    return {stratum: SHAPES[k % len(SHAPES)] for k, stratum in enumerate(strata)}


def legend_symbol(shape: str) -> str:
    """The shape alone, to stand in a line of text."""
    return (
        f'<svg width="14" height="14" viewBox="0 0 14 14" role="img" aria-label="{shape}">{_shape(7, 7, shape)}</svg>'
    )


def _frame(points: Sequence[Point], more: Sequence[float], bars: bool = True) -> _Frame:
    values = [*more] if not bars else [*more, *(p.value + p.u95 for p in points), *(p.value for p in points)]
    high = max([value for value in values if value > 0] or [1.0])
    low = 0.0 if bars else min(values)
    step = _step(high - max(0.0, low))
    bottom = 0.0 if bars or low < step else step * (low // step)
    return _Frame(points[0].order, points[-1].order, bottom, step * (high // step + 1))


def _step(span: float) -> float:
    """A round step that divides the span in two to five."""
    if span <= 0:
        return 1.0
    size = 10.0 ** math.floor(math.log10(span))
    return next(size * step for step in _STEPS if span / (size * step) <= 5)


def _axes(frame: _Frame, points: Sequence[Point], title: str) -> list[str]:
    bottom, right = _HEIGHT - _BOTTOM, _WIDTH - _RIGHT
    parts = [f'<path d="M{_LEFT} {_TOP}V{bottom}H{right}" fill="none" stroke="#000"/>']
    step = _step(frame.high - frame.low)
    count = round((frame.high - frame.low) / step)
    for k in range(count + 1):
        value = frame.low + k * step
        y = frame.y(value)
        parts.append(f'<path d="M{_LEFT} {y:.1f}h-4" stroke="#000"/>')
        parts.append(f'<text x="{_LEFT - 8}" y="{y + 4:.1f}" text-anchor="end">{value:.4g}</text>')
    for point in _ticks(points):
        x = frame.x(point.order)
        parts.append(f'<path d="M{x:.1f} {bottom}v4" stroke="#000"/>')
        parts.append(f'<text x="{x:.1f}" y="{bottom + 17}" text-anchor="middle">{point.order}</text>')
    ends = [points[0], points[-1]] if len(points) > 1 else [points[0]]
    for point, anchor in zip(ends, ("start", "end"), strict=False):
        x = _LEFT if anchor == "start" else right
        parts.append(f'<text x="{x}" y="{bottom + 34}" text-anchor="{anchor}">{point.done_on}</text>')
    parts.append(f'<text x="{(_LEFT + right) / 2}" y="{bottom + 34}" text-anchor="middle">piece</text>')
    turned = f'transform="translate(14 {(_TOP + bottom) / 2}) rotate(-90)"'
    parts.append(f'<text {turned} text-anchor="middle">{escape(title)}</text>')
    return parts


def _ticks(points: Sequence[Point]) -> Sequence[Point]:
    every = max(1, -(-len(points) // 12))
    return points[::every]


def _level(frame: _Frame, value: float, label: str, dashes: str) -> str:
    y = frame.y(value)
    return f'<path d="M{_LEFT} {y:.1f}H{_WIDTH - _RIGHT}" stroke="#000"{_dashed(dashes)}/>' + _label(y, label)


def _label(y: float, text: str) -> str:
    return f'<text x="{_WIDTH - _RIGHT + 8}" y="{y + 4:.1f}">{escape(text)}</text>'


def _path(frame: _Frame, places: Sequence[tuple[float, float]], width: str, dashes: str) -> str:
    line = "L".join(f"{frame.x(order):.1f} {frame.y(value):.1f}" for order, value in places)
    return f'<path d="M{line}" fill="none" stroke="#000" stroke-width="{width}"{_dashed(dashes)}/>'


def _dashed(dashes: str) -> str:
    return f' stroke-dasharray="{dashes}"' if dashes else ""


def _trend(frame: _Frame, points: Sequence[Point], slope: float) -> list[str]:
    """The Theil-Sen line through the median of what is left when the slope is taken out."""
    rest = sorted(point.value - slope * point.order for point in points)
    level = (rest[len(rest) // 2] + rest[(len(rest) - 1) // 2]) / 2
    ends = [(order, level + slope * order) for order in (points[0].order, points[-1].order)]
    return [_path(frame, ends, "1.5", "12 4 2 4"), _label(frame.y(ends[1][1]), "trend")]


def _point(frame: _Frame, point: Point, shape: str, bar: bool = True) -> str:
    x, y = frame.x(point.order), frame.y(point.value)
    drawn = _shape(x, y, shape)
    if bar:
        low, high = frame.y(max(0.0, point.value - point.u95)), frame.y(point.value + point.u95)
        drawn = f'<path d="M{x:.1f} {low:.1f}V{high:.1f}" stroke="#000"/>' + drawn
    said = f"{point.order}: {point.piece}, {point.done_on}, {point.value:.3g} ± {point.u95:.2g}"
    return f"<g><title>{escape(said)}</title>{drawn}</g>"


def _ringed(frame: _Frame, order: float, value: float) -> str:
    """A ring around what lies outside its limits."""
    x, y = frame.x(order), frame.y(value)
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="9" fill="none" stroke="#000" stroke-width="1.5"/>'


def _shape(x: float, y: float, shape: str) -> str:
    s = _SIZE
    outlines = {
        "circle": f"M{x - s:.1f} {y:.1f}a{s} {s} 0 1 0 {2 * s} 0a{s} {s} 0 1 0 -{2 * s} 0z",
        "square": f"M{x - s:.1f} {y - s:.1f}h{2 * s}v{2 * s}h-{2 * s}z",
        "triangle": f"M{x:.1f} {y - 1.3 * s:.1f}l{1.2 * s} {2.1 * s}h-{2.4 * s}z",
        "diamond": f"M{x:.1f} {y - 1.4 * s:.1f}l{1.2 * s} {1.4 * s}l-{1.2 * s} {1.4 * s}l-{1.2 * s} -{1.4 * s}z",
        "cross": f"M{x - s:.1f} {y - s:.1f}l{2 * s} {2 * s}m-{2 * s} 0l{2 * s} -{2 * s}",
        "plus": f"M{x - s:.1f} {y:.1f}h{2 * s}m-{s} -{s}v{2 * s}",
    }
    outlines |= {"ring": outlines["circle"], "frame": outlines["square"]}
    filled = "#000" if shape in ("circle", "square", "diamond") else "#fff"
    fill = "none" if shape in ("cross", "plus") else filled
    return f'<path d="{outlines[shape]}" fill="{fill}" stroke="#000" stroke-width="1.5"/>'


def _svg(parts: Sequence[str], title: str) -> str:
    return (
        f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{escape(title)}">'
        f"<title>{escape(title)}</title>{''.join(parts)}</svg>"
    )

"""progress.html: one page that holds all it needs, without scripts and without anything loaded from elsewhere."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

from foldtrue.progress.chart import average_chart, individuals_chart, legend_symbol, overview_chart, shapes_of
from foldtrue.progress.judge import ControlChart, MetricProgress, Progress
from foldtrue.progress.wording import (
    BREAKDOWN_HEAD,
    breakdown_cells,
    cautions,
    chart_sentences,
    finding_sentence,
    head_line,
    notes,
    repeatability_sentence,
)

_STYLE = """
body { font: 16px/1.45 sans-serif; color: #000; background: #fff; max-width: 50rem; margin: 2rem auto; padding: 0 1rem }
.scroll { overflow-x: auto } svg[viewBox^="0 0 780"] { width: 100%; min-width: 40rem; height: auto; font: 12px sans-serif; display: block; margin: .5rem 0 }
h1 { font-size: 1.6rem } h2 { font-size: 1.25rem; margin-top: 2.2rem; border-top: 1px solid #000; padding-top: .8rem }
h3 { font-size: 1rem; margin-bottom: 0 } .verdict { font-weight: bold }
table { border-collapse: collapse; font-size: .85rem; width: 100% } th, td { text-align: left; padding: .2rem .6rem .2rem 0; border-bottom: 1px solid #999 }
.legend span { margin-right: 1.4em; display: inline-block } .small { font-size: .85rem }
@media print { h2 { break-before: page } svg, table { break-inside: avoid } }
"""  # noqa: E501
_ABOUT = (
    "Mean errors have the noise of the measurement taken out, are told in shares of the plan's pitch or in degrees, "
    "and are brought to the same footing for few and many twists; smaller is better. A bar is a 95 % interval. Only "
    "pieces of one plan by one person are compared with each other. Change: Theil-Sen slope with its 95 % interval; "
    "p: Mann-Kendall test, in a table adjusted for the number of its rows (Holm). Control limits: three sigma, from "
    "the mean moving range; moving average: exponentially weighted, 0.3. A ring marks what lies outside its limits."
)
_NOT = (
    "Not a certified measurement. Who folded what is personal data: keep this page as private as you keep the record."
)


def progress_body(progress: Progress) -> str:
    """All below the page's title, as HTML text without styles of its own."""
    body = [f"<p>{escape(head_line(progress))}</p>"]
    body += [_metric(found) for found in progress.metrics if found.series.points]
    body += [_nothing(found) for found in progress.metrics if not found.series.points]
    body += [_paragraphs(cautions(progress)), f'<h2>How to read this</h2><p class="small">{_ABOUT}</p>']
    body.append(f'<p class="small">{_NOT}</p>')
    return "".join(body)


def progress_page(progress: Progress) -> str:
    """The page as HTML text."""
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>Progress</title>'
        '<meta name="viewport" content="width=device-width"><meta http-equiv="Content-Security-Policy" '
        f"content=\"default-src 'none'; style-src 'unsafe-inline'\"><style>{_STYLE}</style></head>"
        f"<body><h1>Progress</h1>{progress_body(progress)}</body></html>\n"
    )


def _metric(found: MetricProgress) -> str:
    verdict = f'<p class="verdict">{escape(finding_sentence(found.finding, found.metric))}</p>'
    parts = [f"<h2>{escape(found.metric.title)}</h2>{verdict}", _wide(overview_chart(found)), _legend(found)]
    if found.repeatability is not None:
        parts.append(_paragraphs([repeatability_sentence(found.repeatability, found.metric.unit)]))
    parts += [_chart(chart, found.metric.unit) for chart in found.charts]
    parts.append(_paragraphs(line for line in notes(found) if line.startswith("Left out")))
    return "".join([*parts, _breakdown(found)])


def _nothing(found: MetricProgress) -> str:
    return f"<h2>{escape(found.metric.title)}</h2><p>Not measured.</p>" + _paragraphs(notes(found))


def _legend(found: MetricProgress) -> str:
    shapes = shapes_of(found.series.points)
    if len(shapes) == 1:
        return ""
    items = (
        f"<span>{legend_symbol(shape)} {escape(' by '.join(filter(None, (plan or 'no plan', folder))))}</span>"
        for (plan, folder), shape in shapes.items()
    )
    return f'<p class="legend small">{" ".join(items)}</p>'


def _chart(chart: ControlChart, unit: str) -> str:
    first, *rest = chart_sentences(chart, unit)
    charts = _wide(individuals_chart(chart, unit)) + _wide(average_chart(chart, unit))
    return f"<h3>{escape(first)}</h3>" + _paragraphs(rest) + charts


def _wide(content: str) -> str:
    """What keeps its size on a small screen and is scrolled there, with keys too."""
    return f'<div class="scroll" tabindex="0">{content}</div>'


def _breakdown(found: MetricProgress) -> str:
    if not found.breakdown:
        return ""
    head = "".join(f'<th scope="col">{escape(cell)}</th>' for cell in BREAKDOWN_HEAD)
    rows = "".join(
        f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in breakdown_cells(row))}</tr>" for row in found.breakdown
    )
    table = _wide(f"<table><tr>{head}</tr>{rows}</table>")
    return f"<h3>By part, paper, plan and person, {escape(found.metric.unit)}</h3>{table}"


def _paragraphs(lines: Iterable[str]) -> str:
    return "".join(f"<p>{escape(line)}</p>" for line in lines)

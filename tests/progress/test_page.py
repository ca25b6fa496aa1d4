"""The page: complete in itself, safe with any name, readable without colour."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser
from xml.etree import ElementTree

import pytest
from recorded import folded

from foldtrue.progress.chart import SHAPES, average_chart, individuals_chart, overview_chart
from foldtrue.progress.judge import see_progress
from foldtrue.progress.page import progress_page
from foldtrue.progress.wording import progress_record, progress_text

NASTY = "<script>alert('1')</script>\" & é"


def shown(pieces):
    return progress_page(see_progress(pieces, "piece"))


class Balanced(HTMLParser):
    """Every tag that is opened is closed, in order."""

    alone = ("meta", "br", "path")

    def __init__(self):
        super().__init__()
        self.open = []

    def handle_starttag(self, tag, attrs):
        if tag not in self.alone:
            self.open.append(tag)

    def handle_endtag(self, tag):
        if tag not in self.alone:
            assert self.open.pop() == tag


@pytest.mark.parametrize("count", [0, 1, 2, 7, 8, 40])
def test_a_page_of_any_number_of_pieces_is_whole(count):
    page = shown(folded(1, count))
    reader = Balanced()
    reader.feed(page)
    assert reader.open == []
    assert "nan" not in page.lower()


def test_nothing_is_loaded_from_elsewhere_and_nothing_runs():
    page = shown(folded(1, 20))
    assert "http:" not in page
    assert "https:" not in page
    assert "<script" not in page
    assert "src=" not in page.replace("default-src", "")
    assert "default-src 'none'" in page


def test_names_are_text():
    page = shown([replace(row, piece=NASTY, plan=NASTY, folder=NASTY, paper=NASTY) for row in folded(1, 12)])
    assert "<script" not in page
    rows = [
        replace(row, piece=f"{NASTY}{k}", plan=NASTY, folder=NASTY if k % 2 else "wren")
        for k, row in enumerate(folded(1, 12))
    ]
    assert "<script" not in shown(rows)
    assert "&lt;script&gt;" in shown(rows)


def test_no_colour_carries_a_meaning():
    page = shown([*folded(1, 12), *(replace(row, piece=f"w{row.number}", folder="wren") for row in folded(2, 9))])
    assert set(re.findall(r'(?:fill|stroke)="([^"]+)"', page)) <= {"#000", "#fff", "none"}


def test_charts_are_svg_with_a_name_and_a_word_for_every_point():
    found = see_progress(folded(1, 12), "piece").metrics[0]
    charts = [overview_chart(found), *(draw(found.charts[0], "x") for draw in (individuals_chart, average_chart))]
    for chart in charts:
        root = ElementTree.fromstring(chart)
        assert root.get("aria-label")
    titles = [title.text for title in ElementTree.fromstring(charts[0]).iter("title")]
    assert len(titles) == 13
    assert titles[1].startswith("1: panel 0, 2025-01-06, ")


def test_points_lie_where_their_figures_say():
    found = see_progress(folded(1, 12), "piece").metrics[0]
    root = ElementTree.fromstring(overview_chart(found))
    bars = [path.get("d") for group in root.iter("g") for path in list(group.iter("path"))[:1]]
    y = [sum(float(part) for part in re.fullmatch(r"M[\d.]+ ([\d.]+)V([\d.]+)", bar).groups()) / 2 for bar in bars]
    values = [point.value for point in found.series.points]
    slope = (y[0] - y[1]) / (values[0] - values[1])
    for place, value in zip(y, values, strict=True):
        assert place - y[0] == pytest.approx(slope * (value - values[0]), abs=0.15)


def test_every_plan_and_person_has_a_shape_of_its_own():
    rows = [replace(row, plan=f"plan {k % 6}", plan_sha256=f"{k % 6}" * 64) for k, row in enumerate(folded(1, 24))]
    page = shown(rows)
    legend = page[page.index('class="legend') :]
    assert [f'aria-label="{shape}"' in legend for shape in SHAPES[:6]] == [True] * 6


def test_the_text_names_what_is_left_out_and_mixed_light():
    rows = folded(1, 6)
    rows[2] = replace(rows[2], pitch_mm=None, view="front")
    said = progress_text(see_progress(rows, "piece"))
    assert "Left out, as its result does not tell the pitch; measure it again: panel 2." in said
    assert "lit in different ways (backlit, front)" in said


def test_the_record_of_any_number_of_pieces_has_no_nan():
    import json

    for count in (0, 1, 3, 9):
        json.dumps(progress_record(see_progress(folded(1, count), "piece")), allow_nan=False)

"""Pages: tiles that cover the drawing, words that stay on the paper, the same bytes every time, nothing hostile."""

from __future__ import annotations

import dataclasses
import xml.etree.ElementTree as ET
from time import process_time

import numpy as np
import pypdfium2
import pytest
from hypothesis import given
from hypothesis import strategies as st
from printed import page_text, text_boxes

from foldtrue.errors import UsageError
from foldtrue.plan_drawings import DRAWINGS, DrawOptions, plan_pages
from foldtrue.printing.drawing import Drawing, Words
from foldtrue.printing.layout import MARGIN_MM
from foldtrue.printing.paper import lay_out
from foldtrue.printing.pdf import pdf_bytes
from foldtrue.printing.svg import svg_text
from foldtrue.printing.tiles import OVERLAP_MM, cut_up
from foldtrue.printing.words import fitted, width_mm, wrapped

HOSTILE = [
    "<script>alert(1)</script>",
    '"><svg onload="alert(1)">&amp;',
    "a\x00b\x1b[31mred\r\n\u202e\ud800 end",
    "W" * 200,
    " ".join(["wide"] * 40),
    "(\\) Tj ET q",
    "折り紙 пан窓",
]


def blank(width, height):
    return Drawing("blank", "invented", "", (-width / 2, -height / 2), (width / 2, height / 2), ())


@given(st.floats(20, 3000), st.floats(20, 3000), st.sampled_from([(210.0, 297.0), (215.9, 279.4)]))
def test_tiles_cover_the_drawing_and_overlap_by_as_much_as_is_said(width, height, paper):
    tiling = cut_up(blank(width, height), paper)
    first, last = tiling.box(0, 0), tiling.box(tiling.rows - 1, tiling.columns - 1)
    assert first[0] <= -width / 2 + 1e-9
    assert last[2] >= width / 2 - 1e-9
    assert first[3] >= height / 2 - 1e-9
    assert last[1] <= -height / 2 + 1e-9
    if tiling.columns > 1:
        assert tiling.box(0, 0)[2] - tiling.box(0, 1)[0] == pytest.approx(OVERLAP_MM)
    if tiling.rows > 1:
        assert tiling.box(1, 0)[3] - tiling.box(0, 0)[1] == pytest.approx(OVERLAP_MM)


def test_a_drawing_that_fits_on_the_paper_takes_one_page(named_plan, pages):
    assert len(pages(named_plan("honeycomb"), "front", paper="A4")) == 1
    assert len(pages(named_plan("listed"), "creases", paper="A3")) == 1


def test_a_tiled_drawing_comes_with_an_overview_and_a_label_on_every_page(pages, large_panel):
    laid_out = pages(large_panel, "creases", paper="A3")
    pdf = pdf_bytes(laid_out)
    overview = page_text(pdf)
    tiles = len(laid_out) - 1
    assert f"the {tiles} pages that follow are at true size" in overview.replace("\r\n", " ")
    for number, page in enumerate(laid_out[1:], 1):
        text = page_text(pdf, number)
        row, column = page.title.rpartition("row ")[2].split(", column ")
        assert f"row {row}, column {column}" in text
        assert f"{row[0]} / {column[0]}" in overview
        assert ("lay it over the page" in text) == ((row[0], column[0]) != ("1", "1"))


@pytest.mark.parametrize("what", DRAWINGS)
def test_the_same_plan_gives_the_same_bytes(named_plan, what):
    plan, _ = named_plan("mixed")
    options = DrawOptions(paper="A4", grid_lines=True)
    once, again = (plan_pages(plan, (what,), options) for _ in range(2))
    assert pdf_bytes(once) == pdf_bytes(again)
    assert svg_text(once) == svg_text(again)


@pytest.mark.parametrize("name", HOSTILE, ids=range(len(HOSTILE)))
def test_a_hostile_name_stays_words_and_stays_on_the_page(named_plan, pages, name):
    plan, nominal = named_plan("with areas")
    laid_out = pages((plan, dataclasses.replace(nominal, name=name)), *DRAWINGS, paper="Letter")
    svg = ET.fromstring(svg_text(laid_out))
    assert {element.tag.partition("}")[2] for element in svg.iter()} <= {
        "svg",
        "title",
        "g",
        "path",
        "text",
        "clipPath",
        "rect",
    }
    assert not any(key.startswith("on") or key.endswith("href") for element in svg.iter() for key in element.attrib)
    assert_words_on_page(laid_out)
    headings = [mark.text for page in laid_out for mark in page.marks[:1]]
    for what in ("Crease pattern", "Folded piece, front", "Against the light", "Placement guide"):
        assert any(heading.startswith(what) for heading in headings)


def assert_words_on_page(laid_out):
    """Of pages that show whole drawings; the parts of a drawing on a tile are cut off at its frame on purpose."""
    whole = [page for page in laid_out if all(window.clip is None for window in page.windows)]
    pdf = pdf_bytes(whole)
    for number in range(len(whole)):
        assert_on_page(pdf, number)


def assert_on_page(pdf, number, margin_mm=9.0):
    boxes, (width, height) = text_boxes(pdf, number)
    assert len(boxes)
    assert boxes[:, :2].min() > margin_mm
    assert boxes[:, 2].max() < width - margin_mm
    assert boxes[:, 3].max() < height - margin_mm


@pytest.mark.parametrize("paper", ["fit", "A3"])
def test_no_words_are_cut_off_at_the_edge_of_a_page(any_plan, pages, paper):
    assert_words_on_page(pages(any_plan, *DRAWINGS, paper=paper))


def test_words_around_a_drawing_stay_on_the_page_and_off_each_other(any_plan, pages):
    for page in pages(any_plan, *DRAWINGS, paper="A4"):
        boxes = []
        for mark in page.marks:
            if isinstance(mark, Words):
                long = width_mm(mark.text, mark.size_mm)
                left = mark.at[0] - {"start": 0, "middle": long / 2, "end": long}[mark.anchor]
                boxes.append((left, mark.at[1], left + long, mark.at[1] + 0.7 * mark.size_mm))
        x0, y0, x1, y1 = np.array(boxes).T
        assert x0.min() >= MARGIN_MM - 1e-6
        assert x1.max() <= page.width_mm - MARGIN_MM + 1e-6
        over = (x0[:, None] < x1) & (x0 < x1[:, None]) & (y0[:, None] < y1) & (y0 < y1[:, None])
        assert not (over & ~np.eye(len(boxes), dtype=bool)).any()


@given(st.text(max_size=300), st.floats(1, 6), st.floats(5, 200))
def test_words_made_to_fit_do(text, size_mm, room_mm):
    dots = width_mm("...", size_mm)
    assert width_mm(fitted(text, size_mm, room_mm), size_mm) <= max(room_mm, dots) + 1e-9
    assert all(width_mm(line, size_mm) <= max(room_mm, dots) + 1e-9 for line in wrapped(text, size_mm, room_mm))


def test_a_plan_of_384_twists_is_drawn_in_a_moment():
    from panels import panel_plan

    from foldtrue.plan.fold import fold_plan

    plan = panel_plan(2, 64, 540.0, 8)
    nominal = fold_plan(plan)
    assert len(nominal.twists) == 384
    start = process_time()
    laid_out = plan_pages(plan, ("creases",), DrawOptions(paper="A4"), nominal)
    pdf = pdf_bytes(laid_out)
    svg_text(plan_pages(plan, ("creases",), nominal=nominal))
    assert process_time() - start < 1.0
    assert len(pypdfium2.PdfDocument(pdf)) == len(laid_out)


def test_more_pages_than_anyone_can_join_are_refused():
    with pytest.raises(UsageError, match="more than 400"):
        lay_out(blank(5000, 5000), "A4")


def test_a_page_larger_than_a_pdf_can_have_is_refused():
    with pytest.raises(UsageError, match="too large for a PDF"):
        pdf_bytes(lay_out(blank(5300, 100), "fit"))


def test_unknown_paper_and_drawings_are_refused(named_plan):
    with pytest.raises(UsageError, match="no paper called"):
        DrawOptions(paper="A5")
    plan, nominal = named_plan("honeycomb")
    with pytest.raises(UsageError, match="no drawing called"):
        plan_pages(plan, ("side",), nominal=nominal)

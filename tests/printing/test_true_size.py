"""True size, measured on the printed page: every PDF is made into a picture, and distances are taken from its pixels.

The picture is made by another program (PDFium) than the file.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from printed import PX_PER_MM, darkness, lines_across

from foldtrue.plan_drawings import DrawOptions, plan_pages
from foldtrue.printing.pdf import pdf_bytes

WITHIN_MM = 0.1


def control_line_row(picture):
    """The lowest row with a run of ink of more than 90 mm: the control line."""
    longest = (picture > 0.3).sum(1)
    return int(np.flatnonzero(longest > 90 * PX_PER_MM)[-1])


@pytest.mark.parametrize(("what", "paper"), [("creases", "fit"), ("light", "A4"), ("guide", "Letter")])
def test_the_control_line_is_100_mm_long_on_every_page(named_plan, pages, what, paper):
    laid_out = pages(named_plan("honeycomb"), what, paper=paper)
    pdf = pdf_bytes(laid_out)
    for number in range(len(laid_out)):
        picture = darkness(pdf, number)
        above = picture[control_line_row(picture) - int(1.0 * PX_PER_MM)]  # here only its two end ticks are met
        ticks = lines_across(above[: int(125 * PX_PER_MM)])
        assert len(ticks) == 2
        assert ticks[1] - ticks[0] == pytest.approx(100, abs=WITHIN_MM)


def middle_of(page):
    """(x, y) mm from the page's upper left corner of the sheet frame's origin."""
    shift = page.windows[0].shift
    return shift[0], page.height_mm - shift[1]


def test_a_hexagon_is_printed_as_wide_as_planned(named_plan, pages):
    (page,) = pages(named_plan("honeycomb"), "creases")
    row = int((middle_of(page)[1] + 5) * PX_PER_MM)
    sides = lines_across(darkness(pdf_bytes([page]))[row], least_mm=0.4)
    assert sides[-1] - sides[0] == pytest.approx(240, abs=WITHIN_MM)


def test_a_square_is_printed_as_wide_and_as_high_as_planned(named_plan, pages):
    (page,) = pages(named_plan("rhombi"), "creases")
    picture = darkness(pdf_bytes([page]))
    column, row = (int((place + 145) * PX_PER_MM) for place in middle_of(page))  # beside all words
    for profile in (picture[row], picture[:, column]):
        lines = lines_across(profile, least_mm=0.4)
        assert lines[-1] - lines[0] == pytest.approx(300, abs=WITHIN_MM)


@pytest.mark.parametrize("paper", ["A4", "A3", "Letter"])
def test_a_page_has_the_size_of_its_paper(named_plan, pages, paper):
    sizes = {"A4": (210, 297), "A3": (297, 420), "Letter": (215.9, 279.4)}
    for page in pages(named_plan("honeycomb, wide"), "creases", "guide", paper=paper):
        assert sorted((page.width_mm, page.height_mm)) == sorted(sizes[paper])


def cross_template():
    """The ringed cross as docs/drawings.md describes it: ring of 2 mm radius, arms of 4 mm."""
    half = int(5 * PX_PER_MM)
    picture = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
    cv2.circle(picture, (half, half), round(2 * PX_PER_MM), 1.0, 3)
    arm = round(4 * PX_PER_MM)
    cv2.line(picture, (half - arm, half), (half + arm, half), 1.0, 3)
    cv2.line(picture, (half, half - arm), (half, half + arm), 1.0, 3)
    return picture


def upper_cross(picture, low_mm, high_mm):
    """(x, y) mm of the cross in the upper half of a page, between two places across it, by its arms."""
    template = cross_template()
    half = template.shape[0] // 2
    low, high = int(low_mm * PX_PER_MM), int(high_mm * PX_PER_MM)
    upper = np.pad(picture, half)[: picture.shape[0] // 2, low : high + 2 * half].astype(np.float32)
    match = cv2.matchTemplate(upper, template, cv2.TM_CCOEFF)
    y, x = np.unravel_index(match.argmax(), match.shape)
    x += low
    rows = [r for d in range(int(2.5 * PX_PER_MM), int(3.5 * PX_PER_MM)) for r in (y - d, y + d)]
    reach = int(1.0 * PX_PER_MM)
    strip = picture[rows, x - reach : x + reach + 1].mean(0)
    columns = [c for d in range(int(2.5 * PX_PER_MM), int(3.5 * PX_PER_MM)) for c in (x - d, x + d)]
    level = picture[y - reach : y + reach + 1, columns].mean(1)
    at = [np.average(np.arange(len(s)), weights=s) for s in (strip, level)]
    return (x - reach + at[0]) / PX_PER_MM, (y - reach + at[1]) / PX_PER_MM


@pytest.fixture(scope="module")
def joined(large_panel):
    """Two neighbouring pages of a sheet 540 mm wide, in the second row, where its sides are upright; and for each the
    place (x, y) mm of the cross that comes to lie on the other's."""
    plan, nominal = large_panel
    laid_out = plan_pages(plan, ("creases",), DrawOptions(paper="A4"), nominal)
    assert [page.title.partition(", ")[2] for page in laid_out[3:5]] == [
        "row 2 of 4, column 1 of 2",
        "row 2 of 4, column 2 of 2",
    ]
    pdf = pdf_bytes(laid_out)
    left, right = darkness(pdf, 3), darkness(pdf, 4)
    wide = left.shape[1] / PX_PER_MM
    return left, right, upper_cross(left, wide - 30, wide - 12), upper_cross(right, 5, 15)


def test_across_a_joint_the_sheet_is_as_wide_as_planned(joined):
    left, right, (xa, ya), (xb, yb) = joined
    assert ya == pytest.approx(yb, abs=WITHIN_MM)
    row = int((ya + 10) * PX_PER_MM)
    rim_left = lines_across(left[row], least_mm=0.4)[0]
    rim_right = lines_across(right[row], least_mm=0.4)[-1]
    assert (xa - rim_left) + (rim_right - xb) == pytest.approx(540, abs=WITHIN_MM)


def test_both_pages_show_the_same_lines_where_they_overlap(joined):
    left, right, (xa, ya), (xb, _) = joined
    rows = slice(int((ya + 10) * PX_PER_MM), int((ya + 80) * PX_PER_MM))
    strips = []
    for picture, x in ((left, xa), (right, xb)):
        start = round((x + 1) * PX_PER_MM)
        strips.append(cv2.GaussianBlur(picture[rows, start : start + int(8 * PX_PER_MM)], (0, 0), 3).ravel())
    assert np.max(strips) > 0.3
    assert np.corrcoef(strips)[0, 1] > 0.97

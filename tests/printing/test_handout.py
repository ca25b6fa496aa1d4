"""Pages for a buyer or a class: everything on the paper, tables whole where they can be, pictures undistorted."""

from __future__ import annotations

import io

import pypdfium2
import pytest
from PIL import Image

from foldtrue.printing.drawing import Picture, Words, moved
from foldtrue.printing.handout import HandoutText, handout_pages
from foldtrue.printing.pdf import pdf_bytes
from foldtrue.printing.svg import svg_text

TEXT = HandoutText(
    "Lantern", ("about it",), ("o", "within its limits"), (("Sizes", "", [("Pitch", "20 mm")]),), ("Hot.",)
)


def with_rows(count, cell="20 mm"):
    rows = [(f"row {k}", cell) for k in range(count)]
    return HandoutText("Lantern", (), None, (("Sizes", "of the piece", rows),), ("Hot.",))


def words(page):
    return [mark for mark in page.marks if isinstance(mark, Words)]


def jpeg(size):
    stream = io.BytesIO()
    Image.new("RGB", size, (200, 120, 40)).save(stream, "JPEG")
    return stream.getvalue(), size


def test_a_short_text_is_one_page_with_all_of_it():
    (page,) = handout_pages(TEXT, None, "A4")
    said = " ".join(mark.text for mark in words(page))
    for part in ("Lantern", "about it", "o", "Verdict: within its limits", "Sizes", "20 mm", "Take care. Hot."):
        assert part in said
    assert "page 1 of 1" in said


def test_a_long_table_goes_on_on_further_pages_and_loses_no_row():
    pages = handout_pages(with_rows(120), None, "A4")
    assert len(pages) == 3
    said = [mark.text for page in pages for mark in words(page)]
    assert [text for text in said if text.startswith("row ")] == [f"row {k}" for k in range(120)]


def test_a_table_that_fits_a_page_is_not_torn():
    tables = tuple((f"Table {k}", "", [(f"{k} row {i}", "") for i in range(15)]) for k in range(4))
    pages = handout_pages(HandoutText("Lantern", (), None, tables, ()), None, "A4")
    assert len(pages) > 1
    for page in pages:
        for k in range(4):
            assert sum(mark.text.startswith(f"{k} row") for mark in words(page)) in (0, 15)


@pytest.mark.parametrize("size", [(400, 100), (100, 400)])
def test_a_picture_keeps_its_shape_and_stays_on_the_page(size):
    page = handout_pages(TEXT, jpeg(size), "Letter")[0]
    (picture,) = [mark for mark in page.marks if isinstance(mark, Picture)]
    wide, high = picture.size_mm
    assert wide / high == pytest.approx(size[0] / size[1])
    assert 0 < picture.at[0] < picture.at[0] + wide < page.width_mm
    assert 0 < picture.at[1] < picture.at[1] + high < page.height_mm


def test_a_picture_is_drawn_where_it_lies():
    page = handout_pages(TEXT, jpeg((400, 100)), "A4")[0]
    (picture,) = [mark for mark in page.marks if isinstance(mark, Picture)]
    drawn = pypdfium2.PdfDocument(pdf_bytes([page]))[0].render(scale=2).to_pil()
    x, y = (2 * 72 / 25.4 * v for v in (picture.at[0] + picture.size_mm[0] / 2, 297 - picture.at[1] - 2))
    assert drawn.getpixel((round(x), round(y))) == pytest.approx((200, 120, 40), abs=6)


def test_a_picture_can_be_moved_and_written_as_svg():
    there = moved(Picture((1.0, 2.0), (30.0, 10.0), b"bytes"), 2.0, (5.0, 5.0))
    assert (there.at, there.size_mm) == ((7.0, 9.0), (60.0, 20.0))
    assert 'href="data:image/jpeg;base64,' in svg_text(handout_pages(TEXT, jpeg((40, 10)), "A4"))


@pytest.mark.parametrize("cell", ["x" * 3000, "many words " * 200])
def test_a_cell_too_wide_for_its_column_stays_on_the_page(cell):
    for page in pypdfium2.PdfDocument(pdf_bytes(handout_pages(with_rows(2, cell), None, "A4"))):
        assert all(item.get_bounds()[2] <= 595.3 - 28 for item in page.get_objects())

"""From drawings to pages on the paper at hand."""

from __future__ import annotations

from typing import Literal, get_args

from foldtrue.errors import UsageError
from foldtrue.printing.drawing import Drawing, Page
from foldtrue.printing.layout import fitting_page, own_page
from foldtrue.printing.tiles import MOST_PAGES, cut_up, tiled_pages
from foldtrue.sizes import A3_MM, A4_MM, LETTER_MM

PaperName = Literal["fit", "A4", "A3", "Letter"]
PAPERS: tuple[PaperName, ...] = get_args(PaperName)
_SIZES = {"A4": A4_MM, "A3": A3_MM, "Letter": LETTER_MM}


def paper_mm(paper: PaperName) -> tuple[float, float]:
    """Width and height of the paper upright; A4 where no paper is named."""
    if paper not in PAPERS:
        raise UsageError(f"There is no paper called {paper!r}.", f"Choose one of {', '.join(PAPERS)}.")
    return _SIZES.get(paper, A4_MM)


def lay_out(drawing: Drawing, paper: PaperName) -> tuple[Page, ...]:
    """The drawing at true size: on a page of its own size ('fit'), on one page of the paper where it fits, upright or
    on its side, or on several that are joined.

    Raises UsageError for an unknown paper or more pages than anyone can join.
    """
    width, height = paper_mm(paper)
    if paper == "fit":
        return (own_page(drawing),)
    whole = fitting_page(drawing, width, height) or fitting_page(drawing, height, width)
    if whole is not None:
        return (whole,)
    tiling = cut_up(drawing, (width, height))
    if tiling.pages > MOST_PAGES:
        raise UsageError(
            f"The drawing would take {tiling.pages} pages of {paper}, more than {MOST_PAGES}.",
            "Take larger paper, or one page of the drawing's own size: --paper fit.",
        )
    return tiled_pages(drawing, tiling)

"""Print: the drawings of a plan, the guide for placing its twists, and the mat, as PDF at true size."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from foldtrue.web.bench import bench_of
from foldtrue.web.plans import PlanCard

if TYPE_CHECKING:
    from foldtrue.printing.drawing import Page

DRAWING_WORDS = {
    "creases": "Crease pattern",
    "front": "Folded, front",
    "back": "Folded, back",
    "light": "Against the light",
    "guide": "Where the twists go",
}
PAPERS = ("A4", "A3", "Letter")
_SVG_POLICY = "default-src 'none'; style-src 'unsafe-inline'"
"""A drawing brings its own styles; it has no script, and none would run."""


async def show(request: Request) -> Response:
    bench = bench_of(request)
    cards = bench.plans.cards()
    name = request.query_params.get("plan", cards[0].id)
    return bench.page("print.html", card=_card(request, name), plans=cards, drawings=DRAWING_WORDS, papers=PAPERS)


async def drawing_svg(request: Request) -> Response:
    """A preview."""
    return await run_in_threadpool(preview, _card(request, request.path_params["id"]).text, _what(request))


async def drawing_pdf(request: Request) -> Response:
    what, paper = _what(request), request.query_params.get("paper", "A4")
    if paper not in (*PAPERS, "fit"):
        raise HTTPException(404)
    content = await run_in_threadpool(_drawn_pdf, _card(request, request.path_params["id"]).text, what, paper)
    return _saved(content, f"foldtrue-{what}-{paper}.pdf")


async def mat_pdf(request: Request) -> Response:
    from foldtrue.mat import MATS
    from foldtrue.printing.mat import mat_pdf as write_mat

    mat = next((mat for paper, mat in MATS.items() if paper == request.query_params.get("paper", "A4")), None)
    if mat is None:
        raise HTTPException(404)
    cut_out = "cut_out" in request.query_params
    content = await run_in_threadpool(write_mat, mat, cut_out=cut_out)
    return _saved(content, f"foldtrue-mat-{mat.paper}{'-frame' if cut_out else ''}.pdf")


def _card(request: Request, name: str) -> PlanCard:
    card = bench_of(request).plans.find(name)
    if card is None:
        raise HTTPException(404)
    return card


def _what(request: Request) -> str:
    what = str(request.path_params["what"])
    if what not in DRAWING_WORDS:
        raise HTTPException(404)
    return what


def preview(plan: bytes, what: Any) -> Response:
    """A drawing of the plan of that text, as a picture for a page."""
    from foldtrue.printing.svg import svg_text

    text = svg_text(_drawn(plan, what, "fit"))
    return Response(text, media_type="image/svg+xml", headers={"Content-Security-Policy": _SVG_POLICY})


def _drawn_pdf(plan: bytes, what: Any, paper: Any) -> bytes:
    from foldtrue.printing.pdf import pdf_bytes

    return pdf_bytes(_drawn(plan, what, paper))


def _drawn(plan: bytes, what: Any, paper: Any) -> tuple[Page, ...]:
    from foldtrue.plan.file import plan_of_text
    from foldtrue.plan_drawings import DrawOptions, plan_pages

    return plan_pages(plan_of_text(plan, "The plan"), [what], DrawOptions(paper=paper))


def _saved(content: bytes, name: str) -> Response:
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(content, media_type="application/pdf", headers=headers)

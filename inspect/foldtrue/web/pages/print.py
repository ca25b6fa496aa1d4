"""Print: the drawings of a plan, the guide for placing its twists, and the mat, as PDF at true size."""

from __future__ import annotations

from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from foldtrue.web.bench import bench_of
from foldtrue.web.plans import PlanCard

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
    text = await run_in_threadpool(_drawn, _card(request, request.path_params["id"]), _what(request), "fit", True)
    return Response(text, media_type="image/svg+xml", headers={"Content-Security-Policy": _SVG_POLICY})


async def drawing_pdf(request: Request) -> Response:
    what, paper = _what(request), request.query_params.get("paper", "A4")
    if paper not in (*PAPERS, "fit"):
        raise HTTPException(404)
    content = await run_in_threadpool(_drawn, _card(request, request.path_params["id"]), what, paper, False)
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


def _drawn(card: PlanCard, what: Any, paper: Any, preview: bool) -> bytes:
    from foldtrue.plan.file import plan_of_text
    from foldtrue.plan_drawings import DrawOptions, plan_pages
    from foldtrue.printing.pdf import pdf_bytes
    from foldtrue.printing.svg import svg_text

    pages = plan_pages(plan_of_text(card.text, "The plan"), [what], DrawOptions(paper=paper))
    return svg_text(pages).encode() if preview else pdf_bytes(pages)


def _saved(content: bytes, name: str) -> Response:
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(content, media_type="application/pdf", headers=headers)

"""Plan: see what a plan comes to, bring a plan file, or make a plan from a few figures."""

from __future__ import annotations

import math

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from foldtrue.errors import UsageError
from foldtrue.web.bench import bench_of, go_to, read_form, words
from foldtrue.web.plans import honeycomb_text, summary_of

_MAX_BYTES = 4_000_000


async def show(request: Request) -> Response:
    bench = bench_of(request)
    name = request.query_params.get("plan", "")
    card = bench.plans.find(name)
    if name and card is None:
        raise HTTPException(404)
    summary = None if card is None else await run_in_threadpool(summary_of, card.text)
    return bench.page("plan.html", card=card, summary=summary, plans=bench.plans.cards())


async def keep(request: Request) -> Response:
    form = await read_form(request)
    try:
        upload = form.get("plan_file")
        text = await upload.read(_MAX_BYTES + 1) if isinstance(upload, UploadFile) and upload.size else _made(form)
    finally:
        await form.close()
    card = await run_in_threadpool(bench_of(request).plans.keep, text)
    return go_to(f"/plan?plan={card.id}")


def _made(form: FormData) -> bytes:
    """A honeycomb from the form's figures. Raises UsageError for a field that is not a number."""
    return honeycomb_text(
        words(form, "name") or "My plan",
        _number(form, "height_mm", "The sheet's height"),
        int(_number(form, "divisions", "The number of divisions")),
        int(_number(form, "spacing", "The spacing")),
        int(_number(form, "rings", "The number of rings")),
        words(form, "grid"),
        words(form, "first_hand"),
    )


def _number(form: FormData, name: str, what: str) -> float:
    try:
        number = float(words(form, name))
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise UsageError(f"{what} is not a number.", "Write it in digits.")
    return number

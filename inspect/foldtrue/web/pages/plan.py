"""Plan: see what a plan comes to, bring a plan file, or make a plan by answering questions."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from foldtrue.errors import UsageError
from foldtrue.web.bench import Bench, bench_of, go_to, read_form, words
from foldtrue.web.pages.print import DRAWING_WORDS, preview
from foldtrue.web.plans import summary_of

_MAX_BYTES = 4_000_000
_LONGEST = 20_000
SHOWN = ("creases", "front")
"""The drawings beside a plan; all of them are under Print."""


async def show(request: Request) -> Response:
    bench = bench_of(request)
    name = request.query_params.get("plan", "")
    card = bench.plans.find(name)
    if name and card is None:
        raise HTTPException(404)
    summary = None if card is None else await run_in_threadpool(summary_of, card.text)
    return bench.page("plan.html", card=card, summary=summary, plans=bench.plans.cards(), drawings=_drawings())


async def new(request: Request) -> Response:
    """The questions; with `show`, the plan that comes of the answers, or practical choices for a finished size."""
    return await run_in_threadpool(_new, bench_of(request), _given(request), request.query_params.get("show", ""))


def _new(bench: Bench, given: Mapping[str, str], show: str, problem: UsageError | None = None) -> Response:
    from foldtrue.web.plan_form import FINISHED, FIRST, made_plan, plan_form, practical

    form, values = plan_form(given), dict[str, Any](plan=None, choices=[], problem=problem)
    try:
        if show == "plan":
            values["plan"] = made_plan(given)
        elif show == "choices":
            values["choices"] = practical(given)
    except UsageError as error:
        values["problem"] = error
    first = [field for field in form.fields if field.question.word in FIRST]
    rest = [field for field in form.fields if field.question.word not in FIRST]
    values |= {"form": form, "first": first, "rest": rest, "given": given, "finished": FINISHED, "show": show}
    return bench.page("plan-new.html", 400 if values["problem"] else 200, drawings=_drawings(), **values)


async def new_drawing(request: Request) -> Response:
    """A drawing of the plan that the answers make, before it is kept."""
    from foldtrue.web.plan_form import made_plan

    what = request.path_params["what"]
    if what not in SHOWN:
        raise HTTPException(404)
    return await run_in_threadpool(lambda: preview(made_plan(_given(request)).text, what))


async def keep(request: Request) -> Response:
    """A plan file, or the answers; kept where the plan folds."""
    bench, form = bench_of(request), await read_form(request)
    try:
        upload = form.get("plan_file")
        text = await upload.read(_MAX_BYTES + 1) if isinstance(upload, UploadFile) else None
        given = _answers(form)
    finally:
        await form.close()
    if text is not None:
        card = await run_in_threadpool(bench.plans.keep, text)
        return go_to(f"/plan?plan={card.id}")
    return await run_in_threadpool(_keep, bench, given)


def _keep(bench: Bench, given: Mapping[str, str]) -> Response:
    from foldtrue.web.plan_form import made_plan

    try:
        card = bench.plans.keep(made_plan(given).text)
    except UsageError as error:
        return _new(bench, given, "", error)
    return go_to(f"/plan?plan={card.id}")


def _given(request: Request) -> Mapping[str, str]:
    from foldtrue.web.plan_form import WORDS

    return {word: request.query_params.get(word, "")[:_LONGEST] for word in WORDS}


def _answers(form: FormData) -> Mapping[str, str]:
    from foldtrue.web.plan_form import WORDS

    return {word: words(form, word, _LONGEST) for word in WORDS}


def _drawings() -> dict[str, str]:
    return {what: DRAWING_WORDS[what] for what in SHOWN}

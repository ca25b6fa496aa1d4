"""Progress: what the recorded pieces say about the hands that folded them, the same content as progress.html."""

from __future__ import annotations

from typing import Any

from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from foldtrue.web.bench import bench_of
from foldtrue.web.shelf import Wish, choices_in, is_meant

STAGES = {"piece": "finished pieces", "ring": "half-done pieces", "grid": "creased grids"}


async def show(request: Request) -> Response:
    return await run_in_threadpool(_progress, request)


def _progress(request: Request) -> Response:
    from foldtrue.progress.judge import see_progress
    from foldtrue.progress.page import progress_body

    bench, asked = bench_of(request), request.query_params
    wish = Wish(**{name: asked.get(name, "")[:200] for name in ("plan", "paper", "person")})
    stage: Any = asked.get("stage") if asked.get("stage") in STAGES else "piece"
    found = bench.shelf.inspections()

    def body() -> str:
        seen = see_progress([row for row in found if is_meant(row, wish)], stage)
        return Markup(progress_body(seen)) if seen.pieces else ""  # it escapes what came from outside itself

    return bench.page(
        "progress.html",
        body=bench.shelf.remember((wish, stage), body),
        choices=choices_in(found),
        wish=wish,
        stage=stage,
        stages=STAGES,
        anything=bool(found),
    )

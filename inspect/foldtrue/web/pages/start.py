"""Start: pick a plan and a stage, see how to photograph, or try it without any photo."""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from foldtrue.web.bench import bench_of, go_to, read_form, words
from foldtrue.web.stages import STAGES

_RECENT = 6


async def show(request: Request) -> Response:
    bench = bench_of(request)
    recent = [job for job in bench.desk.jobs() if job.state != "stopped"][:_RECENT]
    return bench.page("start.html", plans=bench.plans.cards(), stages=STAGES, recent=recent)


async def try_it(request: Request) -> Response:
    """A practice photo, drawn with errors that are known, and measured like any other."""
    bench = bench_of(request)
    card = bench.plans.find(words(await read_form(request), "plan"))
    if card is None:
        raise HTTPException(404)
    job = bench.desk.add("practice", (card.name, card.text), [], {"seed": len(bench.desk.jobs()) + 1})
    bench.runner.add(job)
    return go_to(f"/job/{job.id}")

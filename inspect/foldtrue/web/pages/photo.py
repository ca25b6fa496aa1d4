"""Photo: drop, choose or take the photo, say how it was lit, and hand it to the desk."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from foldtrue.errors import UsageError
from foldtrue.web.bench import Bench, bench_of, go_to, read_form, words
from foldtrue.web.controls import PHOTO
from foldtrue.web.desk import Job
from foldtrue.web.photo_form import options_of
from foldtrue.web.plans import PlanCard, summary_of
from foldtrue.web.settings import read_settings
from foldtrue.web.stages import Stage, stage_of


async def show(request: Request) -> Response:
    bench = bench_of(request)
    card = _card(bench, request.query_params.get("plan", ""))
    summary = await run_in_threadpool(summary_of, card.text)
    stage = stage_of(request.query_params.get("stage", ""))
    return bench.page("photo.html", card=card, summary=summary, stage=stage, controls=PHOTO)


async def take(request: Request) -> Response:
    bench = bench_of(request)
    form = await read_form(request)
    try:
        card, stage = _card(bench, words(form, "plan")), stage_of(words(form, "stage"))
        job = await run_in_threadpool(_lay_down, bench, card, stage, form)
    finally:
        await form.close()
    bench.runner.add(job)
    return go_to(f"/job/{job.id}")


def _card(bench: Bench, name: str) -> PlanCard:
    card = bench.plans.find(name)
    if card is None:
        raise HTTPException(404, "That plan is no longer there. Choose one on the first page.")
    return card


def _lay_down(bench: Bench, card: PlanCard, stage: Stage, form: FormData) -> Job:
    """The uploads as a job; their names are text, their content is looked at by the measuring process alone."""
    uploads = [each for each in form.getlist("photo") if isinstance(each, UploadFile) and each.size]
    if not uploads:
        raise UsageError("No photo was sent.", "Choose one first.")
    if len(uploads) > 1 and not stage.several:
        raise UsageError("One photo at a time at this stage.", "Send them one by one.")
    options = {"tolerances": read_settings(bench.home).limits, **options_of(form, stage)}
    bench.home.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=bench.home, prefix="upload-") as folder:
        photos = []
        for i, upload in enumerate(uploads):
            file = Path(folder) / str(i)
            with file.open("wb") as target:
                shutil.copyfileobj(upload.file, target, 1 << 20)
            photos.append((upload.filename or "photo", file))
        return bench.desk.add(stage.kind, (card.name, card.text), photos, options)

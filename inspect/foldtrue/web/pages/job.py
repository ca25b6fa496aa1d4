"""One job: its progress while it runs, why it was declined, or its result."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response

from foldtrue.judge.tolerances import DEFAULT, kept_sets
from foldtrue.report.files import CROP, TOUCH_UP
from foldtrue.steps import STEP_WORDS
from foldtrue.web.bench import Bench, bench_of, go_to, read_form, words
from foldtrue.web.controls import PHOTO, page_words, without_place
from foldtrue.web.desk import OPEN, Job
from foldtrue.web.photo_form import options_of
from foldtrue.web.plans import summary_of
from foldtrue.web.shown import shown_result
from foldtrue.web.stages import stage_of

FILES: Mapping[str, str] = {
    "picture.jpg": "image/jpeg",
    "picture.json": "application/json",
    "result.json": "application/json",
    "twists.csv": "text/csv",
    "pleats.csv": "text/csv",
    "grid.json": "application/json",
    "grid.png": "image/png",
    "sheet.json": "application/json",
}
"""The files of a result that pages may fetch, and what each is; nothing else on the disk is ever sent."""
_SHOWN = ("picture.jpg", "picture.json", "grid.png")


async def show(request: Request) -> Response:
    bench, job = bench_of(request), _job(request)
    if job.state in OPEN:
        return bench.page("running.html", job=job, step=STEP_WORDS.get(job.step, ""))
    if job.state != "done":
        return await run_in_threadpool(_declined, bench, job)
    return await run_in_threadpool(_result, bench, job, request.query_params.get("limits"))


def _declined(bench: Bench, job: Job) -> Response:
    pins = (bench.desk.out(job) / "picture.json").is_file()
    controls = PHOTO if pins else without_place(PHOTO)
    said = {"what": page_words(job.what, controls), "advice": page_words(job.advice, controls)}
    return bench.page("declined.html", job=job, pins=pins, **said, **_again(bench, job))


def _again(bench: Bench, job: Job) -> dict[str, Any]:
    """For the form that measures the same photos with other answers, where there is anything to answer."""
    stage = stage_of(job.kind)
    rings = summary_of((bench.desk.folder(job.id) / "plan.json").read_bytes()).rings if job.kind == "ring" else 0
    return {"stage": stage, "controls": PHOTO, "rings": rings, "again": bool(job.photos and stage.views)}


def _result(bench: Bench, job: Job, limits: str | None) -> Response:
    shown = shown_result(bench.desk.out(job), bench.units(), limits)
    folder = bench.desk.out(job) / TOUCH_UP
    crops = {path.name for path in folder.iterdir()} if folder.is_dir() else set()
    sets = list(dict.fromkeys([DEFAULT, *kept_sets()]))
    values = {"job": job, "shown": shown, "files": shown.files, "crops": crops, "sets": sets, "limits": limits}
    return bench.page(f"result-{shown.kind}.html", **values, **_again(bench, job))


async def state(request: Request) -> Response:
    job = _job(request)
    return JSONResponse({"state": job.state, "step": STEP_WORDS.get(job.step, "")})


async def stop(request: Request) -> Response:
    await read_form(request)
    job = _job(request)
    bench_of(request).runner.stop(job)
    return go_to(f"/job/{job.id}")


async def again(request: Request) -> Response:
    """The same photos once more with other answers, and the place of the piece where it was laid down by hand."""
    bench, job, form = bench_of(request), _job(request), await read_form(request)
    kept = {name: job.options[name] for name in ("tolerances", "pins") if name in job.options}
    options: dict[str, Any] = kept | options_of(form, stage_of(job.kind))
    pins = await run_in_threadpool(_pins, words(form, "pins", 4000), bench.desk.out(job) / "picture.json")
    options["pins"] = pins or options.get("pins")
    new = await run_in_threadpool(bench.desk.again, job, options)
    bench.runner.add(new)
    return go_to(f"/job/{new.id}")


async def crop(request: Request) -> Response:
    """A picture of the touch-up list."""
    bench, job, name = bench_of(request), _job(request), request.path_params["name"]
    path = bench.desk.out(job) / TOUCH_UP / name if CROP.fullmatch(name) else None
    if path is None or not path.is_file():
        raise HTTPException(404)
    return FileResponse(path, media_type="image/png")


async def report(request: Request) -> Response:
    """The whole report as one page, or the pages for a buyer as PDF."""
    bench, job, form = bench_of(request), _job(request), request.path_params["form"]
    if job.state != "done" or form not in ("html", "pdf"):
        raise HTTPException(404)
    content = await run_in_threadpool(_report, bench, job, form)
    kind = "text/html; charset=utf-8" if form == "html" else "application/pdf"
    kept = f'attachment; filename="foldtrue-report-{job.id[:6]}.{form}"'
    return Response(content, media_type=kind, headers={"Content-Disposition": kept})


def _advice(text: str) -> str:
    return page_words(text, without_place(PHOTO))


def _report(bench: Bench, job: Job, form: str) -> bytes:
    from foldtrue.piece_report import html_report, pdf_report, read_finished
    from foldtrue.report.page import PageOptions

    found = read_finished(bench.desk.out(job))
    options = PageOptions(date=date.today().isoformat(), units=bench.units(), advice=_advice)
    return html_report(found, options).encode() if form == "html" else pdf_report(found, options)


async def file(request: Request) -> Response:
    bench, job, name = bench_of(request), _job(request), request.path_params["name"]
    path = bench.desk.out(job) / name if name in FILES else None
    if path is None or not path.is_file():
        raise HTTPException(404)
    kept = None if name in _SHOWN else f"foldtrue-{job.id[:6]}-{name}"
    return FileResponse(path, media_type=FILES[name], filename=kept)


def _job(request: Request) -> Job:
    job = bench_of(request).desk.read(request.path_params["id"])
    if job is None:
        raise HTTPException(404)
    return job


def _pins(text: str, preview: Path) -> list[list[float]] | None:
    """Rows of plan x, y (mm) and photo x, y (px) from the places (x, y) on the preview that the page sends; None for
    anything else."""
    try:
        places = json.loads(preview.read_bytes())
        moved = [[float(value) * places["factor"] for value in each] for each in json.loads(text)]
        pairs = zip(places["pins"], moved, strict=True)
        return [[planned[0], planned[1], x, y] for planned, (x, y) in pairs]
    except (OSError, ValueError, TypeError, KeyError):
        return None

"""Settings: units, limits, and what is kept of the person: where it lies, a copy of it, and how it is forgotten."""

from __future__ import annotations

import tempfile
from datetime import date
from pathlib import Path

from starlette.background import BackgroundTask
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, Response

from foldtrue.errors import FoldtrueError, UsageError
from foldtrue.report.units import UNITS
from foldtrue.web.bench import Bench, bench_of, go_to, read_form, words
from foldtrue.web.desk import OPEN
from foldtrue.web.settings import Settings, read_settings, write_settings
from foldtrue.web.shelf import choices_in


async def show(request: Request) -> Response:
    return await run_in_threadpool(_settings, bench_of(request), bool(request.query_params.get("kept")))


def _settings(bench: Bench, kept: bool) -> Response:
    from foldtrue.judge.tolerances import DEFAULT, kept_sets
    from foldtrue.record.connection import default_place

    chosen, found = read_settings(bench.home), bench.shelf.inspections()
    return bench.page(
        "settings.html",
        chosen=chosen,
        unit_names={"mm": "millimetres", "inch": "inches"},
        sets=list(dict.fromkeys([DEFAULT, *kept_sets(), chosen.limits])),
        limits=_limits(bench, chosen.limits),
        record=default_place(bench.home),
        home=bench.home,
        count=len(found),
        people=choices_in(found).people,
        photos=sum(len(job.photos) for job in bench.desk.jobs()),
        camera=_camera(bench),
        kept=kept,
    )


def _limits(bench: Bench, name: str) -> list[str]:
    """What the chosen set says, or what is wrong with it."""
    from foldtrue.judge.tolerances import find_tolerances
    from foldtrue.report.judgement import limits_text

    try:
        found = find_tolerances(name)
    except FoldtrueError as error:
        return [str(error)]
    return [" ".join(line.split()) for line in bench.units().sentence(limits_text(found.limits)).split("\n")]


def _camera(bench: Bench) -> list[str]:
    """The figures of the kept cameras; empty where there are none."""
    from foldtrue.kept_camera import kept_entries
    from foldtrue.report.camera import camera_text

    try:
        entries = kept_entries(bench.home)
        return [line for entry in entries for line in bench.units().sentence(camera_text(entry)).split("\n")]
    except (FoldtrueError, ValueError, TypeError, LookupError, AttributeError):
        return ["camera.json cannot be read. Move it away and make it anew: foldtrue camera PHOTO --keep"]


async def keep(request: Request) -> Response:
    bench, form = bench_of(request), await read_form(request)
    units, limits = words(form, "units"), words(form, "limits")

    def kept() -> Response:
        from foldtrue.judge.tolerances import DEFAULT, kept_sets

        if limits not in (DEFAULT, *kept_sets()):
            raise UsageError(f"There are no limits called {limits!r}.", "Choose one of the list.")
        unit = next((name for name in UNITS if name == units), None)
        if unit is None:
            raise UsageError(f"There is no unit called {units!r}.", "Choose one of the list.")
        write_settings(bench.home, Settings(units=unit, limits=limits))
        return go_to("/settings?kept=yes")

    return await run_in_threadpool(kept)


async def backup(request: Request) -> Response:
    """A copy of the record to be saved; made first, so that it is of one moment."""
    await read_form(request)
    return await run_in_threadpool(_backup, bench_of(request))


def _backup(bench: Bench) -> Response:
    from foldtrue.record.care import back_up

    kept = bench.shelf.open()
    if kept is None:
        raise UsageError("Nothing is recorded yet.", "There is nothing to copy.")
    folder = tempfile.TemporaryDirectory(dir=bench.home, prefix="backup-")
    try:
        with kept:
            back_up(kept.path, Path(folder.name) / "record.db")
    except BaseException:
        folder.cleanup()
        raise
    name = f"foldtrue-record-{date.today()}.db"
    done = BackgroundTask(folder.cleanup)
    return FileResponse(
        Path(folder.name) / "record.db", media_type="application/vnd.sqlite3", filename=name, background=done
    )


async def ask_forget(request: Request) -> Response:
    bench, alias = bench_of(request), request.query_params.get("alias", "")
    found = await run_in_threadpool(bench.shelf.inspections)
    count = sum(row.folder == alias for row in found)
    if not alias or not count:
        raise HTTPException(404, "Nobody of that name is in the record.")
    return bench.page("forget.html", alias=alias, count=count)


async def forget(request: Request) -> Response:
    bench, form = bench_of(request), await read_form(request)
    alias = words(form, "alias")

    def forgotten() -> Response:
        kept = bench.shelf.open()
        if kept is None:
            raise HTTPException(404)
        with kept:
            kept.forget(alias)
        return go_to("/settings?kept=yes")

    return await run_in_threadpool(forgotten)


async def clear_desk(request: Request) -> Response:
    """Photos and results that are not open any more; what was recorded stays on the shelf."""
    await read_form(request)
    desk = bench_of(request).desk

    def cleared() -> Response:
        for job in desk.jobs():
            if job.state not in OPEN:
                desk.remove(job)
        return go_to("/settings?kept=yes")

    return await run_in_threadpool(cleared)

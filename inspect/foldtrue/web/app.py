"""The app: which address leads to which page, what goes around all of them, and what starts with the server."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator
from importlib.resources import files
from pathlib import Path

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from foldtrue.errors import FoldtrueError
from foldtrue.web.bench import bench_of, make_bench
from foldtrue.web.controls import page_words
from foldtrue.web.guard import Guard, Limits
from foldtrue.web.pages import job, photo, plan, progress, record, settings, shelf, start
from foldtrue.web.pages import print as printing


def make_app(home: Path, hosts: frozenset[str], limits: Limits | None = None) -> Starlette:
    """home: the person's folder. hosts: what requests may call this server. Raises UnreadableFile where `home` cannot
    be written."""
    bench = make_bench(home)

    @contextlib.asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        bench.runner.start()
        yield
        bench.runner.close()

    app = Starlette(
        routes=[
            Route("/", start.show),
            Route("/try", start.try_it, methods=["POST"]),
            Route("/plan", plan.show),
            Route("/plan", plan.keep, methods=["POST"]),
            Route("/plan/new", plan.new),
            Route("/plan/new/{what}.svg", plan.new_drawing),
            Route("/photo", photo.show),
            Route("/photo", photo.take, methods=["POST"]),
            Route("/job/{id}", job.show),
            Route("/job/{id}/state", job.state),
            Route("/job/{id}/stop", job.stop, methods=["POST"]),
            Route("/job/{id}/again", job.again, methods=["POST"]),
            Route("/job/{id}/file/{name}", job.file),
            Route("/job/{id}/crop/{name}", job.crop),
            Route("/job/{id}/report.{form}", job.report),
            Route("/print", printing.show),
            Route("/print/mat.pdf", printing.mat_pdf),
            Route("/print/{id}/{what}.svg", printing.drawing_svg),
            Route("/print/{id}/{what}.pdf", printing.drawing_pdf),
            Route("/job/{id}/record", record.show),
            Route("/job/{id}/record", record.keep, methods=["POST"]),
            Route("/shelf", shelf.show),
            Route("/shelf/compare", shelf.compare),
            Route("/shelf/{number:int}", shelf.piece),
            Route("/shelf/{number:int}/thumbnail", shelf.thumbnail),
            Route("/shelf/{number:int}/remove", shelf.ask_remove),
            Route("/shelf/{number:int}/remove", shelf.remove, methods=["POST"]),
            Route("/progress", progress.show),
            Route("/settings", settings.show),
            Route("/settings", settings.keep, methods=["POST"]),
            Route("/settings/backup", settings.backup, methods=["POST"]),
            Route("/settings/forget", settings.ask_forget),
            Route("/settings/forget", settings.forget, methods=["POST"]),
            Route("/settings/clear-desk", settings.clear_desk, methods=["POST"]),
            Mount("/static", StaticFiles(directory=str(files("foldtrue.web") / "static"))),
        ],
        middleware=[Middleware(Guard, hosts=hosts, limits=limits)],
        exception_handlers={HTTPException: _say, FoldtrueError: _say, Exception: _say},
        lifespan=lifespan,
    )
    app.state.bench = bench
    return app


async def _say(request: Request, error: Exception) -> Response:
    """Every failure as a page: what is wrong, what to do, the way back."""
    if isinstance(error, HTTPException):
        what = "There is no such page." if error.status_code == 404 else error.detail
        return bench_of(request).page("sorry.html", error.status_code, what=what, advice="")
    if isinstance(error, FoldtrueError):
        return bench_of(request).page("sorry.html", 400, what=page_words(error.what), advice=page_words(error.advice))
    advice = "Load the page again. The details are in the terminal that started it."
    return bench_of(request).page("sorry.html", 500, what="foldtrue failed on this page.", advice=advice)

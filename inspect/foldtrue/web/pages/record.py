"""Record: put a result on the shelf, with what the person says about the piece."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from foldtrue.errors import AlreadyRecorded, FoldtrueError, UsageError
from foldtrue.web.bench import Bench, bench_of, go_to, read_form, words
from foldtrue.web.controls import page_words
from foldtrue.web.desk import Job

_LONGEST_NOTE = 10_000
_MOST_TAGS = 20


@dataclass(frozen=True, kw_only=True)
class Said:
    """What the form's fields say, as typed; `again`: that a photo known already is recorded once more."""

    piece: str = ""
    paper: str = ""
    tags: str = ""
    note: str = ""
    folder: str = ""
    done_on: str = ""
    again: bool = False


async def show(request: Request) -> Response:
    """The form on a page of its own, which is what a browser without the result page behind it comes back to."""
    return bench_of(request).page("record.html", job=_finished(request), said=Said(), what="", advice="", known=0)


async def keep(request: Request) -> Response:
    bench, job = bench_of(request), _finished(request)
    said = _said(await read_form(request))
    try:
        number = await run_in_threadpool(_record, bench, job, said)
    except AlreadyRecorded as error:
        advice = f"Look at number {error.number} first. To record it once more all the same, tick the box below."
        return bench.page("record.html", 409, job=job, said=said, what=error.what, advice=advice, known=error.number)
    except FoldtrueError as error:
        advice = page_words(error.advice)
        return bench.page("record.html", 400, job=job, said=said, what=error.what, advice=advice, known=0)
    return go_to(f"/shelf/{number}?new=yes")


def _finished(request: Request) -> Job:
    """The job, if there is something of it to record: nobody folded a practice piece."""
    job = bench_of(request).desk.read(request.path_params["id"])
    if job is None or job.state != "done" or job.kind == "practice":
        raise HTTPException(404)
    return job


def _said(form: FormData) -> Said:
    return Said(
        piece=words(form, "piece"),
        paper=words(form, "paper"),
        tags=words(form, "tags", 2000),
        note=words(form, "note", _LONGEST_NOTE).replace("\r\n", "\n"),
        folder=words(form, "folder"),
        done_on=words(form, "done_on"),
        again=bool(words(form, "again")),
    )


def _record(bench: Bench, job: Job, said: Said) -> int:
    """Raises FoldtrueError where it cannot be recorded; then nothing is."""
    from foldtrue.record.entries import read_result
    from foldtrue.recording import entry_of

    if not said.piece:
        raise UsageError("The piece has no name yet.", "Give it one: the same for all stages and photos of one piece.")
    entry = entry_of(
        read_result(bench.desk.out(job)),
        said.piece,
        photos=bench.desk.photo_files(job),
        names=job.photos,
        plan_file=bench.desk.folder(job.id) / "plan.json",
        done_on=_day(said.done_on),
        folder=said.folder or None,
        paper=said.paper or None,
        note=said.note or None,
        tags=_tags(said.tags),
    )
    kept = bench.shelf.open(create=True)
    assert kept is not None
    with kept:
        return kept.add(entry, again=said.again)


def _day(text: str) -> date:
    """The day typed; today where none was."""
    try:
        return date.fromisoformat(text) if text else date.today()
    except ValueError:
        raise UsageError(f"{text!r} is no day.", "Write it as year-month-day, 2026-03-14.") from None


def _tags(text: str) -> tuple[str, ...]:
    tags = tuple(dict.fromkeys(tag.strip() for tag in text.split(",") if tag.strip()))
    if len(tags) > _MOST_TAGS:
        raise UsageError(f"These are {len(tags)} tags.", f"Choose at most {_MOST_TAGS}.")
    return tags

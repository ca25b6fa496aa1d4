"""Shelf: all recorded pieces, one piece with all its inspections, two of them compared, one taken out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from foldtrue.errors import UsageError
from foldtrue.handover_record import RecordedPiece, RecordFilter
from foldtrue.measured import plus_minus
from foldtrue.web.bench import Bench, bench_of, go_to, read_form
from foldtrue.web.shelf import (
    Wish,
    choices_in,
    is_meant,
    latest_of_each,
    mean_errors,
)

if TYPE_CHECKING:
    from foldtrue.record.store import Record

PER_PAGE = 60


@dataclass(frozen=True)
class Card:
    """One inspection as it is shown. place, turn: mean errors with ±. verdict: in words, empty where there is none."""

    row: RecordedPiece
    place: str
    turn: str
    verdict: str
    pictured: bool


async def show(request: Request) -> Response:
    return await run_in_threadpool(_shelf, request)


def _shelf(request: Request) -> Response:
    bench, asked = bench_of(request), request.query_params
    wish = Wish(**{name: asked.get(name, "").strip()[:200] for name in ("words", "plan", "paper", "person", "tag")})
    found = bench.shelf.inspections()
    meant = [row for row in latest_of_each(found) if is_meant(row, wish)]
    pages = max(1, -(-len(meant) // PER_PAGE))
    number = asked.get("page", "1")
    page = min(max(int(number), 1), pages) if number.isdecimal() and len(number) < 7 else 1
    shown = meant[(page - 1) * PER_PAGE : page * PER_PAGE]
    said = urlencode({name: value for name, value in asdict(wish).items() if value})
    return bench.page(
        "shelf.html",
        cards=_cards(bench, shown),
        choices=choices_in(found),
        wish=wish,
        count=len(meant),
        anything=bool(found),
        page=page,
        pages=pages,
        said=f"{said}&" if said else "",
    )


def _cards(bench: Bench, rows: Sequence[RecordedPiece]) -> list[Card]:
    units, numbers = bench.units(), [row.number for row in rows]
    verdicts, pictured = bench.shelf.verdict_words(numbers), bench.shelf.pictured(numbers)
    return [Card(row, *mean_errors(row, units), verdicts.get(row.number, ""), row.number in pictured) for row in rows]


async def piece(request: Request) -> Response:
    return await run_in_threadpool(_piece, request)


def _piece(request: Request) -> Response:
    """All inspections of the piece that this one is of, the newest first."""
    bench, number = bench_of(request), request.path_params["number"]
    this = _row(bench, number)
    rows = _same_piece(bench, this)
    with _kept(bench) as kept:
        photos = {row.number: kept.entry(row.number).photos for row in rows}
    new = bool(request.query_params.get("new"))
    return bench.page("piece.html", this=this, cards=_cards(bench, rows[::-1]), photos=photos, new=new)


async def thumbnail(request: Request) -> Response:
    return await run_in_threadpool(_thumbnail, request)


def _thumbnail(request: Request) -> Response:
    with _kept(bench_of(request)) as kept:
        jpeg = kept.thumbnail(request.path_params["number"])
    if jpeg is None:
        raise HTTPException(404)
    return Response(jpeg, media_type="image/jpeg")


async def compare(request: Request) -> Response:
    return await run_in_threadpool(_compare, request)


def _compare(request: Request) -> Response:
    """Two inspections: of one piece the earlier one as what was before, of two pieces side by side."""
    bench = bench_of(request)
    ticked = {int(said) for said in request.query_params.getlist("number") if said.isdecimal() and len(said) < 10}
    if len(ticked) != 2:
        raise UsageError("To compare, exactly two are needed.", "Tick two, and no more.")
    rows = sorted(
        (_row(bench, number) for number in ticked), key=lambda row: (row.done_on, row.recorded_at, row.number)
    )
    with _kept(bench) as kept:
        results = [kept.entry(row.number).result for row in rows]
    return (_before_and_after if rows[0].piece == rows[1].piece else _side_by_side)(bench, rows, results)


def _before_and_after(bench: Bench, rows: Sequence[RecordedPiece], results: Sequence[Mapping[str, Any]]) -> Response:
    from foldtrue.judge.compare import compare_records
    from foldtrue.report.judgement import comparison_text

    if any(result["format"] != "foldtrue-result" for result in results):
        raise UsageError("Only measured pieces can be compared, not sheets or grids.", "Tick two of the stage piece.")
    text = bench.units().sentence(comparison_text(compare_records(*results)))
    return bench.page("compare.html", before=rows[0], after=rows[1], lines=text.split("\n"))


def _side_by_side(bench: Bench, rows: Sequence[RecordedPiece], results: Sequence[Mapping[str, Any]]) -> Response:
    from foldtrue.pairing import PairRow, Value, difference_words, pair_pieces

    found = pair_pieces((rows[0], rows[1]), (results[0], results[1]))
    units, names = bench.units(), (rows[0].piece, rows[1].piece)

    def said(each: Value, unit: str) -> str:
        if each.value is None or unit != "mm":
            return each.why or plus_minus(each.value, each.u95, unit)
        return units.length(each.value, each.u95)

    def shown(row: PairRow) -> tuple[str, list[str], str]:
        return row.title, [said(each, row.unit) for each in row.values], difference_words(row, names)

    return bench.page("pair.html", found=found, cards=_cards(bench, rows), rows=[shown(row) for row in found.rows])


async def ask_remove(request: Request) -> Response:
    def asked() -> Response:
        bench = bench_of(request)
        row = _row(bench, request.path_params["number"])
        only = len(_same_piece(bench, row)) == 1
        return bench.page("remove.html", row=row, only=only)

    return await run_in_threadpool(asked)


async def remove(request: Request) -> Response:
    await read_form(request)

    def removed() -> Response:
        bench = bench_of(request)
        row = _row(bench, request.path_params["number"])
        with _kept(bench) as kept:
            kept.remove(row.number)
            rest = kept.find(RecordFilter(piece=row.piece))
        return go_to(f"/shelf/{rest[-1].number}" if rest else "/shelf")

    return await run_in_threadpool(removed)


def _kept(bench: Bench) -> Record:
    kept = bench.shelf.open()
    if kept is None:
        raise HTTPException(404)
    return kept


def _row(bench: Bench, number: int) -> RecordedPiece:
    row = next((row for row in bench.shelf.inspections() if row.number == number), None)
    if row is None:
        raise HTTPException(404)
    return row


def _same_piece(bench: Bench, row: RecordedPiece) -> list[RecordedPiece]:
    return [each for each in bench.shelf.inspections() if each.piece == row.piece]

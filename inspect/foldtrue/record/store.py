"""Record: adds, lists, shows and removes inspections. One inspection, one transaction."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

from sqlalchemy import JSON, Connection, Row, Select, delete, exists, insert, select, type_coerce, update

from foldtrue.errors import AlreadyRecorded, UsageError
from foldtrue.handover_record import Entry, GroupFigures, RecordedPhoto, RecordedPiece, RecordFilter
from foldtrue.record import schema
from foldtrue.record.care import compact
from foldtrue.record.connection import open_engine, reading, writing
from foldtrue.record.figures import Digest, digest
from foldtrue.record.thumbnails import check_bare_jpeg


class Record:
    """The record in one file. Raises UnreadableFile from every method when the file cannot be read or written."""

    def __init__(self, path: Path, *, create: bool = False) -> None:
        self.path = path
        self.engine = open_engine(path, create=create)

    def __enter__(self) -> Record:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.engine.dispose()

    def add(self, entry: Entry, *, again: bool = False) -> int:
        """Record one inspection and give its number; when this returns, it is on the disk.

        again: a photo that is recorded already is linked to this inspection as well. Raises AlreadyRecorded for such a
        photo without it, UsageError for a piece that is somebody else's, and for a result or thumbnail that is not what
        it should be.
        """
        with writing(self.engine, self.path) as connection:
            return add_entry(connection, entry, again=again)

    def find(self, chosen: RecordFilter | None = None) -> list[RecordedPiece]:
        """The inspections meant, by day, then in the order they were recorded."""
        with reading(self.engine, self.path) as connection:
            rows = connection.execute(_choose(_OVERVIEW, chosen or RecordFilter())).all()
            numbers = {row.id for row in rows}
            tags, groups = _names(connection, _TAGS, numbers), _figures(connection, numbers)
            photos = _names(connection, _PHOTOS, numbers)
        return [_recorded(row, tags[row.id], photos[row.id], groups[row.id]) for row in rows]

    def entry(self, number: int) -> Entry:
        """All that is recorded of one inspection. Raises UsageError where there is none of this number."""
        with reading(self.engine, self.path) as connection:
            return read_entry(connection, number)

    def thumbnail(self, number: int) -> bytes | None:
        """The first thumbnail of one inspection, a JPEG; None where it has none, or there is no such inspection."""
        photos, links = schema.photos, schema.inspection_photos.c
        pictures = select(photos.c.thumbnail).select_from(photos.join(schema.inspection_photos))
        kept = (links.inspection_id == number) & photos.c.thumbnail.is_not(None)
        with reading(self.engine, self.path) as connection:
            found = connection.execute(pictures.where(kept).order_by(links.place)).scalar()
        return None if found is None else bytes(found)

    def pictured(self, numbers: Sequence[int]) -> set[int]:
        """Those of the inspections that have a thumbnail."""
        photos, links = schema.photos, schema.inspection_photos.c
        found = select(links.inspection_id).select_from(photos.join(schema.inspection_photos))
        meant = links.inspection_id.in_(numbers) & photos.c.thumbnail.is_not(None)
        with reading(self.engine, self.path) as connection:
            return set(connection.execute(found.where(meant)).scalars())

    def verdicts(self, numbers: Sequence[int]) -> Mapping[int, str]:
        """The verdict that each result holds, by the limits it was judged by when it was measured; results without one
        are left out."""
        results = schema.results.c
        verdict = type_coerce(results.document, JSON)["judgement"]["verdict"].as_string()
        with reading(self.engine, self.path) as connection:
            rows = connection.execute(select(results.inspection_id, verdict).where(results.inspection_id.in_(numbers)))
            return {number: word for number, word in rows if word is not None}

    def remove(self, number: int) -> None:
        """Delete one inspection, and what only it had: photos, the plan, the piece, the person."""
        with writing(self.engine, self.path) as connection:
            _check_there(connection, number)
            connection.execute(delete(schema.inspections).where(schema.inspections.c.id == number))
            _drop_unused(connection)
        compact(self.engine, self.path)

    def forget(self, alias: str) -> int:
        """Delete a person with all pieces, inspections and pictures, and overwrite them in the file; gives the number
        of inspections. Raises UsageError where nobody has this alias."""
        people, pieces, inspections = schema.people.c, schema.pieces.c, schema.inspections.c
        with writing(self.engine, self.path) as connection:
            person = connection.execute(select(people.id).where(people.alias == alias)).scalar()
            if person is None:
                raise UsageError(f"Nobody called {alias!r} is in the record.", "See: foldtrue record list")
            own = select(pieces.id).where(pieces.person_id == person)
            count = len(connection.execute(select(inspections.id).where(inspections.piece_id.in_(own))).all())
            connection.execute(delete(schema.people).where(people.id == person))
            _drop_unused(connection)
        compact(self.engine, self.path)
        return count


def add_entry(connection: Connection, entry: Entry, *, again: bool) -> int:
    """Record one inspection inside the caller's transaction."""
    found = digest(entry.result)
    _refuse_known_photos(connection, entry, again)
    piece = _piece_id(connection, entry)
    values = {name: getattr(entry, name) for name in ("key", "stage", "done_on", "recorded_at", "note")}
    values |= {name: getattr(found, name) for name in ("view", "planned", "measured", "taken")}
    plan = _plan_id(connection, entry, found)
    row = connection.execute(insert(schema.inspections).values(piece_id=piece, plan_id=plan, **values))
    assert row.inserted_primary_key is not None
    number = int(row.inserted_primary_key[0])
    connection.execute(insert(schema.results).values(inspection_id=number, document=_document(entry.result)))
    _insert_all(connection, schema.figures, number, _figure_rows(found))
    _insert_all(connection, schema.tags, number, [{"tag": tag} for tag in dict.fromkeys(entry.tags)])
    links = [{"photo_id": _photo_id(connection, photo), "place": k} for k, photo in enumerate(entry.photos)]
    _insert_all(connection, schema.inspection_photos, number, links)
    return number


def _document(content: Mapping[str, Any]) -> str:
    """As JSON text in ASCII, which holds every string that a JSON file can hold."""
    try:
        return json.dumps(content, allow_nan=False, separators=(",", ":"))
    except ValueError:
        raise UsageError("The result holds a number that is none.", "Measure the photo again.") from None


def _insert_all(connection: Connection, table: Any, number: int, rows: Sequence[Mapping[str, Any]]) -> None:
    if rows:
        connection.execute(insert(table), [{"inspection_id": number, **row} for row in rows])


def _figure_rows(found: Digest) -> list[dict[str, Any]]:
    return [{"members_of": name, **vars(figures)} for name, figures in found.groups.items()]


def _refuse_known_photos(connection: Connection, entry: Entry, again: bool) -> None:
    photos, links, inspections, pieces = schema.photos, schema.inspection_photos, schema.inspections, schema.pieces
    if again or not entry.photos:
        return
    known = connection.execute(
        select(inspections.c.id, pieces.c.name)
        .select_from(photos.join(links).join(inspections).join(pieces))
        .where(photos.c.sha256.in_([photo.sha256 for photo in entry.photos]), inspections.c.stage == entry.stage)
        .order_by(inspections.c.id)
    ).first()
    if known is not None:
        raise AlreadyRecorded(
            f"This photo is recorded already, as number {known.id}, piece {known.name!r}.",
            "Record it once more with --again, or take out the first with: foldtrue record remove",
            int(known.id),
        )


def _piece_id(connection: Connection, entry: Entry) -> int:
    """The piece by its name, made where it is new. What was said of it once need not be said again; other words for
    whose it is are refused, others for its paper too."""
    pieces, people = schema.pieces.c, schema.people.c
    there = connection.execute(
        select(pieces.id, pieces.paper, people.alias)
        .select_from(schema.pieces.outerjoin(schema.people))
        .where(pieces.name == entry.piece)
    ).first()
    if there is None:
        row = connection.execute(
            insert(schema.pieces).values(
                name=entry.piece, paper=entry.paper, person_id=_person_id(connection, entry.folder)
            )
        )
        assert row.inserted_primary_key is not None
        return int(row.inserted_primary_key[0])
    for what, said, known in (("folded by", entry.folder, there.alias), ("of", entry.paper, there.paper)):
        if said is not None and known is not None and said != known:
            raise UsageError(
                f"The piece {entry.piece!r} is recorded as {what} {known!r}, not {said!r}.",
                "Give another piece another name.",
            )
    if entry.paper is not None and there.paper is None:
        connection.execute(update(schema.pieces).where(pieces.id == there.id).values(paper=entry.paper))
    if entry.folder is not None and there.alias is None:
        person = _person_id(connection, entry.folder)
        connection.execute(update(schema.pieces).where(pieces.id == there.id).values(person_id=person))
    return int(there.id)


def _person_id(connection: Connection, alias: str | None) -> int | None:
    return None if alias is None else _id_of(connection, schema.people, "alias", alias)


def _plan_id(connection: Connection, entry: Entry, found: Digest) -> int | None:
    if found.plan_sha256 is None:
        return None
    document = None if entry.plan is None else _document(entry.plan)
    more = {"name": found.plan or "", "pitch_mm": found.pitch_mm, "document": document}
    number = _id_of(connection, schema.plans, "sha256", found.plan_sha256, more)
    plans = schema.plans.c
    for column, value in ((plans.document, document), (plans.pitch_mm, found.pitch_mm)):
        if value is not None:  # an earlier result may not have told it
            same = (plans.id == number) & column.is_(None)
            connection.execute(update(schema.plans).where(same).values({column: value}))
    return number


def _photo_id(connection: Connection, photo: RecordedPhoto) -> int:
    if photo.thumbnail is not None:
        check_bare_jpeg(photo.thumbnail)
    more = {"name": photo.name, "thumbnail": photo.thumbnail, "no_thumbnail": photo.no_thumbnail}
    number = _id_of(connection, schema.photos, "sha256", photo.sha256, more)
    if photo.thumbnail is not None:  # the photo may have been recorded before without one
        bare = (schema.photos.c.id == number) & schema.photos.c.thumbnail.is_(None)
        connection.execute(update(schema.photos).where(bare).values(thumbnail=photo.thumbnail, no_thumbnail=""))
    return number


def _id_of(connection: Connection, table: Any, column: str, value: str, more: Mapping[str, Any] | None = None) -> int:
    """The row whose unique column has this value, made where there is none."""
    found = connection.execute(select(table.c.id).where(table.c[column] == value)).scalar()
    if found is None:
        key = connection.execute(insert(table).values({column: value, **(more or {})})).inserted_primary_key
        assert key is not None
        found = key[0]
    return int(found)


def _check_there(connection: Connection, number: int) -> None:
    if not connection.execute(select(exists().where(schema.inspections.c.id == number))).scalar():
        raise UsageError(f"There is no inspection number {number} in the record.", "See: foldtrue record list")


def _drop_unused(connection: Connection) -> None:
    """Delete what nothing hangs on any more, from the leaves to the root."""
    for table, column in (
        (schema.pieces, schema.inspections.c.piece_id),
        (schema.people, schema.pieces.c.person_id),
        (schema.plans, schema.inspections.c.plan_id),
        (schema.photos, schema.inspection_photos.c.photo_id),
    ):
        connection.execute(delete(table).where(~exists().where(column == table.c.id)))


_I, _P, _N, _W = schema.inspections.c, schema.pieces.c, schema.plans.c, schema.people.c
_OVERVIEW = select(
    *(_I.id, _I.key, _I.stage, _I.done_on, _I.recorded_at, _I.note, _I.view, _I.planned, _I.measured, _I.taken),
    *(_P.name.label("piece"), _P.paper, _W.alias, _N.name.label("plan"), _N.sha256, _N.pitch_mm, _N.document),
).select_from(schema.inspections.join(schema.pieces).outerjoin(schema.people).outerjoin(schema.plans))


def _choose(query: Select[Any], chosen: RecordFilter) -> Select[Any]:
    equal = {
        _P.name: chosen.piece,
        _N.name: chosen.plan,
        _I.stage: chosen.stage,
        _P.paper: chosen.paper,
        _W.alias: chosen.folder,
    }
    for column, value in equal.items():
        query = query if value is None else query.where(column == value)
    if chosen.tag is not None:
        query = query.where(exists().where(schema.tags.c.inspection_id == _I.id, schema.tags.c.tag == chosen.tag))
    if chosen.since is not None:
        query = query.where(_I.done_on >= chosen.since)
    if chosen.until is not None:
        query = query.where(_I.done_on <= chosen.until)
    return query.order_by(_I.done_on, _I.recorded_at, _I.id)


_TAGS = select(schema.tags.c.inspection_id, schema.tags.c.tag).order_by(schema.tags.c.tag)
_PHOTOS = (
    select(schema.inspection_photos.c.inspection_id, schema.photos.c.sha256)
    .select_from(schema.photos.join(schema.inspection_photos))
    .order_by(schema.inspection_photos.c.place)
)


def _names(connection: Connection, query: Select[Any], wanted: set[int]) -> Mapping[int, list[str]]:
    found: dict[int, list[str]] = defaultdict(list)
    for number, name in connection.execute(query):
        if number in wanted:
            found[number].append(name)
    return found


def _figures(connection: Connection, wanted: set[int]) -> Mapping[int, dict[str, GroupFigures]]:
    found: dict[int, dict[str, GroupFigures]] = defaultdict(dict)
    for number, name, *values in connection.execute(select(schema.figures)):
        if number in wanted:
            found[number][name] = GroupFigures(*values)
    return found


def _recorded(row: Row[Any], tags: list[str], photos: list[str], groups: Mapping[str, GroupFigures]) -> RecordedPiece:
    return RecordedPiece(
        number=row.id,
        key=row.key,
        piece=row.piece,
        stage=row.stage,
        done_on=row.done_on,
        recorded_at=row.recorded_at,
        plan=row.plan,
        plan_sha256=row.sha256,
        pitch_mm=row.pitch_mm,
        folder=row.alias,
        paper=row.paper,
        note=row.note,
        tags=tuple(tags),
        view=row.view,
        planned=row.planned,
        measured=row.measured,
        taken=row.taken,
        photos=tuple(photos),
        groups=groups,
    )


def read_entry(connection: Connection, number: int) -> Entry:
    """All that is recorded of one inspection, inside the caller's transaction."""
    _check_there(connection, number)
    row = connection.execute(_OVERVIEW.where(_I.id == number)).one()
    photos, links, tags = schema.photos, schema.inspection_photos, schema.tags
    pictures = connection.execute(
        select(photos.c.name, photos.c.sha256, photos.c.thumbnail, photos.c.no_thumbnail)
        .select_from(photos.join(links))
        .where(links.c.inspection_id == number)
        .order_by(links.c.place)
    )
    document = connection.execute(select(schema.results.c.document).where(schema.results.c.inspection_id == number))
    return Entry(
        key=row.key,
        piece=row.piece,
        stage=row.stage,
        done_on=row.done_on,
        recorded_at=row.recorded_at,
        result=json.loads(document.scalar_one()),
        photos=tuple(RecordedPhoto(*picture) for picture in pictures),
        folder=row.alias,
        paper=row.paper,
        note=row.note,
        tags=tuple(
            connection.execute(select(tags.c.tag).where(tags.c.inspection_id == number).order_by(tags.c.tag)).scalars()
        ),
        plan=None if row.document is None else json.loads(row.document),
    )

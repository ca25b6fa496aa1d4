"""Copies of the record that other programs read: JSON with everything, CSV with the figures.

The JSON form is docs/record-copy.schema.json; reading it back gives the same record. Figures in it would be a second
truth beside the results, so there are none: they are taken from the results again.
"""

from __future__ import annotations

import base64
import csv
import io
import json
import re
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError
from sqlalchemy import select

from foldtrue.errors import UnreadableFile, UsageError
from foldtrue.handover_record import ALL, Entry, RecordedPhoto, RecordedPiece, RecordFilter, Stage
from foldtrue.record import schema
from foldtrue.record.connection import reading, writing
from foldtrue.record.store import Record, add_entry, read_entry

FORMAT, VERSION = "foldtrue-record", 1
MAX_FILE_BYTES = 4_000_000_000
_FORMULA = ("=", "+", "-", "@", "\t", "\r")

_Name = Annotated[str, StringConstraints(min_length=1, max_length=200)]
_Sha256 = Annotated[str, StringConstraints(pattern="^[0-9a-f]{64}$")]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class _Photo(_Part):
    name: Annotated[str, StringConstraints(max_length=255)]
    sha256: _Sha256
    thumbnail_base64: str | None = None
    no_thumbnail: Annotated[str, StringConstraints(max_length=1000)] = ""


class _Inspection(_Part):
    key: Annotated[str, StringConstraints(pattern="^[0-9a-f]{32}$")]
    piece: _Name
    folder: _Name | None = None
    paper: _Name | None = None
    stage: Stage
    done_on: Annotated[str, StringConstraints(pattern=r"^\d{4}-\d\d-\d\d$")]
    recorded_at: Annotated[str, StringConstraints(max_length=40)]
    note: str | None = None
    tags: list[_Name] = Field(default_factory=list, max_length=100)
    photos: list[_Photo] = Field(max_length=100)
    plan: dict[str, Any] | None = None
    result: dict[str, Any]


class _Copy(_Part):
    """A copy of a record of foldtrue, or of a part of it."""

    format: Literal["foldtrue-record"]
    version: Literal[1]
    inspections: list[_Inspection]


def copy_schema() -> dict[str, Any]:
    """JSON Schema of the copy, as kept in docs/record-copy.schema.json."""
    content = _Copy.model_json_schema()
    content["title"] = "foldtrue record copy, version 1"
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **content}


def export_json(record: Record, chosen: RecordFilter | None = None) -> str:
    """Everything recorded of the inspections meant, one inspection a line."""
    numbers = [found.number for found in record.find(chosen)]
    with reading(record.engine, record.path) as connection:
        rows = [_as_json(read_entry(connection, number)) for number in numbers]
    lines = ",\n".join("  " + json_text(row) for row in rows)
    listed = f"[\n{lines}\n ]" if rows else "[]"
    return f'{{\n "format": "{FORMAT}",\n "version": {VERSION},\n "inspections": {listed}\n}}\n'


def json_text(content: Mapping[str, Any], indent: int | None = None) -> str:
    """As it is read best; in ASCII where a string holds what is no character, which JSON allows and UTF-8 does not."""
    text = json.dumps(content, ensure_ascii=False, allow_nan=False, indent=indent)
    try:
        text.encode()
    except UnicodeEncodeError:
        return json.dumps(content, allow_nan=False, indent=indent)
    return text


def _as_json(entry: Entry) -> dict[str, Any]:
    return {
        "key": entry.key,
        "piece": entry.piece,
        "folder": entry.folder,
        "paper": entry.paper,
        "stage": entry.stage,
        "done_on": entry.done_on.isoformat(),
        "recorded_at": entry.recorded_at,
        "note": entry.note,
        "tags": list(entry.tags),
        "photos": [
            {
                "name": photo.name,
                "sha256": photo.sha256,
                "thumbnail_base64": None if photo.thumbnail is None else base64.b64encode(photo.thumbnail).decode(),
                "no_thumbnail": photo.no_thumbnail,
            }
            for photo in entry.photos
        ],
        "plan": entry.plan,
        "result": entry.result,
    }


def read_copy(path: Path) -> list[Entry]:
    """The inspections in a JSON copy. Raises UnreadableFile where it cannot be read, UsageError where it is no copy of
    a record: the first wrong field is named."""
    content = read_json(path, MAX_FILE_BYTES)
    if content.get("format") == FORMAT and content.get("version") != VERSION:
        raise UsageError(f"{path.name} has version {content.get('version')!r}.", "Install a newer foldtrue.")
    try:
        copy = _Copy.model_validate(content)
        return [_entry(row) for row in copy.inspections]
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise UsageError(f"{path.name} is not a copy of a record: {where}: {first['msg']}.") from None
    except ValueError as error:
        raise UsageError(f"{path.name} is not a copy of a record: {error}.") from None


def read_json(path: Path, max_bytes: int) -> dict[str, Any]:
    """A JSON object from a file. Raises UnreadableFile, or UsageError where it is none, or holds NaN or infinity."""
    try:
        if not path.is_file():
            raise UnreadableFile(f"There is no file {path}.", "Check the name and the folder.")
        if path.stat().st_size > max_bytes:
            raise UnreadableFile(f"{path.name} is too large.", f"At most {max_bytes / 1e6:.0f} MB are read.")
        content = json.loads(path.read_text("utf-8"), parse_constant=_no_number)
    except OSError as error:
        raise UnreadableFile(f"{path} cannot be read: {error.strerror or error}.", "Check its permissions.") from None
    except (ValueError, RecursionError) as error:  # not UTF-8, not JSON, numbers or nesting beyond reason
        raise UsageError(f"{path.name} is not a JSON text: {error}.", "Give a file that foldtrue wrote.") from None
    if not isinstance(content, dict):
        raise UsageError(f"{path.name} holds no JSON object.", "Give a file that foldtrue wrote.")
    return content


def _no_number(word: str) -> None:
    raise ValueError(f"{word} is no number")


def _entry(row: _Inspection) -> Entry:
    datetime.fromisoformat(row.recorded_at)
    photos = tuple(
        RecordedPhoto(
            photo.name,
            photo.sha256,
            None if photo.thumbnail_base64 is None else base64.b64decode(photo.thumbnail_base64, validate=True),
            photo.no_thumbnail,
        )
        for photo in row.photos
    )
    values = {name: getattr(row, name) for name in ("key", "piece", "folder", "paper", "stage", "recorded_at", "note")}
    return Entry(
        **values,
        done_on=date.fromisoformat(row.done_on),
        tags=tuple(row.tags),
        photos=photos,
        plan=row.plan,
        result=row.result,
    )


def import_entries(record: Record, entries: Sequence[Entry]) -> tuple[int, int]:
    """Record all of them, or none; gives how many are new and how many were there already, by their keys.

    A photo that both records hold is linked to both inspections. Raises UsageError as Record.add does.
    """
    with writing(record.engine, record.path) as connection:
        known = set(connection.execute(select(schema.inspections.c.key)).scalars())
        new = [entry for entry in entries if entry.key not in known]
        if len({entry.key for entry in new}) < len(new):
            raise UsageError("The copy holds one inspection twice.", "Export it again.")
        for entry in new:
            add_entry(connection, entry, again=True)
    return len(new), len(entries) - len(new)


_COLUMNS = (
    *("number", "piece", "stage", "done_on", "plan", "pitch_mm", "folder", "paper", "view", "planned", "measured"),
    *("position_mean_error_mm", "position_mean_error_u95_mm", "angle_mean_error_deg", "angle_mean_error_u95_deg"),
    *("tags", "note", "key", "recorded_at"),
)


def export_csv(found: Sequence[RecordedPiece]) -> str:
    """The figures, one line an inspection; empty where nothing was measured. Tags are separated by semicolons."""
    text = io.StringIO()
    writer = csv.DictWriter(text, _COLUMNS, lineterminator="\n", extrasaction="ignore")
    writer.writeheader()
    for row in found:
        writer.writerow({name: _cell(value) for name, value in _csv_row(row).items()})
    return text.getvalue()


def _csv_row(row: RecordedPiece) -> Mapping[str, Any]:
    whole = row.groups.get(ALL)
    figures = (None,) * 4 if whole is None else tuple(vars(whole).values())[1:]
    return {**vars(row), "tags": "; ".join(row.tags), **dict(zip(_COLUMNS[11:15], figures, strict=True))}


def _cell(value: Any) -> Any:
    """Text that a spreadsheet would run as a formula gets an apostrophe in front."""
    if isinstance(value, str):
        flat = re.sub(r"\s*\n\s*", " / ", value)
        return f"'{flat}" if flat.startswith(_FORMULA) else flat
    return value

"""Looks after the file: is it whole, a copy while others use it, and no trace left of what was deleted."""

from __future__ import annotations

import contextlib
import json
import math
import os
import sqlite3
from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path

from sqlalchemy import Connection, Engine, select

from foldtrue.errors import FoldtrueError, UnreadableFile, UsageError
from foldtrue.handover_record import GroupFigures
from foldtrue.record import schema
from foldtrue.record.connection import clear_errors, reading
from foldtrue.record.figures import digest
from foldtrue.record.thumbnails import check_bare_jpeg


def find_damage(engine: Engine, path: Path) -> list[str]:
    """What is wrong with the record, one sentence each: the file, references that lead nowhere, results that cannot be
    read or whose figures are not those beside them, pictures with metadata. Empty where all is well."""
    with reading(engine, path) as connection:
        said = [str(row[0]) for row in connection.exec_driver_sql("PRAGMA integrity_check")]
        problems = [] if said == ["ok"] else [f"The file is damaged: {line}." for line in said]
        for table, row, other, _ in connection.exec_driver_sql("PRAGMA foreign_key_check"):
            problems.append(f"Row {row} of {table} refers to something in {other} that is not there.")
        return problems + _wrong_results(connection) + _wrong_pictures(connection)


def _wrong_results(connection: Connection) -> list[str]:
    inspections, results, figures = schema.inspections, schema.results, schema.figures
    kept: dict[int, dict[str, GroupFigures]] = {}
    for number, name, *values in connection.execute(select(figures)):
        kept.setdefault(number, {})[name] = GroupFigures(*values)
    problems = []
    rows = select(inspections.c.id, results.c.document).select_from(inspections.outerjoin(results))
    for number, document in connection.execute(rows.order_by(inspections.c.id)):
        try:
            if not _alike(digest(json.loads(document)).groups, kept.get(number, {})):
                problems.append(f"Inspection {number}: the figures are not those of its result.")
        except (FoldtrueError, ValueError, TypeError) as error:
            problems.append(f"Inspection {number}: the result cannot be read: {error}")
    return problems


def _alike(one: Mapping[str, GroupFigures], other: Mapping[str, GroupFigures]) -> bool:
    """Whether figures are the same but for the last digits, where machines differ."""
    pairs = [
        (getattr(one[name], field.name), getattr(other[name], field.name))
        for name in one.keys() & other.keys()
        for field in fields(GroupFigures)
    ]
    same = (a == b if a is None or b is None else math.isclose(a, b, rel_tol=1e-6, abs_tol=1e-12) for a, b in pairs)
    return one.keys() == other.keys() and all(same)


def _wrong_pictures(connection: Connection) -> list[str]:
    problems = []
    rows = select(schema.photos.c.id, schema.photos.c.thumbnail).where(schema.photos.c.thumbnail.is_not(None))
    for number, thumbnail in connection.execute(rows):
        try:
            check_bare_jpeg(thumbnail)
        except UsageError:
            problems.append(f"The thumbnail of photo {number} is not a bare JPEG.")
    return problems


def back_up(path: Path, target: Path) -> None:
    """Copy the record while others may use it: a whole copy of one moment, or none (SQLite's online backup).

    Raises UsageError where the target is the record itself, UnreadableFile where it cannot be written.
    """
    if target.exists() and target.samefile(path):
        raise UsageError("A backup in the record's own file is none.", "Name another file.")
    temporary = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        os.close(os.open(temporary, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
        with clear_errors(target):
            _copy(path, temporary)
        with temporary.open("rb") as file:
            os.fsync(file.fileno())
        os.replace(temporary, target)
    except OSError as error:
        raise UnreadableFile(
            f"{target} cannot be written: {error.strerror or error}.", "Free some space or choose another folder."
        ) from None
    finally:
        for name in (temporary, *(temporary.with_name(temporary.name + end) for end in ("-wal", "-shm", "-journal"))):
            with contextlib.suppress(OSError):
                name.unlink()


def _copy(path: Path, target: Path) -> None:
    source = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)
    with contextlib.closing(source), contextlib.closing(sqlite3.connect(target)) as copy:
        source.backup(copy)
        copy.execute("PRAGMA journal_mode = DELETE")  # one file, complete in itself


def compact(engine: Engine, path: Path) -> None:
    """Write the file anew without the free pages, and empty the log: what was deleted is in neither.

    Raises UnreadableFile where another program holds the record, or there is no room for it: what was deleted may then
    still be read in the file by somebody who knows how.
    """
    try:
        with clear_errors(path), contextlib.closing(engine.raw_connection()) as connection:
            cursor = connection.cursor()  # outside of any transaction
            cursor.execute("VACUUM")
            if cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]:
                raise UnreadableFile(f"The record {path} is in use by another program.")
    except UnreadableFile as error:
        raise UnreadableFile(
            f"What was to be deleted is deleted, but traces of it may remain in the file: {error.what}",
            "Mend that and run: foldtrue record compact",
        ) from None

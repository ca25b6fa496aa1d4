"""Opens the file of a record, and says in one sentence why it cannot be opened, read or written.

All that belongs to SQLite alone is here and in care.py: the write-ahead log, foreign keys, how a transaction begins.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event
from sqlalchemy.exc import DatabaseError
from sqlalchemy.pool import NullPool

from foldtrue.errors import UnreadableFile, UsageError
from foldtrue.home import home_folder
from foldtrue.record.schema import record_version
from foldtrue.record.versions import bring_up_to_date, refuse_newer

_WAIT_S = 30.0
"""How long a process waits for another one that writes."""
_FULL = ("full", "disk i/o error")


def default_place(home: Path | None = None) -> Path:
    """record.db in the person's folder; home: that folder where it is known already."""
    return (home or home_folder()) / "record.db"


def open_engine(path: Path, *, create: bool) -> Engine:
    """The record in file `path`, brought up to date; made anew where there is none and `create` is true.

    Raises UnreadableFile: there is no such record, the file is something else, it is of a newer version, damaged, in
    use for longer than half a minute, or cannot be written. Then it is left as it was.
    """
    if not path.exists():
        if not create:
            raise UnreadableFile(f"There is no record {path} yet.", "Record something with: foldtrue record add")
        _make_private(path)
    with clear_errors(path):
        _refuse_other_files(path)
        engine = _engine(path)
        bring_up_to_date(engine)
    return engine


def _make_private(path: Path) -> None:
    """An empty file that only its owner reads: a record says who folded what, and when."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with contextlib.suppress(FileExistsError):  # another process was quicker
            os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
    except OSError as error:
        raise UnreadableFile(
            f"The record {path} cannot be made: {error.strerror or error}.", "Choose another file with --record."
        ) from None


def _refuse_other_files(path: Path) -> None:
    """Look before anything is changed: not even another program's database is touched."""
    if not path.is_file():
        raise _not_a_record(path)
    if path.stat().st_size == 0:
        return
    with contextlib.closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=_WAIT_S)) as there:
        names = {name for (name,) in there.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        if names and record_version.name not in names:
            raise _not_a_record(path)
        if names:
            found = there.execute("SELECT MAX(number) FROM record_version").fetchone()[0]
            if not isinstance(found, int):
                raise _not_a_record(path)
            refuse_newer(found)


def _not_a_record(path: Path) -> UnreadableFile:
    return UnreadableFile(f"{path} is not a record of foldtrue.", "Choose another file with --record.")


def _engine(path: Path) -> Engine:
    engine = create_engine(
        URL.create("sqlite", database=str(path)),
        poolclass=NullPool,  # a connection's end folds the log back into the file
        connect_args={"timeout": _WAIT_S, "isolation_level": None},
    )
    event.listen(engine, "connect", _prepare)
    event.listen(engine, "begin", _begin)
    return engine


def _prepare(connection: Any, _: Any) -> None:
    """synchronous FULL: what was confirmed outlasts a power cut. secure_delete: what is forgotten is overwritten."""
    for pragma in ("foreign_keys = ON", "journal_mode = WAL", "synchronous = FULL", "secure_delete = ON"):
        connection.execute(f"PRAGMA {pragma}")


def _begin(connection: Connection) -> None:
    """Who means to write says so at once: two that read first and then both want to write would lock each other out.
    Python's own driver begins too late, and not at all before a table is made."""
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


@contextlib.contextmanager
def writing(engine: Engine, path: Path) -> Iterator[Connection]:
    """A transaction that writes: all of it lands, or nothing. Raises UnreadableFile when it cannot be written."""
    with clear_errors(path), engine.connect().execution_options(writes=True) as connection, connection.begin():
        yield connection


@contextlib.contextmanager
def reading(engine: Engine, path: Path) -> Iterator[Connection]:
    """One state of the record, whatever others write meanwhile. Raises UnreadableFile when it cannot be read."""
    with clear_errors(path), engine.connect() as connection:
        yield connection


@contextlib.contextmanager
def clear_errors(path: Path) -> Iterator[None]:
    """The database's own errors as UnreadableFile, with what to do."""
    try:
        yield
    except (DatabaseError, sqlite3.DatabaseError) as error:
        said = str(getattr(error, "orig", error)).strip().rstrip(".")
        raise _explained(path, said) from None
    except UnicodeEncodeError:
        raise UsageError("A name holds something that is no character.", "Type it again, or rename the file.") from None


def _explained(path: Path, said: str) -> UnreadableFile:
    low = said.lower()
    if "not a database" in low:
        return _not_a_record(path)
    if "locked" in low or "busy" in low:
        return UnreadableFile(f"The record {path} is in use by another program.", "Close it and try again.")
    if any(word in low for word in _FULL):
        return UnreadableFile(
            f"The record {path} cannot be written: {said}.", "Free some space; what was recorded before is still there."
        )
    if "readonly" in low or "unable to open" in low:
        return UnreadableFile(f"The record {path} cannot be opened: {said}.", "Check the permissions of its folder.")
    return UnreadableFile(
        f"The record {path} cannot be used: {said}.", "Run: foldtrue record check; restore a backup if it is damaged."
    )

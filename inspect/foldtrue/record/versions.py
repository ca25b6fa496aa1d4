"""The schema's version, and the steps from each to the next, every one in a transaction of its own.

A new record is made as schema.py has it; an older one is led there step by step. Why not Alembic: decision 21.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime

from sqlalchemy import Connection, Engine, func, insert, inspect, select

from foldtrue.errors import UnreadableFile
from foldtrue.record.schema import SCHEMA_VERSION, metadata, record_version

Step = Callable[[Connection], None]

STEPS: Mapping[int, Step] = {}
"""By the version they lead to: from SCHEMA_VERSION - 1 to SCHEMA_VERSION is STEPS[SCHEMA_VERSION]. A step says all it
needs itself and is never changed again; tests/record/test_versions.py keeps a record of every version and opens it."""


def bring_up_to_date(engine: Engine, steps: Mapping[int, Step] = STEPS, wanted: int = SCHEMA_VERSION) -> None:
    """Make the tables of an empty record, or lead an older record to version `wanted`.

    Raises UnreadableFile for a newer record; then nothing is changed. A step that fails leaves the version before it.
    """
    with engine.connect() as connection:  # who only looks need not wait for one that writes
        if version_of(connection) == wanted:
            return
    while True:
        with engine.connect().execution_options(writes=True) as connection, connection.begin():
            found = version_of(connection)  # asked anew inside the transaction: another process may have been quicker
            if found is None:
                metadata.create_all(connection)
                _reached(connection, wanted)
                return
            refuse_newer(found, wanted)
            if found == wanted:
                return
            steps[found + 1](connection)
            _reached(connection, found + 1)


def version_of(connection: Connection) -> int | None:
    """The version a record has reached, None where there is no record yet."""
    if not inspect(connection).has_table(record_version.name):
        return None
    return connection.execute(select(func.max(record_version.c.number))).scalar()


def refuse_newer(found: int, wanted: int = SCHEMA_VERSION) -> None:
    """Raises UnreadableFile where the record is newer than this foldtrue."""
    if found > wanted:
        raise UnreadableFile(
            f"The record has version {found}, and this foldtrue knows versions up to {wanted}.",
            "Install a newer foldtrue; the record was not changed.",
        )


def _reached(connection: Connection, number: int) -> None:
    now = datetime.now(UTC).isoformat(timespec="seconds")
    connection.execute(insert(record_version).values(number=number, reached_at=now))

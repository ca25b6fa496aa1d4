"""From a result file to an Entry: what the person need not say is taken from the file, the clock and the photo."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from foldtrue.errors import UsageError
from foldtrue.handover_record import Entry, RecordedPhoto, Stage
from foldtrue.record.exchange import read_json
from foldtrue.record.figures import photo_origins, stages_of

_NAMES = ("result.json", "grid.json", "sheet.json")
_MAX_RESULT_BYTES = 200_000_000
_NO_PHOTO = "The photo was not given."


def read_result(path: Path) -> dict[str, Any]:
    """The result in a file, or the one in a folder that foldtrue wrote its results to.

    Raises UnreadableFile, or UsageError where the folder holds none or several, or the file is no result of foldtrue.
    """
    if path.is_dir():
        there = [path / name for name in _NAMES if (path / name).is_file()]
        if len(there) != 1:
            found = "none" if not there else " and ".join(file.name for file in there)
            raise UsageError(f"The folder {path} should hold one result, and holds {found}.", "Name the file itself.")
        path = there[0]
    result = read_json(path, _MAX_RESULT_BYTES)
    stages_of(result)
    return result


def new_entry(
    result: Mapping[str, Any],
    piece: str,
    *,
    stage: Stage | None = None,
    done_on: date | None = None,
    thumbnails: Mapping[str, tuple[bytes | None, str]] | None = None,
    **said: Any,
) -> Entry:
    """An Entry with a key and a time of its own.

    stage: the usual one of such a result where it is not said. done_on: today. thumbnails: by the SHA-256 of the photo,
    as report/thumbnail.py makes them. said: folder, paper, note, tags, plan of Entry. Raises UsageError for a stage
    that such a result cannot have, and for thumbnails of photos that it was not made of.
    """
    stages, given = stages_of(result), dict(thumbnails or {})
    stage = stage or stages[0]
    if stage not in stages:
        raise UsageError(f"Such a result is no {stage}.", f"Leave out --stage, or say {' or '.join(stages)}.")
    photos = tuple(
        RecordedPhoto(name, sha256, *given.pop(sha256, (None, _NO_PHOTO))) for name, sha256 in photo_origins(result)
    )
    if given:
        raise UsageError(
            "The photo is not the one that was measured.", "Give the same file; a copy that was saved anew is another."
        )
    now = datetime.now(UTC).isoformat(timespec="milliseconds")
    day = done_on or date.today()
    return Entry(
        key=uuid.uuid4().hex,
        piece=piece,
        stage=stage,
        done_on=day,
        recorded_at=now,
        result=result,
        photos=photos,
        **said,
    )

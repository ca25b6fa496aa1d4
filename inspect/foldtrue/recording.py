"""From a finished result, its photo and its plan to what the record keeps of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from foldtrue.errors import UsageError
from foldtrue.handover_record import Entry

Result = Mapping[str, Any]


def entry_of(
    result: Result,
    piece: str,
    *,
    photos: Sequence[Path] = (),
    names: Sequence[str] = (),
    plan_file: Path | None = None,
    **said: Any,
) -> Entry:
    """An Entry of `result` for the piece of that name, with a thumbnail of each photo that was given.

    names: of the photos, where their files are called otherwise. plan_file: the plan that the result was compared with.
    said: the rest of what record/entries.py::new_entry takes. Raises UsageError for another plan, another photo, or a
    name that is none; UnreadableFile for a photo or a plan that cannot be read.
    """
    from foldtrue.record.entries import new_entry

    thumbnails = _thumbnails(photos, result)
    plan = None if plan_file is None else _plan(plan_file, result)
    entry = new_entry(result, piece, thumbnails=thumbnails, plan=plan, **said)
    called = dict(zip(thumbnails, names, strict=False))
    return replace(entry, photos=tuple(replace(each, name=called.get(each.sha256, each.name)) for each in entry.photos))


def _thumbnails(photos: Sequence[Path], result: Result) -> dict[str, tuple[bytes | None, str]]:
    """By SHA-256. Of several photos of one piece the result tells only where the piece lies in the one it shows."""
    if not photos:
        return {}
    from foldtrue.photo import read_photo
    from foldtrue.report.thumbnail import piece_thumbnail

    found: dict[str, tuple[bytes | None, str]] = {}
    for path in photos:
        photo = read_photo(path)
        shown = photo.sha256 == result["provenance"]["photo"]["sha256"]
        other = (None, "The result shows another photo of the piece.")
        found[photo.sha256] = piece_thumbnail(photo, result) if shown else other
    return found


def _plan(path: Path, result: Result) -> dict[str, Any]:
    from foldtrue.plan.file import plan_sha256, read_plan

    plan = read_plan(path)
    if plan_sha256(plan) != (result["provenance"].get("plan") or {}).get("sha256"):
        raise UsageError(f"The result was not compared with the plan {path.name}.", "Give that plan's, or none.")
    return plan.model_dump(mode="json", exclude_none=True)

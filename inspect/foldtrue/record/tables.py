"""The record as text for the terminal, and one inspection as files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import PurePath
from typing import Any

from foldtrue.handover_record import ALL, Entry, RecordedPiece, printable
from foldtrue.measured import plus_minus
from foldtrue.record.exchange import json_text
from foldtrue.record.figures import digest

_HEAD = ("no", "day", "stage", "piece", "plan", "folder", "paper", "measured", "mean error", "mean turn error", "tags")


def list_text(found: Sequence[RecordedPiece]) -> str:
    """One line an inspection, columns as wide as what is in them."""
    if not found:
        return "Nothing like that is recorded."
    rows = [_HEAD, *(_row(piece) for piece in found)]
    widths = [max(len(row[k]) for row in rows) for k in range(len(_HEAD))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    return printable("\n".join([*lines, "", f"{len(found)} inspections."]))


def _row(piece: RecordedPiece) -> tuple[str, ...]:
    whole = piece.groups.get(ALL)
    place = "not measured" if whole is None else plus_minus(whole.position_mm, whole.position_u95_mm, "mm")
    turn = "not measured" if whole is None else plus_minus(whole.angle_deg, whole.angle_u95_deg, "deg")
    measured = f"{piece.measured}/{piece.planned}" if whole is not None else ""
    names = (piece.piece, piece.plan or "", piece.folder or "", piece.paper or "")
    return (
        *(str(piece.number), piece.done_on.isoformat(), piece.stage, *names),
        *(measured, place, turn, " ".join(piece.tags)),
    )


def entry_text(number: int, entry: Entry) -> str:
    """All that is recorded of one inspection, its figures by group."""
    found = digest(entry.result)
    said = {
        "number": str(number),
        "piece": entry.piece,
        "stage": entry.stage,
        "day": entry.done_on.isoformat(),
        "recorded": entry.recorded_at,
        "plan": found.plan,
        "folder": entry.folder,
        "paper": entry.paper,
        "tags": ", ".join(entry.tags) or None,
        "note": entry.note,
        "view": found.view,
        "measured": f"{found.measured} of {found.planned}" if found.groups else None,
    }
    lines = [f"{name + ':':<10}{value}" for name, value in said.items() if value is not None]
    for photo in entry.photos:
        kept = f"thumbnail of {len(photo.thumbnail) / 1000:.0f} kB" if photo.thumbnail else photo.no_thumbnail
        lines.append(f"{'photo:':<10}{photo.name}, SHA-256 {photo.sha256[:12]}..., {kept}")
    if found.groups:
        lines += ["", f"{'mean errors of':<16}{'members':<9}{'position':<22}turn"]
    for name, group in found.groups.items():
        place = plus_minus(group.position_mm, group.position_u95_mm, "mm")
        turn = plus_minus(group.angle_deg, group.angle_u95_deg, "deg")
        lines.append(f"{name:<16}{group.members:<9}{place:<22}{turn}")
    return printable("\n".join(lines))


def entry_files(entry: Entry) -> Mapping[str, bytes]:
    """The result file, the plan where it was kept, and the thumbnails, by file name."""
    kind = str(entry.result["format"]).removeprefix("foldtrue-")
    files: dict[str, bytes] = {f"{kind}.json": _text(entry.result)}
    if entry.plan is not None:
        files["plan.json"] = _text(entry.plan)
    for k, photo in enumerate(entry.photos):
        if photo.thumbnail is not None:
            files[f"thumbnail-{k}-{PurePath(photo.name).stem}.jpg"] = photo.thumbnail
    return files


def _text(content: Mapping[str, Any]) -> bytes:
    return (json_text(content, indent=1) + "\n").encode()

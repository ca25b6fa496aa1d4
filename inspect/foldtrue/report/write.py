"""write_report: all files of one inspection, together or not at all."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from foldtrue.errors import UsageError
from foldtrue.handover import Inspection
from foldtrue.report.files import OVERLAY, PICTURE, PLACES, PLEATS, RESULT, TOUCH_UP, TWISTS, write_whole
from foldtrue.report.result import result_record
from foldtrue.report.tables import pleats_csv, twists_csv


@dataclass(frozen=True, kw_only=True)
class ReportOptions:
    """overlay: draw the picture too. touch_up: draw the touch-up list. picture: write the photo without marks, and what
    lies where on it, from which reports are made later. longest_side_px: size the photo is drawn at, 600 to 8000 (else
    UsageError)."""

    overlay: bool = True
    touch_up: bool = True
    picture: bool = True
    longest_side_px: int = 2000

    def __post_init__(self) -> None:
        if not 600 <= self.longest_side_px <= 8000:
            raise UsageError("The overlay's longest side must be 600 to 8000 px.")


@dataclass(frozen=True)
class ReportFiles:
    """What was written, and result.json's content for whoever prints it."""

    result: Path
    twists: Path
    pleats: Path
    overlay: Path | None
    record: Mapping[str, Any]


def write_report(
    inspection: Inspection,
    out_dir: Path | str,
    options: ReportOptions | None = None,
    more: Mapping[str, Any] | None = None,
    assess: Callable[[Inspection, Mapping[str, Any]], Mapping[str, Any]] | None = None,
) -> ReportFiles:
    """Write result.json, twists.csv, pleats.csv, overlay.png, picture.jpg and picture.json into `out_dir`, making the
    folder where needed; more: what else result.json holds; assess: gives `judgement` and `diagnosis` of result.json
    from all the rest, and makes the touch-up list be drawn.

    Raises UnreadableFile when one of them cannot be written; then none is left.
    """
    options = options or ReportOptions()
    folder = Path(out_dir)
    record = {**result_record(inspection), **(more or {})}
    if assess is not None:
        record |= assess(inspection, record)
    contents = {
        RESULT: record_text(record).encode(),
        TWISTS: twists_csv(record).encode(),
        PLEATS: pleats_csv(record).encode(),
    }
    if options.overlay:
        from foldtrue.report.overlay import overlay_png

        contents[OVERLAY] = overlay_png(inspection, record, options.longest_side_px)
    if options.touch_up:
        contents |= _touch_up_pictures(inspection, record)
    if options.picture:
        from foldtrue.report.picture import show_picture

        shown = show_picture(inspection, options.longest_side_px)
        contents |= {PICTURE: shown.jpeg, PLACES: json.dumps(shown.places).encode()}
    try:
        for name, content in contents.items():
            write_whole(folder / name, content)
    except BaseException:  # an interrupt too must not leave half a report
        for name in contents:
            with contextlib.suppress(OSError):
                (folder / name).unlink()
        raise
    overlay = folder / OVERLAY if options.overlay else None
    return ReportFiles(folder / RESULT, folder / TWISTS, folder / PLEATS, overlay, record)


def _touch_up_pictures(inspection: Inspection, record: Mapping[str, Any]) -> dict[str, bytes]:
    """The first pictures of the touch-up list by their place in the folder; none for a record that was not judged."""
    from foldtrue.report.crops import MOST, crop_name, crop_png

    entries = record.get("judgement", {"touch_up": []})["touch_up"][:MOST]
    return {f"{TOUCH_UP}/{crop_name(entry)}": crop_png(inspection, entry) for entry in entries}


def record_text(record: Mapping[str, Any]) -> str:
    """A record as JSON text: one line for each row of a table, so that two results can be compared line by line."""
    parts = []
    for key, value in record.items():
        if isinstance(value, list):
            rows = ",\n".join("  " + json.dumps(row, ensure_ascii=False, allow_nan=False) for row in value)
            parts.append(f" {json.dumps(key)}: [\n{rows}\n ]" if value else f" {json.dumps(key)}: []")
        else:
            parts.append(f" {json.dumps(key)}: {json.dumps(value, ensure_ascii=False, allow_nan=False)}")
    return "{\n" + ",\n".join(parts) + "\n}\n"

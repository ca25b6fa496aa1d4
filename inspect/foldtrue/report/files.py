"""Result files on disk: written whole or not at all, and never left behind by an earlier run.

A run first removes what an earlier run left (`clear_results`), so that a refused photo cannot be mistaken for the last
good one. result.json is written first and removed last: a folder that holds it is known to be ours.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
from collections.abc import Iterable
from pathlib import Path

from foldtrue.errors import UnreadableFile, UsageError

RESULT, TWISTS, PLEATS, OVERLAY = "result.json", "twists.csv", "pleats.csv", "overlay.png"
PICTURE, PLACES = "picture.jpg", "picture.json"
"""The photo without marks, and what lies where on it: for reports made later (report/picture.py)."""
RESULT_FILES = (RESULT, TWISTS, PLEATS, OVERLAY, PICTURE, PLACES)
GRID_FILES = ("grid.json", "grid.png")
SHEET_FILES = ("sheet.json",)
PHOTO, PLAN, TRUTH = "photo.jpg", "plan.json", "truth.json"
PHOTOS = "photos"
"""Folder of the single photos' own results, where several show one piece."""
TOUCH_UP = "touchup"
"""Folder of the pictures of the touch-up list."""
REPORT_MARK = b'<meta name="generator" content="foldtrue report">'
"""What the beginning of every page we write holds."""
CROP = re.compile(r"\d\d-\w+\.png")
_MAX_RESULT_BYTES = 200_000_000


def write_whole(path: Path, content: bytes) -> None:
    """Write through a temporary file in the same folder and a rename, so that readers see all of it or the old file.

    Raises UnreadableFile when it cannot be written (no such folder, no permission, disk full); nothing is left then.
    """
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        temporary.write_bytes(content)
        os.replace(temporary, path)
    except OSError as error:
        raise UnreadableFile(
            f"{path} cannot be written: {error.strerror or error}.", "Free some space or choose another folder."
        ) from None
    finally:
        with contextlib.suppress(OSError):  # after the rename there is nothing left to remove
            temporary.unlink()


def clear_results(
    folder: Path,
    inputs: Iterable[Path] = (),
    names: tuple[str, ...] = RESULT_FILES,
    form: str = "foldtrue-result",
) -> None:
    """Remove the result files of an earlier run from `folder`; nothing else is touched.

    names: the files, the record first, whose "format" is `form`. Raises UsageError when a result file's name belongs
    to one of `inputs`, or the record there is not foldtrue's; UnreadableFile when one cannot be removed.
    """
    ours = [folder / name for name in names]
    for given in inputs:
        if any(path.exists() and given.exists() and path.samefile(given) for path in ours):
            raise UsageError(f"The result would overwrite {given}.", "Choose another folder with --out.")
    result = ours[0]
    if not os.path.lexists(result):
        return
    if not _has_format(result, form):
        raise UsageError(f"{result} was not written by foldtrue.", "Choose another folder with --out.")
    try:
        for path in reversed(ours):
            path.unlink(missing_ok=True)
    except OSError as error:
        raise UnreadableFile(
            f"{path} cannot be removed: {error.strerror or error}.", "Choose another folder with --out."
        ) from None


def clear_report(path: Path) -> None:
    """Remove an earlier report's page, so that after a refused photo it cannot be taken for the new one's.

    Raises UsageError when the file is not foldtrue's, UnreadableFile when it cannot be removed.
    """
    try:
        with path.open("rb") as file:
            ours = REPORT_MARK in file.read(2000)
        if ours:
            path.unlink()
    except FileNotFoundError:
        return
    except OSError as error:
        raise UnreadableFile(
            f"{path} cannot be removed: {error.strerror or error}.", "Choose another name for the report."
        ) from None
    if not ours:
        raise UsageError(f"{path} is there already and was not written by foldtrue.", "Choose another name.")


def clear_touch_up(folder: Path) -> None:
    """Remove the pictures of an earlier run's touch-up list, in a folder whose result is foldtrue's; nothing else.

    Raises UnreadableFile when one cannot be removed.
    """
    place = folder / TOUCH_UP
    if not place.is_dir() or not _has_format(folder / RESULT, "foldtrue-result"):
        return
    try:
        for path in place.iterdir():
            if CROP.fullmatch(path.name):
                path.unlink()
    except OSError as error:
        raise UnreadableFile(
            f"{place} cannot be cleared: {error.strerror or error}.", "Choose another folder with --out."
        ) from None
    with contextlib.suppress(OSError):  # something of the person's own is in it
        place.rmdir()


def clear_photos(folder: Path, inputs: Iterable[Path] = ()) -> None:
    """Remove what an earlier run of several photos left in the folders below PHOTOS; nothing else is touched.

    Raises as `clear_results` does.
    """
    inputs = tuple(inputs)
    parent = folder / PHOTOS
    for each in sorted(parent.iterdir()) if parent.is_dir() else []:
        if each.is_dir() and (each / RESULT).exists():
            clear_results(each, inputs)
            with contextlib.suppress(OSError):  # something of the person's own is in it
                each.rmdir()
    with contextlib.suppress(OSError):
        parent.rmdir()


def check_practice_folder(folder: Path, given_plan: Path | None) -> None:
    """Refuse to write a practice photo over files that are not an earlier practice's.

    Raises UsageError when photo.jpg or plan.json is there without a truth.json of ours; `given_plan` may be there.
    """
    if _has_format(folder / TRUTH, "foldtrue-truth"):
        return
    for name in (TRUTH, PHOTO, PLAN):
        path = folder / name
        if path.exists() and not (given_plan is not None and given_plan.exists() and path.samefile(given_plan)):
            raise UsageError(f"{path} is there already and no practice photo's.", "Choose another folder with --out.")


def _has_format(path: Path, name: str) -> bool:
    try:
        if path.stat().st_size > _MAX_RESULT_BYTES:
            return False
        content = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return False
    return isinstance(content, dict) and content.get("format") == name

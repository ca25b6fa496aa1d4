"""A finished result as a report that can be handed on: one page of HTML, or a PDF of one or two pages."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from foldtrue.errors import UnreadableFile
from foldtrue.judge.figures import read_figures, read_record
from foldtrue.printing.handout import HandoutText, handout_pages
from foldtrue.printing.paper import PaperName
from foldtrue.printing.pdf import pdf_bytes
from foldtrue.report.crops import MOST, crop_name
from foldtrue.report.files import PICTURE, PLACES, RESULT, TOUCH_UP
from foldtrue.report.handout_text import handout_parts
from foldtrue.report.page import PageOptions, Pictures, Record, report_page
from foldtrue.report.picture_read import Picture, Places, read_picture, read_places

Made = TypeVar("Made")
_PHOTO_PX, _CROP_PX, _PRINTED_PX = 2000, 640, 1400


@dataclass(frozen=True)
class Finished:
    """A result as it lies in a folder: the record, and the pictures beside it as far as there are any."""

    record: Record
    folder: Path


def read_finished(place: Path) -> Finished:
    """A folder that `foldtrue piece --out` wrote, or its result.json alone. Raises UnreadableFile when there is no
    result of a piece, or one that has not the published form."""
    path = place / RESULT if place.is_dir() else place
    record = read_record(path)
    read_figures(record)
    return Finished(record, path.parent)


def html_report(found: Finished, options: PageOptions) -> str:
    """The page. Raises UnreadableFile when the record has not the published form."""

    def make() -> str:
        return report_page(found.record, Pictures(*_shown(found, _PHOTO_PX), _crops(found)), options)

    return _formed(make)


def pdf_report(found: Finished, options: PageOptions, paper: PaperName = "A4") -> bytes:
    """The pages for a buyer or a class. Raises UnreadableFile when the record has not the published form."""
    photo, _ = _formed(lambda: _shown(found, _PRINTED_PX))
    jpeg = None if photo is None else (photo.jpeg, photo.size_px)
    text = _formed(lambda: HandoutText(**handout_parts(found.record, options)))
    return pdf_bytes(handout_pages(text, jpeg, paper))


def _shown(found: Finished, longest_side_px: int) -> tuple[Picture | None, Places | None]:
    """The photo and what lies where on it; neither without the other, or where they are of different pictures."""
    photo, places = read_picture(found.folder / PICTURE, longest_side_px), read_places(found.folder / PLACES)
    if photo is None or places is None:
        return None, None
    width, height = photo.size_px
    alike = abs(width * places.height_px - height * places.width_px) <= 2 * max(places.width_px, places.height_px)
    return (photo, places) if alike and _same_twists(found.record, places) else (None, None)


def _same_twists(record: Record, places: Places) -> bool:
    return [twist["id"] for twist in record["twists"]] == [twist.id for twist in places.twists]


def _crops(found: Finished) -> dict[str, Picture]:
    entries = found.record.get("judgement", {"touch_up": []})["touch_up"][:MOST]
    read = {name: read_picture(found.folder / TOUCH_UP / name, _CROP_PX) for name in map(_plain_name, entries)}
    return {name: picture for name, picture in read.items() if picture is not None}


def _plain_name(entry: Any) -> str:
    """The file name of an entry's picture, kept inside its folder whatever the entry says."""
    return Path(crop_name(entry)).name


def _formed(make: Callable[[], Made]) -> Made:
    """What is made of a record, or the refusal of one that has not the published form."""
    try:
        return make()
    except (KeyError, TypeError, ValueError, AttributeError, IndexError, ArithmeticError) as error:
        raise UnreadableFile(
            f"The result has not the published form ({type(error).__name__}: {error}).", "Measure the piece again."
        ) from None

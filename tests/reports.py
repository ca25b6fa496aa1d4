"""Finished results to make reports of: a folder as foldtrue piece writes it, of the made-up inspection."""

from __future__ import annotations

import io
from dataclasses import replace
from html.parser import HTMLParser

from PIL import Image

from foldtrue.assess import assess_by
from foldtrue.handover_judge import Rule
from foldtrue.judge.tolerances import parse_tolerances
from foldtrue.photo import read_photo
from foldtrue.report.page import PageOptions
from foldtrue.report.write import write_report

OPTIONS = PageOptions(date="2026-05-04")
SECRETS = (b"CAM-SERIAL-4711", b"LENS-SERIAL-0815", b"Hidden Valley Road", b"Invented Camera Works", b"2024:08:09")
LIMITS = {
    "format": "foldtrue-tolerances",
    "version": 1,
    "name": "tight",
    "limits": {"twist_position": {"mm": 0.2}, "twist_angle": {"deg": 0.5}, "closure": {"of_pitch": 0.02}},
}
LATITUDE = (47.0, 33.0, 12.0)


def finished(inspection, folder):
    """Write the whole result and give its record."""
    return write_report(inspection, folder, assess=assess_by(parse_tolerances(LIMITS), Rule())).record


def telling_photo(pixels):
    """JPEG bytes of a photo that says where it was taken, with which camera, by whom and when."""
    exif = Image.Exif()
    exif[0x010F], exif[0x8298], exif[0x013B] = "Invented Camera Works", "Hidden Valley Road 1", "Hidden Valley Road"
    exif.get_ifd(0x8769).update({0xA431: "CAM-SERIAL-4711", 0xA435: "LENS-SERIAL-0815", 0x9003: "2024:08:09 10:11:12"})
    exif.get_ifd(0x8825).update({1: "N", 2: LATITUDE, 3: "E", 4: LATITUDE})
    stream = io.BytesIO()
    xmp = b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><serial>CAM-SERIAL-4711</serial></x:xmpmeta>'
    Image.fromarray(pixels).save(stream, "JPEG", quality=90, exif=exif, comment=b"Hidden Valley Road", xmp=xmp)
    return stream.getvalue()


def from_telling_photo(inspection, path):
    """The inspection, of the same pixels out of such a file."""
    path.write_bytes(telling_photo(inspection.photo.pixels))
    return replace(inspection, photo=read_photo(path))


class Page(HTMLParser):
    """A page as its elements: (tag, attributes) in order, the text of each section by its heading's id, and rows."""

    VOID = frozenset({"meta", "input", "img", "br", "link", "path", "circle", "rect", "image"})

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.elements, self.open, self.problems, self.text, self.rows = [], [], [], "", []
        self.feed(text)
        self.close()
        self.problems += [f"{tag} is not closed" for tag in self.open]

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        if tag in self.VOID:
            return
        if not self.open or self.open[-1] != tag:
            self.problems.append(f"{tag} closed inside {self.open[-1:]}")
        else:
            self.open.pop()

    def handle_data(self, data):
        if "style" not in self.open:
            self.text += data
        if {"td", "th"} & set(self.open[-3:]):
            self.rows[-1][-1] += data

    def ids(self):
        return [attributes["id"] for _, attributes in self.elements if "id" in attributes]

    def row_of(self, first_cell):
        return next(row for row in self.rows if row and row[0] == first_cell)

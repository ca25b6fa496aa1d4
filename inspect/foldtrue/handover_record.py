"""The types that go into the record and come out of it. What a result file says stays plain JSON, as it was written.

Flow: result.json -> Entry -> (the record) -> RecordedPiece -> Progress.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal, get_args

from foldtrue.errors import UsageError

Stage = Literal["sheet", "grid", "ring", "piece"]
STAGES: tuple[Stage, ...] = get_args(Stage)
ALL = "all"
"""Name of the group of all twists or lines."""
_NAME_LENGTH, _NOTE_LENGTH = 200, 10_000
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")


def printable(text: str) -> str:
    """Text for the terminal without what would steer it: names in a result file may come from anywhere."""
    return _CONTROL.sub("?", text)


@dataclass(frozen=True)
class RecordedPhoto:
    """A photo as the record keeps it: name and SHA-256 of its file, never the file. thumbnail: a small JPEG of the
    piece alone, without metadata; None with the reason in no_thumbnail."""

    name: str
    sha256: str
    thumbnail: bytes | None = None
    no_thumbnail: str = ""


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One inspection to be recorded: a result file's content and what the person says about it.

    key: its name in every record it is copied to, 32 hexadecimal digits. folder: an alias of who folded it. done_on:
    the day it was folded. recorded_at: UTC, ISO 8601. plan: the plan file's content, where it was given.
    Raises UsageError for names that are empty, too long or hold control characters.
    """

    key: str
    piece: str
    stage: Stage
    done_on: date
    recorded_at: str
    result: Mapping[str, Any]
    photos: tuple[RecordedPhoto, ...]
    folder: str | None = None
    paper: str | None = None
    note: str | None = None
    tags: tuple[str, ...] = ()
    plan: Mapping[str, Any] | None = None

    def __post_init__(self) -> None:
        check_name("piece", self.piece)
        for what, name in (("alias", self.folder), ("paper", self.paper), *(("tag", tag) for tag in self.tags)):
            if name is not None:
                check_name(what, name)
        if self.note is not None and (len(self.note) > _NOTE_LENGTH or _CONTROL.search(self.note)):
            raise UsageError(f"A note holds at most {_NOTE_LENGTH} characters, and no control characters.")
        if self.stage not in STAGES:
            raise UsageError(f"There is no stage {self.stage!r}.", f"Choose one of {', '.join(STAGES)}.")


def check_name(what: str, name: str) -> None:
    """Raises UsageError for a name that is empty, over 200 characters, has blanks at its ends or control characters."""
    if not name.strip() or name != name.strip():
        raise UsageError(f"A name of a {what} is empty or has blanks at its ends: {name!r}.", "Give it another name.")
    if len(name) > _NAME_LENGTH or _CONTROL.search(name) or "\n" in name or "\t" in name:
        raise UsageError(f"A name of a {what} is one line of at most {_NAME_LENGTH} characters.")


@dataclass(frozen=True, kw_only=True)
class RecordFilter:
    """Which inspections are meant; None means any. since, until: days, both included."""

    piece: str | None = None
    plan: str | None = None
    stage: Stage | None = None
    paper: str | None = None
    tag: str | None = None
    folder: str | None = None
    since: date | None = None
    until: date | None = None


@dataclass(frozen=True)
class GroupFigures:
    """Mean errors, noise taken out, of a group of twists or lines, with their 95 % uncertainties; None = not measured.
    members: how many were measured."""

    members: int
    position_mm: float | None
    position_u95_mm: float | None
    angle_deg: float | None
    angle_u95_deg: float | None


@dataclass(frozen=True)
class RecordedPiece:
    """One recorded inspection without its result file: what lists and progress read.

    number: its number in this record. planned, measured: twists (or lines of a grid). pitch_mm: None where the result
    does not tell it. taken: freedoms that the best fit took out of the position errors. photos: their SHA-256.
    groups: figures by group, 'all' among them.
    """

    number: int
    key: str
    piece: str
    stage: Stage
    done_on: date
    recorded_at: str
    plan: str | None
    plan_sha256: str | None
    pitch_mm: float | None
    folder: str | None
    paper: str | None
    note: str | None
    tags: tuple[str, ...]
    view: str | None
    planned: int
    measured: int
    taken: int
    photos: tuple[str, ...]
    groups: Mapping[str, GroupFigures]

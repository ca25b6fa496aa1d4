"""The stages of the work that a photo can be taken of, in the folder's words."""

from __future__ import annotations

from dataclasses import dataclass

from foldtrue.web.desk import JobKind


@dataclass(frozen=True)
class Stage:
    """kind: of job. asks: what the person wants to know. views: ways to light it that can be chosen. several: whether
    photos combine."""

    kind: JobKind
    name: str
    asks: str
    views: tuple[str, ...]
    several: bool = False


STAGES = (
    Stage("sheet", "Cut sheet", "Is it regular enough to start?", ()),
    Stage(
        "grid", "Creased grid", "Where did the creases drift, and is it worth going on?", ("auto", "backlit", "front")
    ),
    Stage("ring", "Half-done piece", "Is it true before more is built on it?", ("auto", "backlit", "front", "back")),
    Stage(
        "piece", "Finished piece", "Which twists are off, and by how much?", ("auto", "backlit", "front", "back"), True
    ),
)
VIEW_WORDS = {
    "auto": "find out",
    "backlit": "light from behind",
    "front": "front, lit from my side",
    "back": "back, lit from my side",
}


def stage_of(kind: str) -> Stage:
    """The stage of that kind; the finished piece where there is none."""
    return next((stage for stage in STAGES if stage.kind == kind), STAGES[-1])

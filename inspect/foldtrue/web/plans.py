"""The plans a person can choose from: their own, kept as plan files, and a few that come with foldtrue."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from foldtrue.report.files import write_whole

if TYPE_CHECKING:
    from foldtrue.plan.summary import PlanSummary

_HONEYCOMBS = (
    ("Window panel, 24 twists, spacing 2 (invented)", 240, 16, 2, 2),
    ("Porch panel, 24 twists, spacing 3 (invented)", 240, 24, 3, 2),
    ("Lantern wall, 96 twists, spacing 2 (invented)", 360, 32, 2, 4),
)


@dataclass(frozen=True)
class PlanCard:
    """id: begin of the text's SHA-256. own: kept by the person, not one that comes with foldtrue."""

    id: str
    name: str
    own: bool
    text: bytes


class PlanShelf:
    """Plan files in a folder, named after their content, so that the same plan lies there once."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def cards(self) -> list[PlanCard]:
        """The person's own by name, then those that come with foldtrue."""
        own = [card for card in map(_own_card, sorted(self._folder.glob("*.json"))) if card is not None]
        return [*sorted(own, key=lambda card: card.name.casefold()), *_given()]

    def find(self, name: str) -> PlanCard | None:
        return next((card for card in self.cards() if card.id == name), None)

    def keep(self, text: bytes) -> PlanCard:
        """Check a plan file's text and keep it. Raises PlanError where it is not a plan that folds, UnreadableFile
        where it cannot be written."""
        from foldtrue.plan.file import plan_of_text
        from foldtrue.plan.summary import check_plan

        plan = plan_of_text(text, "The file")
        check_plan(plan)
        card = PlanCard(_name_of(text), plan.name, True, text)
        write_whole(self._folder / f"{card.id}.json", text)
        return card


@cache
def summary_of(text: bytes) -> PlanSummary:
    """What a plan comes to; remembered, since folding takes a moment."""
    from foldtrue.plan.file import plan_of_text
    from foldtrue.plan.summary import check_plan

    return check_plan(plan_of_text(text, "The plan"))


def _own_card(path: Path) -> PlanCard | None:
    """A kept plan; None for a file that is none, which somebody put there."""
    try:
        text = path.read_bytes()
        content = json.loads(text)
        return PlanCard(_name_of(text), str(content["name"]), True, text)
    except (OSError, ValueError, KeyError, TypeError):
        return None


@cache
def _given() -> tuple[PlanCard, ...]:
    texts = [honeycomb_text(*each) for each in _HONEYCOMBS]
    return tuple(PlanCard(_name_of(t), each[0], False, t) for t, each in zip(texts, _HONEYCOMBS, strict=True))


def honeycomb_text(
    name: str,
    height_mm: float,
    divisions: int,
    spacing: int,
    rings: int,
    grid: str = "point-to-point",
    first_hand: str = "ccw",
) -> bytes:
    """The text of a plan file: a honeycomb of triangle twists on a hexagon. Whether it is a plan is not looked at."""
    content = {
        "format": "foldtrue-plan",
        "version": 1,
        "name": name,
        "sheet": {"shape": "hexagon", "height_mm": height_mm},
        "grid": {"kind": grid, "divisions": divisions},
        "twists": {"recipe": "honeycomb", "spacing": spacing, "rings": rings, "first_hand": first_hand},
    }
    return json.dumps(content, indent=1).encode()


def _name_of(text: bytes) -> str:
    return hashlib.sha256(text).hexdigest()[:16]

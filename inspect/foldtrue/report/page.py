"""The report of one piece as a single page of HTML: no script, no file beside it, nothing fetched from anywhere."""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from markupsafe import Markup

from foldtrue.errors import UsageError
from foldtrue.measured import plus_minus
from foldtrue.report import sections
from foldtrue.report.charts import Ground, error_arrows, error_map, ring_charts, share_bar
from foldtrue.report.judgement import SHAPES, WORDS
from foldtrue.report.marked_photo import marked_photo
from foldtrue.report.names import shown
from foldtrue.report.picture_read import Picture, Places
from foldtrue.report.twist_rows import TwistRow, room_mm, twist_rows, worst_first
from foldtrue.report.units import Units
from foldtrue.report.verdict_part import Verdict, verdict

Record = Mapping[str, Any]


@dataclass(frozen=True, kw_only=True)
class PageOptions:
    """date: of the report, as it is to stand there. title: instead of the plan's name. maker: who folded the piece,
    nobody without it. units: of lengths. advice: puts the result's advice, which names options of the command line,
    into the words of whoever the report is for. Raises UsageError for one of them without a letter."""

    date: str
    title: str | None = None
    maker: str | None = None
    units: Units = field(default_factory=Units)
    advice: Callable[[str], str] = str

    def __post_init__(self) -> None:
        for name, text in (("title", self.title), ("maker", self.maker), ("date", self.date)):
            if text is not None and not shown(text):
                raise UsageError(f"The {name} is empty.", f"Leave out --{name}, or give it some letters.")


@dataclass(frozen=True)
class Pictures:
    """What there is to show. photo and places go together; crops: of the touch-up list by file name."""

    photo: Picture | None = None
    places: Places | None = None
    crops: Mapping[str, Picture] = field(default_factory=dict)


def title_of(record: Record, options: PageOptions) -> str:
    return shown(options.title or record["provenance"]["plan"]["name"]) or "A piece without a name"


def report_page(record: Record, pictures: Pictures, options: PageOptions) -> str:
    """The whole page. Raises KeyError, TypeError, ValueError or the like where the record has not the published form
    (docs/result.schema.json)."""
    rows, units = twist_rows(record), options.units
    ground = Ground(rows, _rim(record), room_mm(rows, float(record["summary"]["pitch_mm"])), units)
    arrows, times = error_arrows(ground)
    flags = [*record["plane"]["assumed"], *(name for row in rows for name in row.flags)]
    judged = verdict(record, units)
    places, photo = pictures.places, pictures.photo
    said = {row.id: (row.number, twist_words(row, units)) for row in rows}
    page: str = _template().render(
        title=title_of(record, options),
        maker=None if options.maker is None else shown(options.maker),
        date=shown(options.date),
        behind=record["side"] == "back",
        units=units,
        advised=options.advice,
        sections=sections,
        record=record,
        verdict=judged,
        crops=_crops(judged, pictures.crops),
        said=list(said.values()),
        marked=None if photo is None or places is None else marked_photo(photo, places, said),
        magnify=None if places is None else f"{places.magnify:g}",
        map=error_map(ground),
        arrows=arrows,
        times=f"{times:g}",
        rings=ring_charts(ground),
        bar=share_bar,
        twists=[_listed(row, units) for row in worst_first(rows)],
        notes=sections.flag_notes([str(name) for name in flags]),
    )
    return page


def twist_words(row: TwistRow, units: Units) -> str:
    """A twist's figures in words."""
    if row.off_mm is None:
        why = f": {', '.join(row.flags).replace('_', ' ')}" if row.flags else ""
        return f"{row.id} not measured{why}"
    turn = plus_minus(row.turn_deg, row.turn_u95_deg, "deg")
    judged = f"; {WORDS[row.verdict]}" if row.verdict in WORDS else ""
    return f"{row.id} off its place by {units.length(row.off_mm, row.u95_mm)}; turned by {turn}{judged}"


@dataclass(frozen=True)
class Listed:
    """One twist as a row of the table."""

    number: int
    id: str
    where: str
    hand: str
    place: str
    turn: str
    verdict: str
    remarks: str


def _listed(row: TwistRow, units: Units) -> Listed:
    where = f"ring {row.ring}" + (", at the rim" if row.border else "")
    place, turn = units.length(row.off_mm, row.u95_mm), plus_minus(row.turn_deg, row.turn_u95_deg, "deg")
    verdict = "" if row.verdict is None else f"{SHAPES[row.verdict]} {WORDS[row.verdict]}"
    return Listed(row.number, row.id, where, row.hand, place, turn, verdict, ", ".join(row.flags).replace("_", " "))


def _rim(record: Record) -> tuple[tuple[float, float], ...]:
    """Corners of the planned outline."""
    sides: Sequence[Record] = (record["outline"] or {"sides": []})["sides"]
    return tuple((float(side["planned_mm"][0][0]), float(side["planned_mm"][0][1])) for side in sides)


def _crops(judged: Verdict | None, crops: Mapping[str, Picture]) -> list[tuple[str, Markup | None]]:
    """The touch-up list: words, and the picture's address where there is one."""
    entries = () if judged is None else judged.touch_up
    return [(words, _address(crops[name]) if name in crops else None) for name, words in entries]


def _address(picture: Picture) -> Markup:
    return Markup("data:image/jpeg;base64," + base64.b64encode(picture.jpeg).decode())


@cache
def _template() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    pages = Environment(
        loader=PackageLoader("foldtrue", "report/templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    pages.filters["shown"] = shown
    return pages.get_template("report.html")

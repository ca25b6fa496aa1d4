"""The plan file: a small JSON text that says what sheet, what grid and where the twists go.

Format and every field: docs/plan-file.md; JSON Schema: docs/plan.schema.json (exported from here by `plan_schema`).
A plan says nothing about folding: whether it can be folded is settled by `foldtrue.plan.fold.fold_plan`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from math import sqrt
from pathlib import Path
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import BaseModel, ConfigDict, Discriminator, Field, Tag, ValidationError, model_validator

from foldtrue.errors import PlanError

MAX_TWISTS = 2000
MAX_FILE_BYTES = 4_000_000

Length: TypeAlias = Annotated[float, Field(gt=0, lt=5000, allow_inf_nan=False, strict=True)]
Coordinate: TypeAlias = Annotated[float, Field(gt=-5000, lt=5000, allow_inf_nan=False, strict=True)]
Width: TypeAlias = Annotated[float, Field(gt=0, le=32, allow_inf_nan=False, strict=True)]
Hand: TypeAlias = Literal["ccw", "cw"]
Corners: TypeAlias = Annotated[tuple[tuple[Coordinate, Coordinate], ...], Field(min_length=3, max_length=64)]


class _Part(BaseModel):
    """Common rules: no unknown fields, nothing changes after reading."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, str_strip_whitespace=True)


class HexagonSheet(_Part):
    """A regular hexagon, by its flat-to-flat height or by its side; the grid says how it lies."""

    shape: Literal["hexagon"]
    height_mm: Length | None = None
    side_mm: Length | None = None

    @model_validator(mode="after")
    def _one_size(self) -> HexagonSheet:
        if (self.height_mm is None) == (self.side_mm is None):
            raise ValueError("expected either height_mm (flat to flat) or side_mm, one of the two")
        return self

    @property
    def height(self) -> float:
        """Flat-to-flat height in mm."""
        return self.height_mm if self.height_mm is not None else (self.side_mm or 0.0) * sqrt(3)


class PolygonSheet(_Part):
    """Any convex sheet, by its corners in mm in the sheet frame; the grid starts at the frame's origin."""

    shape: Literal["polygon"]
    corners_mm: Corners

    @model_validator(mode="after")
    def _convex_around_origin(self) -> PolygonSheet:
        if not _strictly_convex(self.corners_mm):
            raise ValueError("expected the corners of a convex polygon in order, none repeated or on a straight side")
        if not _holds_origin(self.corners_mm):
            raise ValueError("expected corners around the origin (0, 0), the sheet's centre where the grid starts")
        return self


class DividedGrid(_Part):
    """A hexagon's own grid: `divisions` equal steps from edge to edge or from point to point."""

    kind: Literal["edge-to-edge", "point-to-point"]
    divisions: int = Field(ge=2, le=256, strict=True)

    @model_validator(mode="after")
    def _through_centre(self) -> DividedGrid:
        if self.divisions % 2:
            raise ValueError("expected an even number, so that three grid lines meet in the sheet's centre")
        return self


class PitchGrid(_Part):
    """A grid by its pitch (side of the small triangle), for polygon sheets."""

    kind: Literal["pitch"]
    pitch_mm: Length


class HoneycombRecipe(_Part):
    """Triangle twists at the corners of hexagonal cells, hands alternating, complete rings only."""

    recipe: Literal["honeycomb"]
    spacing: int = Field(ge=1, le=128, strict=True)
    rings: int = Field(ge=1, le=18, strict=True)
    first_hand: Hand = "ccw"
    width_rows: Width = 1.0


class ListedTwist(_Part):
    """One twist: where (grid coordinates along 0 and 60 degrees), what kind, how turned, which hand, how wide."""

    grid: tuple[Coordinate, Coordinate]
    kind: Literal["triangle", "hexagon", "rhombus"]
    turn: int = Field(default=0, ge=0, le=5, strict=True)
    hand: Hand
    width_rows: Width = 1.0


Sheet: TypeAlias = Annotated[HexagonSheet | PolygonSheet, Field(discriminator="shape")]
Grid: TypeAlias = Annotated[DividedGrid | PitchGrid, Field(discriminator="kind")]
TwistList: TypeAlias = Annotated[tuple[ListedTwist, ...], Field(min_length=1, max_length=MAX_TWISTS)]


def _twists_tag(value: Any) -> str | None:
    if isinstance(value, Mapping | HoneycombRecipe):
        return "recipe"
    return "list" if isinstance(value, list | tuple) else None


Twists: TypeAlias = Annotated[
    Annotated[HoneycombRecipe, Tag("recipe")] | Annotated[TwistList, Tag("list")],
    Discriminator(_twists_tag, custom_error_type="union_type", custom_error_message="a recipe or a list of twists"),
]


class Plan(_Part):
    """A plan as read from its file; sizes in mm, see docs/plan-file.md."""

    format: Literal["foldtrue-plan"]
    version: Literal[1]
    name: str = Field(min_length=1, max_length=200)
    sheet: Sheet
    grid: Grid
    twists: Twists

    @model_validator(mode="after")
    def _grid_suits_sheet(self) -> Plan:
        if isinstance(self.sheet, HexagonSheet) != isinstance(self.grid, DividedGrid):
            raise ValueError("expected grid kind edge-to-edge or point-to-point for a hexagon, pitch for a polygon")
        return self

    @property
    def pitch_mm(self) -> float:
        """Side of the grid's small triangle in mm."""
        if isinstance(self.grid, PitchGrid):
            return self.grid.pitch_mm
        assert isinstance(self.sheet, HexagonSheet)
        height, n = self.sheet.height, self.grid.divisions
        return 2 * height / (sqrt(3) * n) if self.grid.kind == "edge-to-edge" else 4 * height / (3 * n)


def _strictly_convex(corners: tuple[tuple[float, float], ...]) -> bool:
    from numpy import angle, array, roll

    z = array([complex(*c) for c in corners])
    side = roll(z, -1) - z
    if (abs(side) < 1e-6 * abs(z).max()).any():
        return False
    turn = angle(roll(side, -1) / side)
    return bool((turn > 1e-6).all() or (turn < -1e-6).all()) and abs(abs(turn.sum()) - 2 * 3.141592653589793) < 1e-6


def _holds_origin(corners: tuple[tuple[float, float], ...]) -> bool:
    pairs = zip(corners, corners[1:] + corners[:1], strict=True)
    cross = [a[0] * b[1] - a[1] * b[0] for a, b in pairs]
    return all(c > 0 for c in cross) or all(c < 0 for c in cross)


def parse_plan(content: Mapping[str, Any]) -> Plan:
    """Check the decoded JSON of a plan.

    Raises PlanError that names each wrong field and what was expected there.
    """
    try:
        return Plan.model_validate(content)
    except ValidationError as error:
        lines = _plain_words(error)
        more = f" (and {len(lines) - 3} more)" if len(lines) > 3 else ""
        raise PlanError(f"The plan is not valid. {'; '.join(lines[:3])}{more}.", "See docs/plan-file.md.") from None


def read_plan(path: str | Path) -> Plan:
    """Read and check a plan file.

    Raises PlanError when the file cannot be read, is not JSON, or a field is wrong (the field is named).
    """
    path = Path(path)
    try:
        if path.stat().st_size > MAX_FILE_BYTES:
            raise PlanError(f"{path.name} is too large for a plan.", "A plan is a short JSON text.")
        content = json.loads(path.read_text("utf-8"))
    except OSError as error:
        raise PlanError(f"Cannot read the plan {path}: {error.strerror or error}.") from None
    except (ValueError, RecursionError) as error:  # not UTF-8, not JSON, numbers or nesting beyond reason
        raise PlanError(f"{path.name} is not a JSON text: {error}.", "See docs/plan-file.md.") from None
    if not isinstance(content, dict):
        raise PlanError(f"{path.name} is not a plan: expected a JSON object.", "See docs/plan-file.md.")
    return parse_plan(content)


def write_plan(plan: Plan, path: str | Path) -> None:
    """Write a plan as indented JSON, readable again by `read_plan`. Raises PlanError when it cannot be written."""
    text = json.dumps(plan.model_dump(mode="json", exclude_none=True), indent=2, ensure_ascii=False)
    try:
        Path(path).write_text(text + "\n", "utf-8")
    except OSError as error:
        raise PlanError(f"Cannot write the plan {path}: {error.strerror or error}.") from None


def plan_sha256(plan: Plan) -> str:
    """SHA-256 (hex) of the plan's content: the same for any spelling, order or spacing of the same file."""
    content = plan.model_dump(mode="json", exclude_none=True)
    return hashlib.sha256(json.dumps(content, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def plan_schema() -> dict[str, Any]:
    """JSON Schema of the plan file, as kept in docs/plan.schema.json."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **Plan.model_json_schema()}


_INNER_TAGS = {"recipe", "list", "hexagon", "polygon", "edge-to-edge", "point-to-point", "pitch"}


def _plain_words(error: ValidationError) -> list[str]:
    """Each fault as 'field: expected ..., found ...'."""
    words = []
    for fault in error.errors(include_url=False):
        where = _field_name(fault["loc"])
        said = fault["msg"].removeprefix("Value error, ")
        found = "" if fault["type"] in ("missing", "value_error") else f", found {_short(fault['input'])}"
        words.append(f"{where}: {_expectation(fault['type'], fault.get('ctx', {}), said)}{found}")
    return words


def _field_name(location: Iterable[int | str]) -> str:
    """Path of a field, without the names of the alternatives the checker tried."""
    name = ""
    for part in location:
        if isinstance(part, int):
            name += f"[{part}]"
        elif part not in _INNER_TAGS or not name:
            name += f".{part}" if name else part
    return name or "plan"


def _short(value: Any) -> str:
    text = json.dumps(value, default=str)
    return text if len(text) <= 60 else text[:57] + "..."


def _expectation(kind: str, context: Mapping[str, Any], said: str) -> str:
    limits = {"greater_than": ("gt", "more than"), "greater_than_equal": ("ge", "at least")}
    limits |= {"less_than": ("lt", "less than"), "less_than_equal": ("le", "at most")}
    if kind in limits:
        key, words = limits[kind]
        return f"expected {words} {context[key]:g}"
    plain = {
        "missing": "is missing, expected a value",
        "extra_forbidden": "is not a field of this format",
        "finite_number": "expected a finite number",
        "union_tag_not_found": "expected one that says its " + str(context.get("discriminator", "kind")).strip("'"),
        "union_tag_invalid": f"expected one of {context.get('expected_tags', '')}",
        "literal_error": f"expected {context.get('expected', '')}",
        "string_type": "expected a text",
        "string_too_short": f"expected a text of at least {context.get('min_length')} character",
        "string_too_long": f"expected a text of at most {context.get('max_length')} characters",
        "too_short": f"expected at least {context.get('min_length')} entries",
        "too_long": f"expected at most {context.get('max_length')} entries",
        "tuple_type": "expected a list",
        "model_type": "expected an object with named fields",
        "model_attributes_type": "expected an object with named fields",
        "union_type": "expected a recipe or a list of twists",
    }
    if kind in plain:
        return plain[kind]
    if kind.startswith(("int", "float")):
        return "expected a whole number" if kind.startswith("int") else "expected a number"
    return said[0].lower() + said[1:]

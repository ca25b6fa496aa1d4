"""The plan file: a small JSON text that says what sheet, what grid and where the twists go.

Format and every field: docs/plan-file.md; JSON Schema: docs/plan.schema.json (exported from here by `plan_schema`).
A plan says nothing about folding: whether it can be folded is settled by `foldtrue.plan.fold.fold_plan`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from math import sqrt
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError, model_validator

from foldtrue.errors import PlanError
from foldtrue.plan.parts import (
    PART_NAMES,
    DividedGrid,
    FreePleat,
    Grid,
    HexagonSheet,
    Panel,
    Part,
    PitchGrid,
    PolygonSheet,
    RotatedGrid,
    Sheet,
    Twists,
    UnmodelledArea,
)
from foldtrue.wording import plain_words

MAX_FILE_BYTES = 4_000_000


class Plan(Part):
    """A plan as read from its file; sizes in mm, see docs/plan-file.md."""

    format: Literal["foldtrue-plan"]
    version: Literal[1]
    name: str = Field(min_length=1, max_length=200)
    sheet: Sheet
    grid: Grid
    twists: Twists
    pleats: Annotated[tuple[FreePleat, ...], Field(min_length=1, max_length=200)] | None = None
    panels: Annotated[tuple[Panel, ...], Field(min_length=1, max_length=500)] | None = None
    unmodelled: Annotated[tuple[UnmodelledArea, ...], Field(min_length=1, max_length=500)] | None = None

    @model_validator(mode="after")
    def _grid_suits_sheet(self) -> Plan:
        hexagon, polygon = isinstance(self.sheet, HexagonSheet), isinstance(self.sheet, PolygonSheet)
        kind = self.grid.kind
        if hexagon and kind == "pitch":
            raise ValueError(
                "expected grid kind edge-to-edge or point-to-point or rotated for a hexagon, pitch for a polygon"
            )
        if (polygon and isinstance(self.grid, DividedGrid)) or (kind == "point-to-point" and not hexagon):
            wanted = "pitch or rotated" if polygon else "edge-to-edge, rotated or pitch"
            raise ValueError(f"expected grid kind {wanted} for a {self.sheet.shape}, found {kind}")
        return self

    @property
    def pitch_mm(self) -> float:
        """Side of the grid's small triangle in mm.

        A rotated grid with slope components (m, n) has a vector of m pitches along 0 and n along 60 degrees as long as
        the sheet's first side; its squared length in pitches is m^2 + m n + n^2 (law of cosines at 120 degrees).
        """
        grid, sheet = self.grid, self.sheet
        if isinstance(grid, PitchGrid):
            return grid.pitch_mm
        if isinstance(grid, RotatedGrid):
            m, n = grid.slope
            return sheet.first_side / sqrt(m * m + m * n + n * n)
        assert not isinstance(sheet, PolygonSheet)
        if grid.kind == "edge-to-edge":
            return 2 * sheet.height / (sqrt(3) * grid.divisions)
        return 4 * sheet.height / (3 * grid.divisions)


def parse_plan(content: Mapping[str, Any]) -> Plan:
    """Check the decoded JSON of a plan.

    Raises PlanError that names each wrong field and what was expected there.
    """
    try:
        return Plan.model_validate(content)
    except ValidationError as error:
        lines = plain_words(error, _fields_at)
        said = "; ".join(lines[:3]) + (f" (and {len(lines) - 3} more)" if len(lines) > 3 else "")
        end = "" if said.endswith("?") else "."
        raise PlanError(f"The plan is not valid. {said}{end}", "See docs/plan-file.md.") from None


def _fields_at(place: Sequence[int | str]) -> list[str]:
    """Names of the fields of the part that a field stands in, by its place in the plan."""
    part = next((PART_NAMES[str(step)] for step in reversed(place[:-1]) if step in PART_NAMES), Plan)
    return list(part.model_fields)


def read_plan(path: str | Path) -> Plan:
    """Read and check a plan file.

    Raises PlanError when the file cannot be read, is not JSON, or a field is wrong (the field is named).
    """
    path = Path(path)
    try:
        if path.stat().st_size > MAX_FILE_BYTES:
            raise PlanError(f"{path.name} is too large for a plan.", "A plan is a short JSON text.")
        text = path.read_bytes()
    except OSError as error:
        raise PlanError(f"Cannot read the plan {path}: {error.strerror or error}.") from None
    return plan_of_text(text, path.name)


def plan_of_text(text: bytes, name: str) -> Plan:
    """Check the text of a plan file; name: what it is called in messages. Raises PlanError as `read_plan` does."""
    try:
        content = json.loads(text.decode("utf-8"), object_pairs_hook=_each_once)
    except (ValueError, RecursionError) as error:  # not UTF-8, not JSON, numbers or nesting beyond reason
        raise PlanError(f"{name} is not a JSON text: {error}.", "See docs/plan-file.md.") from None
    except _Twice as field:
        raise PlanError(f"{name} says {field} twice in one place.", "Leave one of the two out.") from None
    if not isinstance(content, dict):
        raise PlanError(f"{name} is not a plan: expected a JSON object.", "See docs/plan-file.md.")
    return parse_plan(content)


class _Twice(Exception):
    """A field that stands twice in one object; JSON would quietly take the last."""


def _each_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    names = [name for name, _ in pairs]
    for name in names:
        if names.count(name) > 1:
            raise _Twice(name)
    return dict(pairs)


def plan_text(plan: Plan) -> bytes:
    """A plan as indented JSON, UTF-8."""
    text = json.dumps(plan.model_dump(mode="json", exclude_none=True), indent=2, ensure_ascii=False)
    return f"{text}\n".encode()


def write_plan(plan: Plan, path: str | Path) -> None:
    """Write a plan as indented JSON, readable again by `read_plan`. Raises PlanError when it cannot be written."""
    try:
        Path(path).write_bytes(plan_text(plan))
    except OSError as error:
        raise PlanError(f"Cannot write the plan {path}: {error.strerror or error}.") from None


def plan_sha256(plan: Plan) -> str:
    """SHA-256 (hex) of the plan's content: the same for any spelling, order or spacing of the same file."""
    content = plan.model_dump(mode="json", exclude_none=True)
    return hashlib.sha256(json.dumps(content, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def plan_schema() -> dict[str, Any]:
    """JSON Schema of the plan file, as kept in docs/plan.schema.json."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **Plan.model_json_schema()}

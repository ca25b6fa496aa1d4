"""The parts of a plan file: sheets, grids, twists, pleats, recipes, panels. Each part checks itself when it is read.

Every field is explained in docs/plan-file.md. Fields that came later are optional and None unless given, so that an
older plan keeps its hash.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import hypot, pi, sqrt
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import BaseModel, ConfigDict, Discriminator, Field, Tag, model_validator

MAX_TWISTS = 2000

Length: TypeAlias = Annotated[float, Field(gt=0, lt=5000, allow_inf_nan=False, strict=True)]
Coordinate: TypeAlias = Annotated[float, Field(gt=-5000, lt=5000, allow_inf_nan=False, strict=True)]
Width: TypeAlias = Annotated[float, Field(gt=0, le=32, allow_inf_nan=False, strict=True)]
Hand: TypeAlias = Literal["ccw", "cw"]
Place: TypeAlias = tuple[Coordinate, Coordinate]
Corners: TypeAlias = Annotated[tuple[Place, ...], Field(min_length=3, max_length=64)]
Component: TypeAlias = Annotated[int, Field(ge=0, le=128, strict=True)]
Start: TypeAlias = Literal["centre", "corner"]


class Part(BaseModel):
    """Common rules: no unknown fields, nothing changes after reading."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, str_strip_whitespace=True)


class HexagonSheet(Part):
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

    @property
    def first_side(self) -> float:
        """Length in mm of the side that a rotated grid divides."""
        return self.height / sqrt(3)


class SquareSheet(Part):
    """A square, its centre in the origin."""

    shape: Literal["square"]
    side_mm: Length

    @property
    def height(self) -> float:
        return self.side_mm

    @property
    def first_side(self) -> float:
        return self.side_mm


class RectangleSheet(Part):
    """A rectangle, its centre in the origin; the width is its first side."""

    shape: Literal["rectangle"]
    width_mm: Length
    height_mm: Length

    @property
    def height(self) -> float:
        return self.height_mm

    @property
    def first_side(self) -> float:
        return self.width_mm


class PolygonSheet(Part):
    """Any convex sheet, by its corners in mm around the sheet frame's origin."""

    shape: Literal["polygon"]
    corners_mm: Corners

    @model_validator(mode="after")
    def _convex_around_origin(self) -> PolygonSheet:
        if not _strictly_convex(self.corners_mm):
            raise ValueError("expected the corners of a convex polygon in order, none repeated or on a straight side")
        if not _holds_origin(self.corners_mm):
            raise ValueError("expected corners around the origin (0, 0), the sheet's centre where the grid starts")
        return self

    @property
    def first_side(self) -> float:
        (ax, ay), (bx, by) = self.corners_mm[:2]
        return hypot(bx - ax, by - ay)


class DividedGrid(Part):
    """The sheet's own grid: `divisions` equal steps from edge to edge or, in a hexagon, from point to point."""

    kind: Literal["edge-to-edge", "point-to-point"]
    divisions: int = Field(ge=2, le=256, strict=True)
    start: Start | None = None

    @model_validator(mode="after")
    def _through_centre(self) -> DividedGrid:
        if self.divisions % 2 and self.start != "corner":
            raise ValueError(
                'expected an even number, so that three grid lines meet in the sheet\'s centre, or "start": "corner"'
            )
        return self


class RotatedGrid(Part):
    """A grid turned against the sheet: the sheet's first side runs m pitches along 0 and n along 60 degrees."""

    kind: Literal["rotated"]
    slope: tuple[Component, Component]
    start: Start | None = None

    @model_validator(mode="after")
    def _leads_somewhere(self) -> RotatedGrid:
        if self.slope == (0, 0):
            raise ValueError("expected slope components of which one at least is not 0")
        return self


class PitchGrid(Part):
    """A grid by its pitch (side of the small triangle), one family of lines along x."""

    kind: Literal["pitch"]
    pitch_mm: Length
    start: Start | None = None


class ListedTwist(Part):
    """One twist: where (grid coordinates along 0 and 60 degrees), what kind, how turned, which hand, how wide."""

    grid: Place
    kind: Literal["triangle", "hexagon", "rhombus", "open-hexagon"]
    turn: int = Field(default=0, ge=0, le=5, strict=True)
    hand: Hand
    width_rows: Width = 1.0


class FreePleat(Part):
    """A pleat without a twist, from rim to rim: its mountain line runs through `grid` along 60 * turn degrees."""

    grid: Place
    turn: int = Field(default=0, ge=0, le=5, strict=True)
    hand: Hand
    width_rows: Width = 1.0


Places: TypeAlias = Annotated[tuple[Place, ...], Field(min_length=1, max_length=MAX_TWISTS)]


class HoneycombRecipe(Part):
    """Triangle twists at the corners of hexagonal cells, hands alternating, complete rings only."""

    recipe: Literal["honeycomb"]
    spacing: int = Field(ge=1, le=128, strict=True)
    rings: int = Field(ge=1, le=18, strict=True)
    first_hand: Hand = "ccw"
    width_rows: Width = 1.0
    leave_out: Places | None = None


class MixedRecipe(Part):
    """Hexagon twists of one hand, triangle twists of the other around each: rings, or what the sheet holds."""

    recipe: Literal["mixed"]
    spacing: Width
    rings: Annotated[int, Field(ge=1, le=15, strict=True)] | None = None
    first_hand: Hand = "ccw"
    width_rows: Width = 1.0
    leave_out: Places | None = None


class RhombiRecipe(Part):
    """Rhombus twists in rows along 0 and 60 degrees, hands alternating: so many rings, or what the sheet holds."""

    recipe: Literal["rhombi"]
    spacing: Width
    rings: Annotated[int, Field(ge=1, le=22, strict=True)] | None = None
    first_hand: Hand = "ccw"
    width_rows: Width = 1.0
    leave_out: Places | None = None


class RepeatRecipe(Part):
    """A motif of twists, repeated along two steps: so many rings of copies, or as many as the sheet holds."""

    recipe: Literal["repeat"]
    motif: Annotated[tuple[ListedTwist, ...], Field(min_length=1, max_length=200)]
    first_step: Place
    second_step: Place
    rings: Annotated[int, Field(ge=1, le=22, strict=True)] | None = None
    leave_out: Places | None = None

    @model_validator(mode="after")
    def _steps_span_the_plane(self) -> RepeatRecipe:
        (a, b), (c, d) = self.first_step, self.second_step
        if abs(a * d - b * c) < 0.5:
            raise ValueError("expected two steps in different directions, at least a grid cell apart")
        return self


class Panel(Part):
    """A sunk or spread area of the finished piece, its corners on grid points of the folded frame."""

    corners: Corners
    layers: Annotated[int, Field(ge=1, le=999, strict=True)] | None = None

    @model_validator(mode="after")
    def _does_not_cross_itself(self) -> Panel:
        check_area(self.corners)
        return self


class UnmodelledArea(Part):
    """An area of the finished piece whose edges are not predicted, its corners in pitches in the folded frame."""

    corners: Corners

    @model_validator(mode="after")
    def _does_not_cross_itself(self) -> UnmodelledArea:
        check_area(self.corners)
        return self


Sheet: TypeAlias = Annotated[HexagonSheet | PolygonSheet | SquareSheet | RectangleSheet, Field(discriminator="shape")]
Grid: TypeAlias = Annotated[DividedGrid | PitchGrid | RotatedGrid, Field(discriminator="kind")]
Recipe: TypeAlias = HoneycombRecipe | MixedRecipe | RhombiRecipe | RepeatRecipe
TwistList: TypeAlias = Annotated[tuple[ListedTwist, ...], Field(min_length=1, max_length=MAX_TWISTS)]


PART_NAMES: Mapping[str, type[Part]] = {
    "hexagon": HexagonSheet,
    "square": SquareSheet,
    "rectangle": RectangleSheet,
    "polygon": PolygonSheet,
    "edge-to-edge": DividedGrid,
    "point-to-point": DividedGrid,
    "rotated": RotatedGrid,
    "pitch": PitchGrid,
    "honeycomb": HoneycombRecipe,
    "mixed": MixedRecipe,
    "rhombi": RhombiRecipe,
    "repeat": RepeatRecipe,
    "motif": ListedTwist,
    "list": ListedTwist,
    "pleats": FreePleat,
    "panels": Panel,
    "unmodelled": UnmodelledArea,
}
"""The parts of a plan by the steps of the reader's path to them."""


def _twists_tag(value: Any) -> str | None:
    if isinstance(value, Mapping | HoneycombRecipe | MixedRecipe | RhombiRecipe | RepeatRecipe):
        return "recipe"
    return "list" if isinstance(value, list | tuple) else None


Twists: TypeAlias = Annotated[
    Annotated[Annotated[Recipe, Field(discriminator="recipe")], Tag("recipe")] | Annotated[TwistList, Tag("list")],
    Discriminator(_twists_tag, custom_error_type="union_type", custom_error_message="a recipe or a list of twists"),
]


def _strictly_convex(corners: Sequence[tuple[float, float]]) -> bool:
    from numpy import angle, array, roll

    z = array([complex(*c) for c in corners])
    side = roll(z, -1) - z
    if (abs(side) < 1e-6 * abs(z).max()).any():
        return False
    turn = angle(roll(side, -1) / side)
    return bool((turn > 1e-6).all() or (turn < -1e-6).all()) and abs(abs(turn.sum()) - 2 * pi) < 1e-6


def _holds_origin(corners: tuple[tuple[float, float], ...]) -> bool:
    pairs = zip(corners, corners[1:] + corners[:1], strict=True)
    cross = [a[0] * b[1] - a[1] * b[0] for a, b in pairs]
    return all(c > 0 for c in cross) or all(c < 0 for c in cross)


def check_area(corners: tuple[tuple[float, float], ...]) -> None:
    """Raise ValueError unless the corners go round an area without its sides meeting."""
    n = len(corners)
    sides = [(corners[k], corners[(k + 1) % n]) for k in range(n)]
    neighbours_part = all(a != b for a, b in sides)
    crossing = any(_meet(*sides[j], *sides[k]) for j in range(n) for k in range(j + 2, n) if (j, k) != (0, n - 1))
    size = sum(a[0] * b[1] - a[1] * b[0] for a, b in sides) / 2
    if not neighbours_part or crossing or abs(size) < 1e-6:
        raise ValueError("expected the corners of an area in order, its sides not meeting each other")


def _meet(a: Sequence[float], b: Sequence[float], c: Sequence[float], d: Sequence[float]) -> bool:
    """Whether two sides, closed, have a point in common."""

    def turn(p: Sequence[float], q: Sequence[float], r: Sequence[float]) -> float:
        return (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])

    def on(p: Sequence[float], q: Sequence[float], r: Sequence[float]) -> bool:
        inside = all(min(p[k], q[k]) <= r[k] <= max(p[k], q[k]) for k in (0, 1))
        return abs(turn(p, q, r)) < 1e-12 and inside

    crosses = turn(a, b, c) * turn(a, b, d) < 0 and turn(c, d, a) * turn(c, d, b) < 0
    return crosses or on(a, b, c) or on(a, b, d) or on(c, d, a) or on(c, d, b)

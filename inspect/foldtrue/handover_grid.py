"""The types handed on when an unfolded sheet is measured, its cut edges and its grid of creases, before any twist.

Flow: Plan -> PlannedGrid -> (Photo) -> SheetPlace -> CreaseScan -> GridFit -> GridInspection. Array shapes: L planned
lines, K sides of the sheet, B blocks. All coordinates are in the sheet frame, mm. A line is given by its normal's
direction and its offset along that normal from the sheet's centre; s is the place along it, from the foot of the
normal, positive to the left of the normal.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import BoolArray, IntArray, Photo
from foldtrue.references import ReferenceKind

LineStatus = Literal["measured", "missing", "not_measured"]
GridView = Literal["backlit", "front"]
Verdict = Literal["within", "outside", "too_close_to_call", "not_measured"]
CauseCode = Literal[
    "none", "random_line_errors", "cumulative_drift", "direction_turned", "sheet_out_of_true", "missing_lines"
]


@dataclass(frozen=True)
class PlannedGrid:
    """The grid a plan asks for. outline_mm: (K, 2) sheet, counter-clockwise. normal_deg: (L,) in [0, 180), offset_mm:
    (L,), low_mm, high_mm: (L,) where the line enters and leaves the sheet. family: (L,) 0..2, number: (L,) its count
    from the centre. row_mm: distance of neighbours."""

    outline_mm: Array
    row_mm: float
    normal_deg: Array
    offset_mm: Array
    low_mm: Array
    high_mm: Array
    family: IntArray
    number: IntArray

    @property
    def normals(self) -> Array:
        """(L, 2) unit normals."""
        angle = np.deg2rad(self.normal_deg)
        return np.stack([np.cos(angle), np.sin(angle)], 1)


@dataclass(frozen=True)
class SheetSides:
    """The cut edges as straight lines, in the frame of the map they were measured with.

    normal_deg: (K,) planned outward normals; planned_mm: (K,) planned offsets; half_mm: (K,) half the planned lengths.
    offset_error_mm: (K,) at the foot point, outward positive; angle_error_deg: (K,) ccw positive; cov: (K, 2, 2) of the
    two, mm and rad. straightness_mm: (K,) RMS of the edge's points about the line. seen: (K,). darker: the sheet is
    darker than what is around it.
    """

    normal_deg: Array
    planned_mm: Array
    half_mm: Array
    offset_error_mm: Array
    angle_error_deg: Array
    cov: Array
    straightness_mm: Array
    seen: BoolArray
    darker: bool


@dataclass(frozen=True)
class SheetPlace:
    """Where the sheet lies. map: sheet mm <-> px by its own outline, the plan's size taken for true. turn_deg: how far
    it is turned in the upright photo, ccw. misfit_mm: RMS of the
    sides about the planned outline seen in perspective."""

    map: PlaneMap
    turn_deg: float
    sides: SheetSides
    misfit_mm: float


@dataclass(frozen=True)
class CreaseScan:
    """Every planned line looked for on the photo's own pixels, in the frame of `map`.

    evidence: (L,) signal-to-noise of the whole line; needed: (L,) what counts as seen; decoys: evidence found half-way
    between lines, where nothing is. contrast: (L,) mean height of the line's look relative to the paper's light, with
    its sign; contrast_std: (L,). offset_mm (at the foot), angle_rad: (L,) measured minus planned; cov: (L, 2, 2) of
    them. Blocks of lines: line (B,), s_mm (B,), shift_mm (B,) of the line along its normal there, std_mm (B,).
    odd: (3,) whether the lines of a family show as a pair of light and shade (True) or as one bright or dark line.
    sense_shift_mm: (3,) by which the core of a raked crease was found to move mountains and valleys opposite ways, and
    was allowed for; where a raked direction shows as plain lines, by how much it may move every line, which way is not
    told. k1_std: standard uncertainty of the map's lens term, from the straightness of the lines.
    turncoats: share of the blocks seen clearly on found lines that look the opposite way to their line as a whole: a
    crease keeps its sense all along, folded paper's edges do not.
    """

    map: PlaneMap
    k1_std: float
    evidence: Array
    needed: Array
    decoys: Array
    contrast: Array
    contrast_std: Array
    offset_mm: Array
    angle_rad: Array
    cov: Array
    found: BoolArray
    line: IntArray
    s_mm: Array
    shift_mm: Array
    std_mm: Array
    odd: BoolArray
    sense_shift_mm: Array
    turncoats: float


@dataclass(frozen=True)
class GridEffect:
    """One systematic error of a grid. family: the direction at fault, None for a side. end: -1 or +1, the end of the
    family (by its line numbers) where a drift starts; side: the sheet's side at fault. size: mm of a drift over the
    whole family, mm of a side's offset (outward positive), degrees of a turn (ccw positive); std: its standard
    uncertainty."""

    code: CauseCode
    size: float
    std: float
    family: int | None = None
    end: int | None = None
    side: int | None = None


@dataclass(frozen=True)
class GridFit:
    """The grid against its plan.

    map: sheet mm <-> px, the frame that outline and lines leave after the effects found are accounted for; a similarity
    of the measured lines is taken out. Lines (L): status, reason ('' where measured); offset_error_mm at the foot of
    the planned line, angle_error_deg, ccw; their 95 % half-widths; all nan where not measured. sides: the sheet's sides
    in the same frame, the common shift of all edges (light) taken out; side_cov (K, 2, 2) mm, rad. scatter_mm,
    scatter_deg: standard deviation of the lines' own errors, the effects and the noise taken out; effects: what stands
    out from it, the largest first. gauge: (4,) shift x, y (mm), scale - 1, turn (deg) of the similarity taken out.
    """

    map: PlaneMap
    status: tuple[LineStatus, ...]
    reason: tuple[str, ...]
    offset_error_mm: Array
    angle_error_deg: Array
    offset_u95_mm: Array
    angle_u95_deg: Array
    sides: SheetSides
    side_cov: Array
    scatter_mm: float
    scatter_deg: float
    effects: tuple[GridEffect, ...]
    gauge: Array


@dataclass(frozen=True)
class FoldedForecast:
    """What the measured grid would do to the folded piece. Arrays over twists (T): position_error_mm (T, 2) of each
    twist after the best similarity of the piece, position_u95_mm (T,), angle_error_deg (T,), ccw. rms_mm: of the
    position errors. gap_mm (T,): the largest distance between the places that the facets around a tip give it. With
    fewer than three twists, which a similarity fits anyhow, positions and angles are nan."""

    twist: tuple[str, ...]
    position_error_mm: Array
    position_u95_mm: Array
    angle_error_deg: Array
    gap_mm: Array
    rms_mm: float


@dataclass(frozen=True)
class GridCause:
    """The likely cause and what it means. code with its own fields: family's normal_deg, the line numbers missing, the
    side. verdict: within, outside, or too close to call, of the folded twists against tolerance_mm, or that there are
    too few of them. sentence, advice: for the person."""

    code: CauseCode
    effect: GridEffect | None
    others: tuple[GridEffect, ...]
    missing: tuple[int, ...]
    verdict: Verdict
    tolerance_mm: float
    sentence: str
    advice: str


@dataclass(frozen=True)
class GridInspection:
    """Everything known about one photo of one pre-creased sheet."""

    plan_name: str
    grid: PlannedGrid
    photo: Photo
    view: GridView
    place: SheetPlace
    scan: CreaseScan
    fit: GridFit
    forecast: FoldedForecast
    cause: GridCause
    provenance: Mapping[str, Any]
    timings_s: Mapping[str, float]


@dataclass(frozen=True)
class GridTruth:
    """What a simulated photo of a pre-creased sheet really shows. Lines (L): offset_mm at the foot and angle_deg, ccw,
    measured minus planned, in the sheet frame; present; contrast: mean height of the look along the line. sides_mm
    (K,): how far each side lies out. code: the planted cause, with the family or side it concerns. settings: the
    scene's."""

    offset_mm: Array
    angle_deg: Array
    present: BoolArray
    contrast: Array
    sides_mm: Array
    code: CauseCode
    family: int | None
    side: int | None
    settings: Mapping[str, Any]


@dataclass(frozen=True)
class SimulatedGrid:
    photo: Photo
    jpeg: bytes
    truth: GridTruth


@dataclass(frozen=True)
class SheetShape:
    """The cut sheet's true shape, in the plane that `plane` made known: a reference in the photo (true mm) or the
    sheet's own grid (mm of the planned grid). Sides K in the order of the planned outline, counter-clockwise.

    corners_mm (K, 2), side k from corner k to the next; side_mm, side_std_mm (K,); corner_deg, corner_std_deg (K,)
    inside angle at corner k; height_mm, height_std_mm (K / 2,) distance of opposite sides at their middle, empty for an
    odd K. centre_mm (2,): of the best sheet. best_size: size of the largest sheet of the planned shape inside, relative
    to the planned one, with best_size_std; best_turn_deg. trim_mm, trim_std_mm (K, 2): what is to be cut off at the
    start and at the end of every side for it.
    """

    plane: Literal["reference", "grid"]
    reference: ReferenceKind | None
    corners_mm: Array
    side_mm: Array
    side_std_mm: Array
    corner_deg: Array
    corner_std_deg: Array
    height_mm: Array
    height_std_mm: Array
    centre_mm: Array
    best_size: float
    best_size_std: float
    best_turn_deg: float
    trim_mm: Array
    trim_std_mm: Array


@dataclass(frozen=True)
class SheetInspection:
    """Everything known about one photo of one cut sheet. shape: None where nothing fixed the plane; reason: why.
    least_mm, least_std_mm: RMS distance of its sides from the planned ones in the most favourable perspective, which
    needs no plane: the sheet is at least this far out of true. straightness_mm (K,): RMS of each edge about a line."""

    name: str
    outline_mm: Array
    photo: Photo
    place: SheetPlace
    shape: SheetShape | None
    reason: str
    least_mm: float
    least_std_mm: float
    provenance: Mapping[str, Any]
    timings_s: Mapping[str, float]

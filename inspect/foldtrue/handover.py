"""The types handed from one step to the next: frozen, documented, no behaviour beyond checks.

Flow: Plan file -> Nominal -> (Photo) -> Plane -> Features -> LatticeFit -> Inspection. Changing a type here is a
decision (docs/decisions/). Array shapes are given as letters: V vertices, C creases, F facets, S stretches, T twists,
M samples. All plan coordinates are in mm in the folded frame unless a name says `sheet`; see docs/conventions.md.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from foldtrue.frames import Array, PlaneMap
from foldtrue.handover_faint import FaintLines
from foldtrue.handover_figures import Budget, Form, Outline, PanelPoses, Pleats
from foldtrue.handover_precreases import PrecreaseSamples
from foldtrue.handover_slivers import Slivers
from foldtrue.references import ReferenceKind

IntArray = NDArray[np.integer[Any]]
BoolArray = NDArray[np.bool_]
View = Literal["backlit", "front", "back"]
Side = Literal["front", "back"]
Alignment = Literal["similarity", "homography"]
Held = Literal["free", "glass", "window"]
"""How the piece was held: lying or hanging free, flattened under glass, or taped flat to a window."""
LensPrior = Literal["usual", "kept", "contradicted"]


@dataclass(frozen=True)
class Facet:
    """One flat piece of paper between creases.

    vertices: indices, counter-clockwise in the sheet. turned: True when its back faces the front viewer (a pleat).
    motion: (2, 3), sheet mm -> folded mm (a reflection included when turned).
    """

    id: str
    kind: Literal["cell", "pleat", "twist"]
    vertices: tuple[int, ...]
    turned: bool
    motion: Array


@dataclass(frozen=True)
class Creases:
    """All creases and the sheet's rim as segments between vertices.

    ids: C stable names. ends: (C, 2) vertex indices. kind: (C,) 'M', 'V' (seen from the front) or 'R' (rim, not a
    fold). facets: (C, 2) facet indices left and right of ends[0] -> ends[1] in the SHEET; -1 = no paper.
    """

    ids: tuple[str, ...]
    ends: IntArray
    kind: NDArray[np.str_]
    facets: IntArray


@dataclass(frozen=True)
class Stretches:
    """What of each crease shows in one view, as intervals with constant surroundings.

    crease: (S,) index. t0, t1: (S,) interval in [0, 1] from ends[0] to ends[1] of the crease, FOLDED state.
    layers_left, layers_right: (S,) paper layers just left / right of the stretch in the folded frame (x right, y up).
    raised: (S,) +1 the paper on the left lies on top (the step falls to the right), -1 the reverse, 0 not a step seen
    from this side (backlit, or a groove between two facets of one level).
    shared: (S,) how many creases lie on this very stretch (1 = alone). clear_mm: (S,) distance to the nearest parallel
    edge alongside that shows (inf = none).
    """

    crease: IntArray
    t0: Array
    t1: Array
    layers_left: IntArray
    layers_right: IntArray
    raised: IntArray
    shared: IntArray
    clear_mm: Array


@dataclass(frozen=True)
class Twist:
    """A twist of the plan. hand: +1 ccw, -1 cw. tips: vertex indices, counter-clockwise in the folded frame."""

    id: str
    kind: Literal["triangle", "hexagon", "rhombus", "open-hexagon"]
    hand: int
    ring: int
    border: bool
    grid: tuple[float, float]
    sheet_mm: tuple[float, float]
    planned_mm: tuple[float, float]
    tips: tuple[int, ...]


@dataclass(frozen=True)
class Panel:
    """An area made after the twists (sunk, spread), measured like a twist by the pose of its corners.

    tips: vertex indices, counter-clockwise in the folded frame, one of those that come to lie at each corner; grid: the
    middle of its corners in pitches along 0 and 60 degrees from the folded place of the grid's start. layers: as the
    plan says, None where it does not.
    """

    id: str
    kind: Literal["panel"]
    grid: tuple[float, float]
    planned_mm: tuple[float, float]
    tips: tuple[int, ...]
    layers: int | None


@dataclass(frozen=True)
class Nominal:
    """The plan, folded: what a perfect piece looks like.

    vertices_sheet_mm, vertices_mm: (V, 2), unfolded and folded. outline_mm: (K, 2) outer boundary of the folded piece,
    counter-clockwise. above: (P, 2) facet indices, first lies over second (front view), for overlapping pairs.
    nodes: groups of vertices that the plan brings to one folded point. symmetry: rotations in degrees (0 among them)
    that leave the piece looking the same, by view. row_mm: distance of neighbouring parallel grid lines. panels: areas
    made after the twists. unmodelled_mm: polygons (K, 2), counter-clockwise, inside of which (the panels' insides among
    them) nothing is predicted: the views have no stretches there.
    """

    plan_sha256: str
    name: str
    pitch_mm: float
    row_mm: float
    sheet_outline_mm: Array
    vertices_sheet_mm: Array
    vertices_mm: Array
    facets: tuple[Facet, ...]
    creases: Creases
    twists: tuple[Twist, ...]
    outline_mm: Array
    above: IntArray
    nodes: tuple[tuple[int, ...], ...]
    views: Mapping[str, Stretches]
    symmetry: Mapping[str, tuple[float, ...]]
    panels: tuple[Panel, ...] = ()
    unmodelled_mm: tuple[Array, ...] = ()


@dataclass(frozen=True)
class Photo:
    """A decoded photo, turned upright.

    pixels: (H, W, 3) uint8 or uint16 RGB, gamma-coded as in the file. linear: (256,) or (65536,) float32 table, code ->
    linear light 0..1. focal_35mm: 35 mm equivalent focal length or None. dpi: resolution of a scan or None.
    colour_profile: name of the embedded ICC profile or None; noted, not applied. camera: maker and model or None.
    """

    pixels: NDArray[Any]
    linear: NDArray[np.float32]
    sha256: str
    file_format: str
    orientation: int
    focal_35mm: float | None
    dpi: tuple[float, float] | None
    colour_profile: str | None = None
    camera: str | None = None


@dataclass(frozen=True)
class KeptLens:
    """The lens term of a camera, measured beforehand by a photo of the bare mat.

    camera: its maker and model as its photos' headers say; focal_35mm: at which focal length; proportion: longer side
    of its pictures / shorter side. k1 of PlaneMap, k1_std its standard uncertainty as measured.
    """

    camera: str
    focal_35mm: float
    proportion: float
    k1: float
    k1_std: float


@dataclass(frozen=True)
class Reference:
    """A thing of known size in the photo, located without knowing the piece: what turns px into true mm.

    map: reference mm <-> px, lens term included; its frame has x right and y up as seen on its face. map_cov: (9, 9)
    covariance of the homography's first eight terms (row by row, the last is 1) and k1, as its marks are seen.
    size_std: (2,) relative standard uncertainties of its own mm along x and y (printing, ruler, tolerance), common_std:
    the part that both share. upright: y of the map is the way up. used_px: areas (K, 2) of the photo it
    takes. rms_px: scatter of its marks about the map. assumed: words of flags.py.
    """

    kind: ReferenceKind
    map: PlaneMap
    map_cov: Array
    size_std: tuple[float, float]
    common_std: float
    upright: bool
    used_px: tuple[Array, ...]
    rms_px: float
    assumed: tuple[str, ...]


@dataclass(frozen=True)
class KnownPlane:
    """The plane in which the piece's face lies, known from a reference and not from the piece.

    map: px <-> that plane, on the plan's axes as nearly as a similarity brings them there, so that a twist is within
    a few mm of its planned place; size: true mm per mm of this map. map_cov: (9, 9) covariance of the homography's
    first eight terms (the last is 1) and k1, with the reference's own size and the piece's height in it; own_cov: the
    part of it that another photo with the same reference has anew.
    """

    kind: ReferenceKind
    map: PlaneMap
    size: float
    map_cov: Array
    own_cov: Array


@dataclass(frozen=True)
class Plane:
    """Where the piece lies in the photo.

    map: folded mm <-> px. turn_deg: how far the plan is turned in the upright photo, ccw. reference: what fixed the
    scale. assumed: what had to be assumed, in words of flags.py. method: 'outline' or 'lattice' or 'given'.
    score: match of the plan's look with the photo, 0..1; runner_up: the best score at any other place. private_px:
    outlines (K, 2) px of what no picture may show, the face of a card. lens: that of this camera where it was kept.
    """

    map: PlaneMap
    view: View
    side: Side
    turn_deg: float
    reference: str
    assumed: tuple[str, ...]
    method: str
    score: float
    runner_up: float
    private_px: tuple[Array, ...] = ()
    lens: KeptLens | None = None


@dataclass(frozen=True)
class Features:
    """Edge samples measured on the photo's own pixels, in the frame of the plane they were measured in.

    Edge arrays (S of the view's stretches): evidence (S,) signal-to-noise of the whole edge, 0 where nothing was seen;
    contrast (S,) step in linear light, left minus right, from the camera's side the height of the edge's look relative
    to the light around it; blur_px (S,) Gaussian edge blur, nan from the camera's side; found (S,).
    Sample arrays: stretch (M,) index; t (M,) place along the CREASE in [0, 1]; offset_mm (M,) measured minus planned,
    along the left normal of the crease in the folded frame; std_mm (M,) its standard uncertainty from the pixels'
    noise; px_per_mm (M,) local scale across the edge; trust (M,) 0..1, 0 = looked for here and not seen as planned;
    piece (M,) number of the undisturbed piece between crossings that the sample lies on. clipped (S,) the bright side
    was over-exposed, so that the edge seems shifted. slivers: what shows where two folds lie on one line, None where it
    was not looked for; precreases: what shows of the grid's unused creases, likewise. tone (S,): 0 where the edge looks
    as its kind does; from the camera's side 1 or 2 where it shows by a change of tone alone, light falling or rising
    along its facing, which the light shifts in its own way; None where none does. faint: lines of edges that do not
    stand out by themselves, read where all others expect them, None where there are none or they were not looked for.
    """

    evidence: Array
    contrast: Array
    blur_px: Array
    found: BoolArray
    stretch: IntArray
    t: Array
    offset_mm: Array
    std_mm: Array
    px_per_mm: Array
    trust: Array
    piece: IntArray
    clipped: BoolArray
    slivers: Slivers | None = None
    precreases: PrecreaseSamples | None = None
    tone: IntArray | None = None
    faint: FaintLines | None = None


@dataclass(frozen=True)
class LatticeFit:
    """The adjusted network and every twist's pose against the plan.

    map: the final photo <-> plan map (best fit of the plan to the whole piece). vertices_mm: (V, 2) measured, plan
    axes; vertex_cov_mm2: (V, 2, 2); vertex_measured: (V,). Twist arrays (T): position_error_mm (T, 2), position_cov_mm2
    (T, 2, 2), angle_error_deg, angle_std_deg (relative to the piece), size_error, size_std; measured (T,) bool; flags.
    overturn_deg, overturn_std_deg: once per piece. leverage (T,), leave_one_out_mm (T, 2) for outlier tests.
    edge_offset_mm, edge_angle_deg and their stds (C,): each crease against its planned place; nan where not measured.
    node_cov_mm2: for every node of the plan (2 n, 2 n) of its n vertices together, x and y of one after the other; None
    where only the vertices' own are known. pleats, outline, panels: None where they were not asked for.
    twist_cov: (3 T, 3 T) of all twists' x, y (mm) and turn (deg) together, twist by twist, after the whole piece's fit;
    noise_cov: the part of it from the photo's own noise and lens; the rest, from what the piece hides (shifts of a
    kind, folds that do not meet, grooves, what is taken for granted), another photo of the view may have alike.
    alignment: what was taken out as the whole piece's fit. form: what that left, where it was a similarity.
    budget: where the twists' uncertainty comes from; scale_budget: relative standard uncertainty of the scale by
    source, their squares add up to that of scale_std / scale; None where they are not known, as of several photos.
    scale_limits: half-widths of those errors of the scale that have hard limits, as a reference's tolerances have.
    lens_prior: what the lens term rests on beside the photo: the two kinds of camera, the camera's kept lens, or the
    former because the photo contradicts the latter.
    spread_std: relative standard uncertainty, by the photo's edges, of how far apart the twists are all in all, which
    the fit of the whole piece takes up and a scale rests on; None of several photos.
    """

    map: PlaneMap
    scale: float | None
    scale_std: float | None
    k1_std: float
    vertices_mm: Array
    vertex_cov_mm2: Array
    vertex_measured: BoolArray
    tips_px: tuple[Array, ...]
    centre_px: Array
    position_error_mm: Array
    position_cov_mm2: Array
    angle_error_deg: Array
    angle_std_deg: Array
    size_error: Array
    size_std: Array
    measured: BoolArray
    flags: tuple[tuple[str, ...], ...]
    overturn_deg: float | None
    overturn_std_deg: float | None
    leverage: Array
    leave_one_out_mm: Array
    edge_offset_mm: Array
    edge_offset_std_mm: Array
    edge_angle_deg: Array
    edge_angle_std_deg: Array
    sample_rms_px: float
    node_cov_mm2: tuple[Array, ...] | None = None
    pleats: Pleats | None = None
    outline: Outline | None = None
    twist_cov: Array | None = None
    noise_cov: Array | None = None
    alignment: Alignment = "homography"
    form: Form | None = None
    budget: Budget | None = None
    scale_budget: Mapping[str, float] | None = None
    scale_limits: tuple[float, ...] = ()
    panels: PanelPoses | None = None
    lens_prior: LensPrior = "usual"
    spread_std: float | None = None


@dataclass(frozen=True)
class Progress:
    """How far a half-done piece has come.

    name: in words. rings: whole rings folded, None where it is a choice of twists; of_rings: those of the whole plan.
    said: the person said so, else the photo told it. score: match of this stage with the photo as in Plane; rival,
    rival_score: the stage that comes next to it, None and 0 where no other fits at all. not_made: the plan's other
    twists, in plan order, their places those in the finished piece.
    """

    name: str
    rings: int | None
    of_rings: int
    said: bool
    score: float
    rival: str | None
    rival_score: float
    not_made: tuple[Twist, ...]


@dataclass(frozen=True)
class Inspection:
    """Everything known about one photo of one piece: the input of reports and of the record. nominal: of a half-done
    piece the part of the plan that is folded, and progress says which; None where the whole plan was measured."""

    nominal: Nominal
    photo: Photo
    plane: Plane
    features: Features
    fit: LatticeFit
    provenance: Mapping[str, Any]
    timings_s: Mapping[str, float]
    progress: Progress | None = None


@dataclass(frozen=True)
class Truth:
    """What a simulated photo really shows: vertices_mm (V, 2) of the piece laid flat, tips_px of each twist where they
    are seen, map of the reference plane mm -> px, and the scene's settings."""

    vertices_mm: Array
    tips_px: tuple[Array, ...]
    map: PlaneMap
    settings: Mapping[str, Any]


@dataclass(frozen=True)
class Simulated:
    photo: Photo
    jpeg: bytes
    truth: Truth

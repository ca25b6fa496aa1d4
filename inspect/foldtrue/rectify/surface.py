"""Photos of the front or the back under a lamp or a window: the plan's edges are found in the photo."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.errors import NotThisPiece
from foldtrue.frames import Array, apply_homography
from foldtrue.handover import Nominal, Photo, Plane
from foldtrue.rectify.by_edges import Edges, EdgeSearch, edge_energy, visible_edges
from foldtrue.rectify.by_lattice import lattice_candidates
from foldtrue.rectify.by_outline import outline_candidates
from foldtrue.rectify.look import Small, reduce_photo
from foldtrue.rectify.outcome import Placed, RectifyOptions, as_plane, px_per_mm
from foldtrue.rectify.place import Canvas, canvas
from foldtrue.rectify.sharpen_edges import Evidence, edge_samples, evidence, sharpen_on_edges
from foldtrue.rectify.symmetry import motion, turns_alike

FINE_PX = 20.0
COARSE_PX = 12.0
"""Canvas px per pitch: for laying edges on edges, and for finding the place."""
CLEAR = 0.24
"""An outline's placement with at least this contrast needs no second opinion from the lattice."""


@dataclass(frozen=True)
class Sought:
    """What is looked for. edges, outline_mm: as the camera sees them (x mirrored for the back); turns: the turns in
    degrees that leave the drawing of edges as it is; radius_mm: of the piece."""

    nominal: Nominal
    view: str
    edges: Edges
    outline_mm: Array
    turns: tuple[float, ...]
    radius_mm: float


@dataclass(frozen=True)
class Found:
    """A sharpened placement: matrix (3, 3) mm as the camera sees the plan -> small px."""

    matrix: Array
    method: str
    evidence: Evidence


def rectify_surface(photo: Photo, nominal: Nominal, options: RectifyOptions) -> Plane:
    """Find the plan's edges in a photo of the front or the back.

    Raises NotThisPiece when the planned edges are not there or others are, SiteAmbiguous when another place fits
    as well, PhotoTooPoor when the pitch is too few pixels.
    """
    small = reduce_photo(photo, 900)
    sought = sought_look(nominal, options.view)
    found = find_surface(small, sought, photo)
    if found is None or found.evidence.contrast < options.least_contrast:
        raise NotThisPiece(
            f"The picture does not show this plan's edges from the {options.view}.",
            "Check that the plan is this piece's and the side the right one, and let light fall across the folds from "
            "one side.",
        )
    placed = Placed(found.matrix @ _flip(sought), found.method, found.evidence.share, 0.0)
    return as_plane(photo, small.factor, nominal, placed, options, [motion(t, np.zeros(2)) for t in sought.turns])


def sought_look(nominal: Nominal, view: str) -> Sought:
    edges = visible_edges(nominal, view)
    outline = nominal.outline_mm * ([-1.0, 1.0] if view == "back" else [1.0, 1.0])
    radius = float(np.hypot(*nominal.vertices_mm.T).max())
    return Sought(nominal, view, edges, outline, turns_alike(edges.start_mm, edges.end_mm, nominal.pitch_mm), radius)


def _flip(sought: Sought) -> Array:
    return np.diag([-1.0 if sought.view == "back" else 1.0, 1.0, 1.0])


def find_surface(small: Small, sought: Sought, photo: Photo) -> Found | None:
    """The placement with the clearest edges: by the outline where that is clear, else the lattice is asked too."""
    best: Found | None = None
    for start in _outline_starts(small, sought):
        best = _better(best, _place(small, sought, start, "outline", 1.2 * sought.nominal.pitch_mm))
    if best is None or best.evidence.contrast < CLEAR:
        focal = photo.focal_35mm / 43.2666 * float(np.hypot(*small.log.shape)) if photo.focal_35mm else None
        for start in lattice_candidates(small, sought.nominal, sought.view, focal)[0]:
            best = _better(best, _place(small, sought, start, "lattice", None))
    return best


def _better(one: Found | None, other: Found | None) -> Found | None:
    if one is None or other is None:
        return one or other
    return other if other.evidence.contrast > one.evidence.contrast else one


def _outline_starts(small: Small, sought: Sought, most: int = 4) -> list[Array]:
    """Distinct outline fits, one for all turns by 60 degrees."""
    import cv2

    h, w = small.log.shape
    half = cv2.resize(small.rgb[: h // 2 * 2, : w // 2 * 2], (w // 2, h // 2), interpolation=cv2.INTER_AREA).astype(
        np.float32
    )
    coarse = Small(small.log[::2, ::2][: h // 2, : w // 2], half, 2)
    back = np.array([[2.0, 0, 0.5], [0, 2.0, 0.5], [0, 0, 1.0]])
    out: list[Array] = []
    for fit in outline_candidates(coarse, sought.outline_mm, False, nested=True):
        matrix = back @ fit.matrix
        slack = 0.1 * sought.nominal.pitch_mm * px_per_mm(matrix)
        turned = [apply_homography(matrix @ motion(60.0 * k, np.zeros(2)), sought.outline_mm[:3]) for k in range(6)]
        if not any(np.abs(t - apply_homography(m, sought.outline_mm[:3])).max() < slack for t in turned for m in out):
            out.append(matrix)
    return out[:most]


def _place(small: Small, sought: Sought, start: Array, method: str, most_mm: float | None) -> Found | None:
    """The best turn and shift from a start that is right up to these, sharpened; most_mm limits the shift, None: as far
    as the picture goes."""
    pitch = sought.nominal.pitch_mm
    scale = COARSE_PX / pitch
    centre: Array = np.zeros(2)
    field: Canvas | None
    if most_mm is None:
        field, centre, most_mm = _whole(small, sought, start)
    else:
        field = canvas(small, start, sought.radius_mm + most_mm, scale)
    if field is None:
        return None
    search = EdgeSearch(field, sought.radius_mm)
    found = search.places(sought.edges, sought.turns, most_mm)
    if not found:
        return None
    matrix = start @ motion(0.0, centre) @ motion(found[0].turn_deg, found[0].shift_mm)
    return sharpened(small, sought, matrix, method)


def _whole(small: Small, sought: Sought, matrix: Array) -> tuple[Canvas | None, Array, float]:
    """The whole picture in the plan's frame about the picture's middle (2,) mm, and how far the plan may be shifted; no
    canvas when the scale makes no sense."""
    h, w = small.log.shape
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h], [w / 2, h / 2]], float)
    mm = apply_homography(np.linalg.inv(matrix), corners)
    reach = float(np.median(np.hypot(*(mm[:4] - mm[4]).T)))
    if not np.isfinite(reach) or reach > 6 * sought.radius_mm or reach < 0.3 * sought.radius_mm:
        return None, mm[4], 0.0
    most = 0.7 * reach
    scale = min(COARSE_PX / sought.nominal.pitch_mm, 260.0 / (sought.radius_mm + most))
    return canvas(small, matrix @ motion(0.0, mm[4]), sought.radius_mm + most, scale), mm[4], most


def sharpened(small: Small, sought: Sought, matrix: Array, method: str) -> Found:
    """The placement with the plan's edges laid on the photo's, and how clearly they are there."""
    pitch = sought.nominal.pitch_mm
    field = canvas(small, matrix, sought.radius_mm + 0.5 * pitch, FINE_PX / pitch)
    energy, samples = edge_energy(field), edge_samples(sought.edges, 0.15 * pitch)
    step = sharpen_on_edges(energy, field, samples, np.eye(3), pitch)
    return Found(matrix @ step, method, evidence(energy, field, samples, step, pitch))

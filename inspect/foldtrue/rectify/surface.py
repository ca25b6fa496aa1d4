"""Photos of the front or the back under a lamp or a window: the plan's edges are found in the photo."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from foldtrue.frames import Array, apply_homography
from foldtrue.handover import Nominal, Photo, View
from foldtrue.rectify.by_edges import Edges, EdgeSearch, edge_energy, visible_edges
from foldtrue.rectify.by_lattice import lattice_candidates
from foldtrue.rectify.by_outline import outline_candidates
from foldtrue.rectify.look import Small
from foldtrue.rectify.outcome import px_per_mm
from foldtrue.rectify.place import Canvas, canvas
from foldtrue.rectify.sharpen_edges import Evidence, Samples, edge_samples, evidence, sharpen_on_edges, turned
from foldtrue.rectify.symmetry import motion, turns_alike

FINE_PX = 20.0
COARSE_PX = 12.0
"""Canvas px per pitch: for laying edges on edges, and for finding the place."""
STEP = 0.15
"""Distance of samples along an edge, in pitches."""
CLEAR = 0.2
"""An outline's placement with at least this contrast needs no second opinion from the lattice."""
PREFERRED = 0.03
"""What the lattice's contrast must have more: an outline is a witness of its own."""


@dataclass(frozen=True)
class Sought:
    """What is looked for. edges, outline_mm: as the camera sees them (x mirrored for the back); turns: the turns in
    degrees that leave the drawing of edges as it is; radius_mm: of the piece."""

    nominal: Nominal
    view: View
    edges: Edges
    samples: Samples
    outline_mm: Array
    turns: tuple[float, ...]
    radius_mm: float


@dataclass(frozen=True)
class Found:
    """A placement laid on the photo's edges: matrix (3, 3) mm as the camera sees the plan -> small px. energy, field:
    what it was laid on, the plan's frame before the last step (3, 3)."""

    matrix: Array
    method: str
    evidence: Evidence
    energy: NDArray[np.float32]
    field: Canvas
    step: Array


def sought_look(nominal: Nominal, view: View) -> Sought:
    edges = visible_edges(nominal, view)
    outline = nominal.outline_mm * ([-1.0, 1.0] if view == "back" else [1.0, 1.0])
    return Sought(
        nominal,
        view,
        edges,
        edge_samples(edges, STEP * nominal.pitch_mm),
        outline,
        turns_alike(edges.start_mm, edges.end_mm, nominal.pitch_mm),
        float(np.hypot(*nominal.vertices_mm.T).max()),
    )


def find_surface(
    small: Small, sought: Sought, photo: Photo, lattice: bool = True, pinned: Array | None = None
) -> Found | None:
    """The placement with the clearest edges: from where it was pinned (3, 3, mm as the camera sees them -> small px),
    else by the outline where that is clear, else, if `lattice`, that is asked too.

    Its field reaches farther than the piece by a cell, so that neighbouring places can be compared.
    """
    best: tuple[float, Array, str] | None = None
    for start in _outline_starts(small, sought) if pinned is None else [pinned]:
        best = _better(best, _place(small, sought, start, 1.2 * sought.nominal.pitch_mm), "outline")
        if best and best[0] > CLEAR:
            break
    if lattice and pinned is None and (best is None or best[0] < CLEAR):
        focal = photo.focal_35mm / 43.2666 * float(np.hypot(*small.log.shape)) if photo.focal_35mm else None
        for start in lattice_candidates(small, sought.nominal, sought.view, focal, most=3)[0]:
            best = _better(best, _place(small, sought, start, None), "lattice")
    return sharpened(small, sought, best[1], best[2]) if best else None


def _better(
    one: tuple[float, Array, str] | None, other: tuple[float, Array] | None, method: str
) -> tuple[float, Array, str] | None:
    if other is None:
        return one
    needed = -1.0 if one is None else one[0] + (PREFERRED if method != one[2] else 0.0)
    return (*other, method) if other[0] > needed else one


def _outline_starts(small: Small, sought: Sought, most: int = 4) -> list[Array]:
    """Distinct outline fits, one for all turns by 60 degrees, on the photo reduced by two more."""
    import cv2

    h, w = small.log.shape
    whole = small.rgb[: h // 2 * 2, : w // 2 * 2]
    half = cv2.resize(whole, (w // 2, h // 2), interpolation=cv2.INTER_AREA).astype(np.float32)
    coarse = Small(small.log[::2, ::2][: h // 2, : w // 2], half, 2 * small.factor)
    back = np.array([[2.0, 0, 0.5], [0, 2.0, 0.5], [0, 0, 1.0]])
    corners = sought.outline_mm
    out: list[Array] = []
    for fit in outline_candidates(coarse, corners, False, nested=True):
        matrix = back @ fit.matrix
        slack = 0.1 * sought.nominal.pitch_mm * px_per_mm(matrix)
        turns = [apply_homography(matrix @ motion(60.0 * k, np.zeros(2)), corners) for k in range(6)]
        if not any(np.abs(t - apply_homography(m, corners)).max() < slack for t in turns for m in out):
            out.append(matrix)
    return out[:most]


def _place(small: Small, sought: Sought, start: Array, most_mm: float | None) -> tuple[float, Array] | None:
    """Contrast and matrix of the best turn and shift from a start that is right up to these, laid on the edges.

    most_mm limits the shift, None: as far as the picture goes.
    """
    pitch = sought.nominal.pitch_mm
    field: Canvas | None
    if most_mm is None:
        field, start, most_mm = _whole(small, sought, start)
    else:
        field = canvas(small, start, sought.radius_mm + most_mm, COARSE_PX / pitch)
    if field is None:
        return None
    search = EdgeSearch(field, sought.radius_mm)
    found = search.places(sought.edges, sought.turns, most_mm)
    best: tuple[float, Array] | None = None
    for place in found:
        if place.correlation < 0.6 * found[0].correlation:
            continue
        samples = turned(sought.samples, place.turn_deg)
        step = sharpen_on_edges(search.energy, field, samples, motion(0.0, place.shift_mm), pitch)
        contrast = evidence(search.energy, field, samples, step, pitch).contrast
        if best is None or contrast > best[0]:
            best = contrast, start @ step @ motion(place.turn_deg, np.zeros(2))
    return best


def _whole(small: Small, sought: Sought, matrix: Array) -> tuple[Canvas | None, Array, float]:
    """The whole picture in the plan's frame, the matrix shifted to the picture's middle, and how far the plan may be
    shifted; no canvas when the scale makes no sense."""
    h, w = small.log.shape
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h], [w / 2, h / 2]], float)
    mm = apply_homography(np.linalg.inv(matrix), corners)
    reach = float(np.median(np.hypot(*(mm[:4] - mm[4]).T)))
    shifted = matrix @ motion(0.0, mm[4])
    if not np.isfinite(reach) or reach > 6 * sought.radius_mm or reach < 0.3 * sought.radius_mm:
        return None, shifted, 0.0
    most = 0.7 * reach
    scale = min(COARSE_PX / sought.nominal.pitch_mm, 260.0 / (sought.radius_mm + most))
    return canvas(small, shifted, sought.radius_mm + most, scale), shifted, most


def sharpened(small: Small, sought: Sought, matrix: Array, method: str) -> Found:
    """The placement with the plan's edges laid on the photo's, and how clearly they are there."""
    pitch = sought.nominal.pitch_mm
    field = canvas(small, matrix, sought.radius_mm + 2.0 * pitch, FINE_PX / pitch)
    energy = edge_energy(field)
    step = sharpen_on_edges(energy, field, sought.samples, np.eye(3), pitch)
    return Found(matrix @ step, method, evidence(energy, field, sought.samples, step, pitch), energy, field, step)

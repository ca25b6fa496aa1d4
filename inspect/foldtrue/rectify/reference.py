"""Which thing of known size is looked for, in what order, and the scale from those that lie under or beside the piece.

A scan, a rectangle pointed at and the mat are known without knowing the piece (scan.py, corners.py, mat.py) and may
tell its plane as well; the card and the sheets are measured once the map to the piece is fitted, and fix the scale
alone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from foldtrue.errors import PhotoTooPoor
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import KnownPlane, LatticeFit, Nominal, Photo, Plane, Reference
from foldtrue.propagation import half_width
from foldtrue.rectify.card import Beside, card_faces, edges_beside
from foldtrue.rectify.card_size import card_scale
from foldtrue.rectify.corners import corners_reference
from foldtrue.rectify.known_plane import out_of_shape, plane_at_piece, size_budget, tells_plane
from foldtrue.rectify.mat import PRINTER_LIMIT, FoundMat, piece_scale, twists_seen
from foldtrue.rectify.scan import check_scan, scan_reference
from foldtrue.rectify.sheet_size import sheet_scale
from foldtrue.rectify.size_budget import K1_STD, ReferenceScale
from foldtrue.references import Asked, ReferenceKind

ScaleKind = Literal["card", "A4", "Letter"]
Size = tuple[float, float, tuple[float, ...]]
"""A scale, its standard uncertainty, and the half-widths of those errors of it that have hard limits."""
UNUSUAL_SIZE = 0.04
"""A careful piece comes out within this of its planned size (common practice, no source)."""
UNLIKELY_SHAPE = 0.05
"""No piece is stretched, sheared or keystoned by more across it (common practice, no source)."""
ASSUMED = {"A4": "sheet_assumed", "Letter": "sheet_assumed", "card": "card_assumed", "scan": "scan_assumed"}
"""What is said where a thing was only looked for."""


@dataclass(frozen=True)
class Choice:
    """One step of the order: what is looked for, and when it is taken."""

    kind: ReferenceKind
    when: str


AUTO_ORDER = (
    Choice("scan", "the file has a scanner's resolution, the piece its size within 10 % and no perspective"),
    Choice("mat", "at least six markers of one mat can be read, and enough of its frame is seen"),
    Choice("card", "a card shows beside the piece, with all four sides"),
    Choice("A4", "a sheet under the piece has its shape"),
    Choice("Letter", "a sheet under the piece has its shape"),
)
"""What `auto` prefers, the smallest uncertainty first; corners are never guessed. Without any the scale is not told."""


def reference_scale(
    photo: Photo,
    nominal: Nominal,
    plane_map: PlaneMap,
    asked: ScaleKind | Literal["auto"],
    *,
    k1_std: float = K1_STD,
    twist_std_mm: float | None = None,
    waves_mm: Array | None = None,
    beside: Beside | None = None,
) -> ReferenceScale:
    """The scale from what was asked for; 'auto' takes a card, and a sheet where there is none.

    k1_std, twist_std_mm, waves_mm: as for sheet_scale; beside: as for card_scale. Raises PhotoTooPoor with the reason;
    after 'auto', with the sheet's.
    """
    known = (photo, nominal, plane_map)
    map_errors: dict[str, Any] = {"k1_std": k1_std, "twist_std_mm": twist_std_mm, "waves_mm": waves_mm}
    if asked == "card":
        return card_scale(*known, **map_errors)
    if asked == "auto":
        try:
            return card_scale(*known, **map_errors, named=False, beside=beside)
        except PhotoTooPoor:
            pass  # there need not be one
    return sheet_scale(*known, asked, **map_errors)


def located_reference(
    photo: Photo,
    asked: Asked,
    dpi: float | None = None,
    corners_px: ArrayLike | None = None,
    corners_mm: tuple[float, float] | None = None,
) -> Reference | None:
    """What of known size can be located without knowing the piece, or None.

    dpi: a scan's resolution as the person says. corners_px (4, 2), corners_mm: as for corners_reference. Raises
    PhotoTooPoor where a scan was named and tells no resolution, UsageError for corners or a resolution that cannot be.
    """
    if corners_px is not None and corners_mm is not None:
        return corners_reference(photo, corners_px, corners_mm)
    if asked in ("auto", "scan"):
        return scan_reference(photo, dpi=dpi, named=asked == "scan")
    return None


def with_scale(
    photo: Photo,
    nominal: Nominal,
    plane: Plane,
    fit: LatticeFit,
    asked: Asked,
    reference: Reference | None = None,
    mat: FoundMat | None = None,
    waves_mm: Array | None = None,
) -> tuple[Plane, LatticeFit, KnownPlane | None]:
    """Plane and fit with the scale by what lies in the picture, and the piece's plane where that is known better so
    than from the piece. A thing that was only looked for and cannot be made out leaves both as they are; one that the
    person named must be there.

    reference: of located_reference. mat: the one that was found before the piece was, None = none. waves_mm: as for
    sheet_scale. Raises PhotoTooPoor with the reason where what was named is not there.
    """
    if asked == "none":
        return plane, fit, None
    spread = float(np.sqrt(0.5 * np.mean(np.sum(fit.position_error_mm[fit.measured] ** 2, 1))))
    known = None if reference is None else _plane(photo, nominal, plane, fit, reference, spread, asked)
    if known is not None:
        budget = size_budget(known, nominal, fit, spread)
        scale_std = known.size * math.hypot(*budget.values())
        plane, fit = _told(known.kind, (known.size, scale_std, ()), budget, plane, fit, asked)
        return plane, fit, known if tells_plane(known, nominal, fit) else None
    if mat is not None and asked in ("auto", "mat"):
        plane, fit = _by_mat(photo, nominal, plane, fit, asked, mat, spread, waves_mm)
        known = plane_at_piece(photo, nominal, fit, plane.view, mat.reference)
        return plane, fit, known if tells_plane(known, nominal, fit) else None
    if asked == "scan" or asked == "corners" or (asked == "auto" and plane.view == "backlit"):
        return plane, fit, None
    beside = edges_beside(photo, nominal, fit.map) if asked == "auto" else None
    faces = card_faces(photo, nominal, fit.map, beside) if beside is not None else ()
    assert asked != "mat"  # by name it was found, or refused, before the piece
    errors: dict[str, Any] = {"k1_std": fit.k1_std, "twist_std_mm": spread, "waves_mm": waves_mm}
    try:
        found = reference_scale(photo, nominal, fit.map, asked, **errors, beside=beside)
    except PhotoTooPoor:
        if asked != "auto":
            raise
        return replace(plane, private_px=faces), fit, None
    # All that looks like a card stays hidden: the one that was measured may be the wrong one.
    faces = faces if found.face_px is None else (*faces, found.face_px)
    size = found.scale, found.scale_std, found.limits
    plane, fit = _told(found.kind, size, found.budget, replace(plane, private_px=faces), fit, asked)
    return plane, fit, None


def _by_mat(
    photo: Photo,
    nominal: Nominal,
    plane: Plane,
    fit: LatticeFit,
    asked: Asked,
    mat: FoundMat,
    spread_mm: float,
    waves_mm: Array | None,
) -> tuple[Plane, LatticeFit]:
    """The scale by the mat. Where only the printer's word stands for its size, a card beside it is asked as well; a
    card's face is hidden in any case."""
    scale, scale_std, budget = piece_scale(photo, nominal, twists_seen(nominal, fit), mat.reference, plane.view)
    words = mat.reference.assumed
    limits = (scale * PRINTER_LIMIT,) if "mat_scale_assumed" in words else ()
    if asked == "auto" and plane.view != "backlit":
        beside = edges_beside(mat.cleared, nominal, fit.map)
        plane = replace(plane, private_px=card_faces(mat.cleared, nominal, fit.map, beside))
        if "mat_scale_assumed" in words:
            card = _card_beside(mat.cleared, nominal, fit, beside, spread_mm, waves_mm)
            if card is not None and _disagree((card.scale, card.scale_std, card.limits), (scale, scale_std, limits)):
                words = (*words, "references_disagree")
    plane = replace(plane, assumed=plane.assumed + words)
    return _told("mat", (scale, scale_std, limits), budget, plane, fit, asked)


def _card_beside(
    photo: Photo, nominal: Nominal, fit: LatticeFit, beside: Beside, spread_mm: float, waves_mm: Array | None
) -> ReferenceScale | None:
    errors: dict[str, Any] = {"k1_std": fit.k1_std, "twist_std_mm": spread_mm, "waves_mm": waves_mm}
    try:
        return card_scale(photo, nominal, fit.map, **errors, named=False, beside=beside)
    except PhotoTooPoor:  # there need not be one
        return None


def _disagree(one: Size, other: Size) -> bool:
    """Whether two sizes differ by more than 95 % of chance."""
    return abs(one[0] - other[0]) > half_width(math.hypot(one[1], other[1]), (*one[2], *other[2]))


def _plane(
    photo: Photo, nominal: Nominal, plane: Plane, fit: LatticeFit, reference: Reference, spread_mm: float, asked: Asked
) -> KnownPlane | None:
    """The piece's plane by the reference; None where the piece does not bear it out and it was only looked for.

    Raises PhotoTooPoor with the reason where it was named.
    """
    try:
        if reference.kind == "scan":
            check_scan(reference, nominal, fit.map, spread_mm)
        known = plane_at_piece(photo, nominal, fit, plane.view, reference)
        _check_shape(known, nominal, fit)
    except PhotoTooPoor:
        if asked == "auto":
            return None
        raise
    return known


def _check_shape(known: KnownPlane, nominal: Nominal, fit: LatticeFit) -> None:
    """Raise PhotoTooPoor where the piece would be more out of shape than a piece can be."""
    off = out_of_shape(known, nominal, fit)
    if off > UNLIKELY_SHAPE:
        raise PhotoTooPoor(
            f"By what should tell the scale the piece would be {100 * off:.0f} % out of shape.",
            "Lay the piece flat in its plane, and check what was said of it (corners, size, order).",
        )


def _told(
    kind: ReferenceKind, size: Size, budget: Mapping[str, float], plane: Plane, fit: LatticeFit, asked: Asked
) -> tuple[Plane, LatticeFit]:
    scale, scale_std, limits = size
    assumed = [name for name in plane.assumed if name != "scale_assumed"]
    if asked == "auto" and kind in ASSUMED:
        assumed.append(ASSUMED[kind])
    if abs(scale - 1) > UNUSUAL_SIZE + 2 * scale_std:
        assumed.append("size_differs")
    plane = replace(plane, reference=kind, assumed=tuple(assumed))
    return plane, replace(fit, scale=scale, scale_std=scale_std, scale_budget=budget, scale_limits=limits)

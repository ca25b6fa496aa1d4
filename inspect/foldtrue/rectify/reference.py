"""Which thing of known size is looked for, in what order, and the scale from those that lie under or beside the piece.

A scan and the mat are known without knowing the piece (scan.py, mat.py); the card and the sheets are measured once the
map to the piece is fitted, and fix the scale alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from foldtrue.errors import PhotoTooPoor
from foldtrue.frames import PlaneMap
from foldtrue.handover import LatticeFit, Nominal, Photo, Plane, ReferenceKind
from foldtrue.measured import COVERAGE_95
from foldtrue.rectify.card import Beside, card_faces, edges_beside
from foldtrue.rectify.card_size import card_scale
from foldtrue.rectify.mat import FoundMat, piece_scale, twists_seen
from foldtrue.rectify.scan import check_scan, scan_reference
from foldtrue.rectify.sheet_size import sheet_scale
from foldtrue.rectify.size_budget import K1_STD, ReferenceScale

ScaleKind = Literal["card", "A4", "Letter"]
Asked = Literal["auto", "none", "mat", "scan", "card", "A4", "Letter"]
UNUSUAL_SIZE = 0.04
"""A careful piece comes out within this of its planned size (common practice, no source)."""
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
    beside: Beside | None = None,
) -> ReferenceScale:
    """The scale from what was asked for; 'auto' takes a card, and a sheet where there is none.

    k1_std, twist_std_mm: as for sheet_scale; beside: as for card_scale. Raises PhotoTooPoor with the reason; after
    'auto', with the sheet's.
    """
    if asked == "card":
        return card_scale(photo, nominal, plane_map, k1_std=k1_std, twist_std_mm=twist_std_mm)
    if asked == "auto":
        try:
            return card_scale(
                photo, nominal, plane_map, k1_std=k1_std, twist_std_mm=twist_std_mm, named=False, beside=beside
            )
        except PhotoTooPoor:
            pass  # there need not be one
    return sheet_scale(photo, nominal, plane_map, asked, k1_std=k1_std, twist_std_mm=twist_std_mm)


def with_scale(
    photo: Photo,
    nominal: Nominal,
    plane: Plane,
    fit: LatticeFit,
    asked: Asked,
    dpi: float | None = None,
    mat: FoundMat | None = None,
) -> tuple[Plane, LatticeFit]:
    """Plane and fit with the scale by what lies in the picture. A thing that was only looked for and cannot be made out
    leaves both as they are; one that the person named must be there.

    dpi: a scan's resolution as the person says. mat: the one that was found before the piece was, None = none. Raises
    PhotoTooPoor with the reason where what was named is not there.
    """
    if asked == "none":
        return plane, fit
    spread = float(np.sqrt(0.5 * np.mean(np.sum(fit.position_error_mm[fit.measured] ** 2, 1))))
    if asked in ("auto", "scan"):
        scanned = _scan_scale(photo, nominal, fit, spread, asked == "scan", dpi)
        if scanned is not None:
            return _told("scan", *scanned, plane, fit, asked)
    if mat is not None and asked in ("auto", "mat"):
        return _by_mat(photo, nominal, plane, fit, asked, mat, spread)
    if asked == "scan" or (asked == "auto" and plane.view == "backlit"):
        return plane, fit
    beside = edges_beside(photo, nominal, fit.map) if asked == "auto" else None
    faces = card_faces(photo, nominal, fit.map, beside) if beside is not None else ()
    assert asked != "mat"  # by name it was found, or refused, before the piece
    try:
        found = reference_scale(photo, nominal, fit.map, asked, k1_std=fit.k1_std, twist_std_mm=spread, beside=beside)
    except PhotoTooPoor:
        if asked != "auto":
            raise
        return replace(plane, private_px=faces), fit
    faces = faces if found.face_px is None else (found.face_px,)
    told = found.scale, found.scale_std, found.budget
    return _told(found.kind, *told, replace(plane, private_px=faces), fit, asked)


def _by_mat(
    photo: Photo, nominal: Nominal, plane: Plane, fit: LatticeFit, asked: Asked, mat: FoundMat, spread_mm: float
) -> tuple[Plane, LatticeFit]:
    """The scale by the mat. Where only the printer's word stands for its size, a card beside it is asked as well; a
    card's face is hidden in any case."""
    scale, scale_std, budget = piece_scale(
        photo, nominal, twists_seen(nominal, fit, plane.view), mat.reference, plane.view
    )
    words = mat.reference.assumed
    if asked == "auto" and plane.view != "backlit":
        beside = edges_beside(mat.cleared, nominal, fit.map)
        plane = replace(plane, private_px=card_faces(mat.cleared, nominal, fit.map, beside))
        if "mat_scale_assumed" in words:
            card = _card_beside(mat.cleared, nominal, fit, beside, spread_mm)
            if card is not None and _disagree((card.scale, card.scale_std), (scale, scale_std)):
                words = (*words, "references_disagree")
    plane = replace(plane, assumed=plane.assumed + words)
    return _told("mat", scale, scale_std, budget, plane, fit, asked)


def _card_beside(
    photo: Photo, nominal: Nominal, fit: LatticeFit, beside: Beside, spread_mm: float
) -> ReferenceScale | None:
    try:
        return card_scale(
            photo, nominal, fit.map, k1_std=fit.k1_std, twist_std_mm=spread_mm, named=False, beside=beside
        )
    except PhotoTooPoor:  # there need not be one
        return None


def _disagree(one: tuple[float, float], other: tuple[float, float]) -> bool:
    """Whether two sizes, each with its standard uncertainty, differ by more than 95 % of chance."""
    return bool(abs(one[0] - other[0]) > COVERAGE_95 * np.hypot(one[1], other[1]))


def _scan_scale(
    photo: Photo, nominal: Nominal, fit: LatticeFit, spread_mm: float, named: bool, dpi: float | None
) -> tuple[float, float, Mapping[str, float]] | None:
    """Scale by the scan's resolution, its std and by source its relative std, None where this is no scan and was not
    said to be."""
    reference = scan_reference(photo, dpi=dpi, named=named)
    if reference is None:
        return None
    try:
        scale = check_scan(reference, nominal, fit.map, spread_mm)
    except PhotoTooPoor:
        if named:
            raise
        return None
    twists = np.array([t.planned_mm for t in nominal.twists])[fit.measured]
    reach = np.sqrt(np.sum((twists - twists.mean(0)) ** 2))
    own = np.hypot(*reference.size_std) / 2  # the mean of two independent sides
    piece = float(spread_mm / reach)
    return scale, scale * float(np.hypot(own, piece)), {"resolution": float(own), "twists": piece}


def _told(
    kind: ReferenceKind,
    scale: float,
    scale_std: float,
    budget: Mapping[str, float],
    plane: Plane,
    fit: LatticeFit,
    asked: Asked,
) -> tuple[Plane, LatticeFit]:
    assumed = [name for name in plane.assumed if name != "scale_assumed"]
    if asked == "auto" and kind in ASSUMED:
        assumed.append(ASSUMED[kind])
    if abs(scale - 1) > UNUSUAL_SIZE + 2 * scale_std:
        assumed.append("size_differs")
    plane = replace(plane, reference=kind, assumed=tuple(assumed))
    return plane, replace(fit, scale=scale, scale_std=scale_std, scale_budget=budget)

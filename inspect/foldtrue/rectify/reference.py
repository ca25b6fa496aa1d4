"""Which thing of known size is looked for, in what order, and the scale from those that lie under or beside the piece.

`mat`, `scan` and `corners` are located without knowing the piece (mat.py, scan.py, corners.py) and fix its plane too;
the card and the sheets are measured once the map to the piece is fitted, and fix the scale alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from foldtrue.errors import PhotoTooPoor
from foldtrue.frames import PlaneMap
from foldtrue.handover import Nominal, Photo, ReferenceKind
from foldtrue.rectify.card_size import card_scale
from foldtrue.rectify.sheet_size import sheet_scale
from foldtrue.rectify.size_budget import K1_STD, ReferenceScale

ScaleKind = Literal["card", "A4", "Letter"]


@dataclass(frozen=True)
class Choice:
    """One step of the order: what is looked for, and when it is taken."""

    kind: ReferenceKind
    when: str


AUTO_ORDER = (
    Choice("mat", "markers of a printed mat show"),
    Choice("scan", "the file has a scanner's resolution, the piece its size within 10 % and no perspective"),
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
) -> ReferenceScale:
    """The scale from what was asked for; 'auto' takes a card, and a sheet where there is none.

    k1_std, twist_std_mm: as for sheet_scale. Raises PhotoTooPoor with the reason; after 'auto', with the sheet's.
    """
    if asked == "card":
        return card_scale(photo, nominal, plane_map, k1_std=k1_std, twist_std_mm=twist_std_mm)
    if asked == "auto":
        try:
            return card_scale(photo, nominal, plane_map, k1_std=k1_std, twist_std_mm=twist_std_mm, named=False)
        except PhotoTooPoor:
            pass  # there need not be one
    return sheet_scale(photo, nominal, plane_map, asked, k1_std=k1_std, twist_std_mm=twist_std_mm)

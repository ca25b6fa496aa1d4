"""The types of several photos of one piece: frozen, documented, no behaviour (see handover.py)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from foldtrue.errors import FoldtrueError
from foldtrue.handover import Inspection


@dataclass(frozen=True)
class PooledPhoto:
    """What became of one of several photos of a piece.

    name: as given. inspection: on the pooled orientation of the plan where it was used, as measured alone where not,
    None where it was refused. plan_turn_deg, mirrored: the motion of the plan (mirror image x -> -x first) that took it
    there. status, and the reason where it was not used; flags: words of flags.py. chi_square, freedoms, p_value: of
    this photo against the others, None where they were not compared.
    """

    name: str
    inspection: Inspection | None
    status: Literal["used", "left_out", "refused"]
    reason: str = ""
    flags: tuple[str, ...] = ()
    plan_turn_deg: float | None = None
    mirrored: bool = False
    chi_square: float | None = None
    freedoms: int | None = None
    p_value: float | None = None


@dataclass(frozen=True)
class Repeatability:
    """How far photos of one piece scatter. position_std_mm per axis and angle_std_deg (the common overturn taken out):
    pooled standard deviations over twists and photos with their freedoms. chi_square with chi_freedoms and p_value:
    found against claimed spread. widened: factor on the pooled uncertainties, 1 where the claim holds."""

    position_std_mm: float
    position_freedoms: int
    angle_std_deg: float
    angle_freedoms: int
    chi_square: float
    chi_freedoms: int
    p_value: float
    widened: float


@dataclass(frozen=True)
class PooledInspection:
    """Several photos of one piece. inspection: of the piece, shown on one of its photos, or of the only photo that
    could be measured; None where no figures of one piece can be given, then `problem` says why. repeatability: None
    with fewer than two photos used."""

    inspection: Inspection | None
    photos: tuple[PooledPhoto, ...]
    repeatability: Repeatability | None
    problem: FoldtrueError | None = None

"""Which pleats meet: two twists facing each other on the same lines share one pleat, every other pleat runs to the rim.

A pleat lies to the left seen from one end and to the right from the other, so the two twists it joins have opposite
hands and its width is the same at both.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NoReturn

import numpy as np

from foldtrue.errors import PlanError
from foldtrue.plan.grid import Lane, unit
from foldtrue.plan.planar import Points
from foldtrue.plan.twist import Pleat, TwistShape


@dataclass(frozen=True)
class Run:
    """A whole pleat: from its first twist to its second, or to the rim (`far` None); rim to rim when both are None.

    hand: the valley line lies on the left of the mountain line when +1. owners: numbers of its one or two twists, or
    its own number after all twists'. Mountain and valley lines as (start, stop) on the sheet, mm; the pleat lies
    between them.
    """

    id: str
    near: Pleat | None
    far: Pleat | None
    hand: int
    owners: tuple[int, ...]
    mountain: tuple[complex, complex]
    valley: tuple[complex, complex]

    @property
    def pleat_ends(self) -> list[tuple[int, int]]:
        """(twist, direction) of the ends that lie at a twist."""
        return [(p.twist, p.direction_deg) for p in (self.near, self.far) if p is not None]


def join_pleats(twists: Sequence[TwistShape], corners: Points, tolerance: float) -> list[Run]:
    """All pleats of the plan.

    twists: laid out; corners: the sheet, counter-clockwise, mm. Raises PlanError, the twists named, when two twists
    face each other but their hands, widths or lines do not agree, or when they stand too close.
    """
    partner = _partners(twists, tolerance)
    runs = []
    for twist in twists:
        for pleat in twist.pleats:
            far = partner.get((pleat.twist, pleat.direction_deg))
            if far is None:
                runs.append(_to_rim(pleat, twist.site.id, corners))
            elif pleat.twist < far.twist:
                runs.append(_joined(pleat, far, twists))
    return runs


def _partners(twists: Sequence[TwistShape], tolerance: float) -> dict[tuple[int, int], Pleat]:
    """For each pleat (twist, direction) the one that faces it, both ways; checked to fit."""
    lanes: dict[int, list[Pleat]] = defaultdict(list)
    for twist in twists:
        for pleat in twist.pleats:
            lanes[pleat.axis_deg].append(pleat)
    partner: dict[tuple[int, int], Pleat] = {}
    for axis, pleats in lanes.items():
        for a, b in _facing(axis, pleats, twists, tolerance):
            _check_fit(a, b, axis, twists, tolerance)
            partner[a.twist, a.direction_deg] = b
            partner[b.twist, b.direction_deg] = a
    return partner


def _facing(
    axis: int, pleats: list[Pleat], twists: Sequence[TwistShape], tolerance: float
) -> list[tuple[Pleat, Pleat]]:
    """Pairs along one axis that are each other's nearest facing pleat."""
    along = unit(axis).conjugate()
    forward = [p for p in pleats if p.direction_deg == axis]
    backward = [p for p in pleats if p.direction_deg != axis]
    if not forward or not backward:
        return []
    place_f = np.array([(along * twists[p.twist].site.centre).real for p in forward])
    place_b = np.array([(along * twists[p.twist].site.centre).real for p in backward])
    lane_f, lane_b = (np.array([_lane(p, along) for p in group]) for group in (forward, backward))
    width_in_common = np.minimum(lane_f[:, None, 1], lane_b[:, 1]) - np.maximum(lane_f[:, None, 0], lane_b[:, 0])
    same_ridge = np.abs(lane_f[:, None, 2] - lane_b[:, 2]) <= tolerance
    gap = place_b - place_f[:, None]
    gap[(gap <= tolerance) | ~((width_in_common > tolerance) | same_ridge)] = np.inf
    nearest_b, nearest_f = gap.argmin(1), gap.argmin(0)
    return [
        (forward[f], backward[b])
        for f, b in enumerate(nearest_b.tolist())
        if np.isfinite(gap[f, b]) and nearest_f[b] == f
    ]


def _lane(pleat: Pleat, along: complex) -> tuple[float, float, float]:
    """Offsets across the axis: lower edge, upper edge, mountain line (mm)."""
    m, v = (along * pleat.mountain).imag, (along * pleat.valley).imag
    return min(m, v), max(m, v), m


def _check_fit(a: Pleat, b: Pleat, axis: int, twists: Sequence[TwistShape], tolerance: float) -> None:
    along = unit(axis).conjugate()
    names = (twists[a.twist].site.id, twists[b.twist].site.id)
    both = " and ".join(names)
    if a.hand == b.hand:
        word = "ccw" if a.hand > 0 else "cw"
        _refuse(f"The hands of {both} clash: both are {word}.", "Give one of the two the other hand.", names)
    if abs(a.width_mm - b.width_mm) > tolerance:
        _refuse(
            f"The pleat between {both} has two widths: {a.width_mm:.6g} and {b.width_mm:.6g} mm.",
            "Give both twists the same width.",
            names,
        )
    if abs((along * (a.mountain - b.mountain)).imag) > tolerance:
        _refuse(f"The pleats of {both} face each other but lie on different lines.", "Move one of them.", names)
    for start, stop in ((a.mountain, b.mountain), (a.valley, b.valley)):
        if (along * (stop - start)).real < -tolerance:
            _refuse(f"{both} stand too close: their tips pass each other.", "Use a larger spacing.", names)


def _refuse(what: str, advice: str, twists: tuple[str, ...]) -> NoReturn:
    raise PlanError(what, advice, twists)


def _joined(near: Pleat, far: Pleat, twists: Sequence[TwistShape]) -> Run:
    name = f"{twists[near.twist].site.id}-{twists[far.twist].site.id}"
    owners = (near.twist, far.twist)
    return Run(name, near, far, near.hand, owners, (near.mountain, far.mountain), (near.valley, far.valley))


def _to_rim(pleat: Pleat, name: str, corners: Points) -> Run:
    direction = unit(pleat.direction_deg)
    mountain, valley = (
        (start, start + _distance_to_rim(start, direction, corners) * direction)
        for start in (pleat.mountain, pleat.valley)
    )
    return Run(f"{name}-rim{pleat.direction_deg}", pleat, None, pleat.hand, (pleat.twist,), mountain, valley)


def _distance_to_rim(start: complex, direction: complex, corners: Points) -> float:
    """How far a ray from inside the convex sheet runs to its rim (mm); below 0 when it starts outside."""
    edge = np.roll(corners, -1) - corners
    rate = (edge.conj() * direction).imag
    room = (edge.conj() * (start - corners)).imag
    leaving = rate < -1e-12 * np.abs(edge)
    return float((room[leaving] / -rate[leaving]).min())


def lay_free_pleat(lane: Lane, owner: int, corners: Points, tolerance: float) -> Run:
    """A pleat from rim to rim, its valley line on the side of the hand.

    owner: its number after all twists'. Raises PlanError when one of its lines is not on the sheet.
    """
    direction = unit(60 * lane.turn)
    lines = [
        _chord(lane.through + across * 1j * direction, direction, corners)
        for across in (0.0, lane.hand * lane.width_mm)
    ]
    if any(abs(stop - start) <= tolerance or not inside for start, stop, inside in lines):
        _refuse(f"Pleat {lane.id} leaves the sheet.", "Move it towards the centre.", (lane.id,))
    mountain, valley = ((start, stop) for start, stop, _ in lines)
    return Run(lane.id, None, None, lane.hand, (owner,), mountain, valley)


def _chord(through: complex, direction: complex, corners: Points) -> tuple[complex, complex, bool]:
    """Where a line enters and leaves the convex sheet, and whether it does at all."""
    side = np.roll(corners, -1) - corners
    rate = (side.conj() * direction).imag / np.abs(side)
    room = (side.conj() * (through - corners)).imag / np.abs(side)
    along = np.abs(rate) < 1e-12
    with np.errstate(divide="ignore", invalid="ignore"):
        meets = -room / rate
    enter, leave = float(meets[(rate > 0) & ~along].max()), float(meets[(rate < 0) & ~along].min())
    inside = bool(leave > enter and (room[along] > 0).all())
    return through + enter * direction, through + leave * direction, inside

"""Which twist lies where, by the plan: directions in the words of whoever holds the piece."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover_judge import RIM, Figures, TwistPlace

_REACH = 2.1
"""Twists count as neighbours up to so many times the distance of the nearest one: in a honeycomb the three joined ones,
the six after those, and the three across the cells; one every 30 degrees inside a piece."""
_JOINED = 1.25
"""Without pleats in the result, twists up to so many times the nearest distance count as joined."""
_ALONG_DEG = 16.0
"""A direction is that of a neighbour when it misses it by no more than this; else it lies between two."""
_OPEN_DEG = 60.0
"""Where the next twist is farther off than this to one side, that side is open to the rim."""


def towards(twist: TwistPlace, direction: tuple[float, float], found: Figures) -> tuple[str, ...]:
    """The neighbour that lies in this direction (x, y) from the twist, or the two that it passes between, the nearer in
    direction first. RIM stands for a side on which no twist lies."""
    wanted = math.atan2(direction[1], direction[0])
    away = {name: _turn(angle - wanted) for name, angle in _bearings(twist, found.twists).items()}
    nearest = min(away, key=lambda name: abs(away[name]), default=RIM)
    if nearest == RIM or abs(away[nearest]) > math.radians(_OPEN_DEG):
        return (RIM,)
    if abs(away[nearest]) <= math.radians(_ALONG_DEG):
        return (nearest,)
    opposite = [name for name in away if away[name] * away[nearest] < 0 and abs(away[name]) <= math.radians(_OPEN_DEG)]
    return (nearest, min(opposite, key=lambda name: abs(away[name]), default=RIM))


def _bearings(twist: TwistPlace, twists: Sequence[TwistPlace]) -> dict[str, float]:
    """Neighbours with their direction in radians."""
    others = [other for other in twists if other.id != twist.id]
    apart = [math.dist(twist.planned_mm, other.planned_mm) for other in others]
    reach = _REACH * min(apart, default=0.0)
    (x, y) = twist.planned_mm
    return {
        other.id: math.atan2(other.planned_mm[1] - y, other.planned_mm[0] - x)
        for other, distance in zip(others, apart, strict=True)
        if distance <= reach
    }


def _turn(angle: float) -> float:
    """The same angle from -pi to pi."""
    return math.remainder(angle, 2 * math.pi)


def carried_by(found: Figures) -> Mapping[str, frozenset[str]]:
    """For each twist those of an inner ring that it is joined to: what is refolded there moves it along."""
    ring = {twist.id: twist.ring for twist in found.twists}
    joined = found.joined or _near_pairs(found.twists)
    carriers: dict[str, set[str]] = {name: set() for name in ring}
    for pair in joined:
        inner, outer = sorted(pair, key=lambda name: ring[name])
        if ring[inner] < ring[outer]:
            carriers[outer].add(inner)
    return {name: frozenset(inner) for name, inner in carriers.items()}


def _near_pairs(twists: Sequence[TwistPlace]) -> frozenset[frozenset[str]]:
    if len(twists) < 2:
        return frozenset()
    places: Array = np.array([twist.planned_mm for twist in twists])
    apart = np.linalg.norm(places[:, None] - places[None], axis=2)
    np.fill_diagonal(apart, np.inf)
    near = apart <= _JOINED * apart.min(1)[:, None]
    return frozenset(frozenset((twists[i].id, twists[j].id)) for i, j in np.argwhere(near).tolist())

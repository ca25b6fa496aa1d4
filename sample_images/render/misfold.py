"""Folding errors: where the vertices of the piece really lie in the folded plane."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from honeycomb import Folding


@dataclass(frozen=True)
class Errors:
    """Spread (one standard deviation) of the twists' places (mm per axis) and turns (deg); overturn_deg: mean turn past
    the plan, the same way as each twist's hand; loose: twist name -> (mm right, mm up, deg ccw) on top; vertex_mm and
    rim_mm: spread of single vertices and of points on the rim; scale: of the whole piece."""

    position_mm: float = 0.12
    turn_deg: float = 0.5
    overturn_deg: float = 0.1
    loose: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    vertex_mm: float = 0.02
    rim_mm: float = 0.06
    scale: float = 1.0006


def turned(points: np.ndarray, centre: np.ndarray, degrees: float) -> np.ndarray:
    """points (N, 2) turned about centre, ccw positive."""
    a = np.radians(degrees)
    return centre + (points - centre) @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])


def misfolded(folding: Folding, errors: Errors, seed: int) -> np.ndarray:
    """True place (V, 2) mm of every vertex in the folded frame. A tip that two twists share lies half-way between where
    the two would have it, as paper makes it; points on the rim follow the tip their crease comes from."""
    rng = np.random.default_rng(seed)
    planned = folding.folded_mm
    shifts: list[list[np.ndarray]] = [[] for _ in planned]
    for twist in folding.twists:
        tips = planned[list(twist.tips)]
        dx, dy, turn = errors.loose.get(twist.name, (0.0, 0.0, 0.0))
        move = rng.normal(0, errors.position_mm, 2) + np.array([dx, dy])
        turn += rng.normal(twist.hand * errors.overturn_deg, errors.turn_deg)
        for v, shift in zip(twist.tips, turned(tips, tips.mean(0), turn) + move - tips, strict=True):
            shifts[v].append(shift)
    known = {v: np.mean(s, axis=0) + rng.normal(0, errors.vertex_mm, 2) for v, s in enumerate(shifts) if s}
    for crease in folding.creases:
        for v, w in (crease.ends, crease.ends[::-1]):
            if v not in known and shifts[w]:
                known[v] = known[w] + rng.normal(0, errors.rim_mm, 2)
    for v in range(len(planned)):  # corners of the sheet
        if v not in known:
            near = [w for loop in folding.facets if v in loop for w in loop if w != v and w in known]
            known[v] = np.mean([known[w] for w in near], axis=0) + rng.normal(0, errors.rim_mm, 2)
    return errors.scale * (planned + np.array([known[v] for v in range(len(planned))]))

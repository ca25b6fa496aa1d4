"""Lines that stand for folds, in the notation published for origami diagrams, all in black.

Valley: dashes. Mountain: a dash and a dot in turn. A crease that is there but not folded: thin and solid, ending short
of the paper's rim. Source: S. Randlett, The Art of Origami (1961), after A. Yoshizawa [from memory].
"""

from __future__ import annotations

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import Nominal
from foldtrue.handover_grid import PlannedGrid
from foldtrue.printing.drawing import SAMPLE_MM, KeyEntry, Stroke

FOLD_MM, RIM_MM, GRID_MM = 0.25, 0.5, 0.1
"""Line widths."""
_DASH, _GAP, _DOT = 3.0, 1.0, 0.5
_SHORT_OF_RIM = 2.0
_ON_LINE = 1e-6
"""A fold nearer to a grid line than this, in pitches, lies on it: both are computed to rounding."""


def fold_dashes(kind: str, length_mm: float) -> tuple[float, ...]:
    """Lengths drawn and left out in turn along a fold, so that it begins and ends with a whole dash.

    A short fold has its dashes shrunk until one whole turn of the pattern fits: it stays what it is.
    """
    turn = (_DASH, _GAP, _DOT, _GAP) if kind == "M" else (_DASH, _GAP)
    turns = max(1, round((length_mm - _DASH) / sum(turn)))
    stretch = length_mm / (turns * sum(turn) + _DASH)
    return tuple(stretch * part for part in turn)


def fold_stroke(points: Array, kind: str, name: str = "") -> Stroke:
    """A mountain ('M') or valley ('V') fold between two points (2, 2)."""
    return Stroke(points, kind, FOLD_MM, fold_dashes(kind, float(np.hypot(*(points[1] - points[0])))), name=name)


def rim_stroke(outline: Array) -> Stroke:
    return Stroke(outline, "rim", RIM_MM, closed=True)


def unused_creases(nominal: Nominal, grid: PlannedGrid) -> tuple[Stroke, ...]:
    """What is left of the grid's creases beside the folds that lie on them, ending short of the rim."""
    ends = nominal.vertices_sheet_mm[nominal.creases.ends[nominal.creases.kind != "R"]]
    strokes = []
    for normal, offset, low, high in zip(grid.normals, grid.offset_mm, grid.low_mm, grid.high_mm, strict=True):
        along = np.array([-normal[1], normal[0]])
        here = (np.abs(ends @ normal - offset) < _ON_LINE * nominal.pitch_mm).all(1)
        taken = np.sort(ends[here] @ along, axis=1)
        for start, stop in _gaps(low + _SHORT_OF_RIM, high - _SHORT_OF_RIM, taken, _ON_LINE * nominal.pitch_mm):
            points = offset * normal + np.outer([start, stop], along)
            strokes.append(Stroke(points, "grid", GRID_MM))
    return tuple(strokes)


def _gaps(low: float, high: float, taken: Array, least: float) -> list[tuple[float, float]]:
    """Parts of [low, high] that no interval of `taken` (N, 2) covers."""
    gaps, reached = [], low
    for start, stop in sorted(taken.tolist()):
        if start - reached > least:
            gaps.append((reached, min(start, high)))
        reached = max(reached, stop)
    if high - reached > least:
        gaps.append((reached, high))
    return [(a, b) for a, b in gaps if b - a > least]


def line_key(grid_lines: bool) -> tuple[KeyEntry, ...]:
    """What each kind of line on a crease pattern stands for."""
    sample = np.array([[0.0, 0.0], [SAMPLE_MM[0], 0.0]])
    entries = [
        KeyEntry((fold_stroke(sample, "V"),), "valley fold, seen from the front"),
        KeyEntry((fold_stroke(sample, "M"),), "mountain fold"),
        KeyEntry((Stroke(sample, "rim", RIM_MM),), "rim of the sheet"),
    ]
    if grid_lines:
        entries.append(KeyEntry((Stroke(sample, "grid", GRID_MM),), "crease of the grid that stays flat"))
    return tuple(entries)

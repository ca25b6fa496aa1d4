"""The folded piece as its front and its back show it."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import Nominal, Side
from foldtrue.printing.areas import area_key, area_marks, lies_in_area
from foldtrue.printing.drawing import SAMPLE_MM, Drawing, KeyEntry, Stroke, alone, bounds
from foldtrue.printing.fold_lines import RIM_MM, rim_stroke
from foldtrue.printing.twist_marks import hand_key, twist_marks

_EDGE_MM = 0.2


def draw_folded(nominal: Nominal, side: Side) -> Drawing:
    """The edges that one side of the piece shows, its outline, the twists' names, and the areas made afterwards.

    The back is drawn as it is seen, turned over about the upright axis.
    """
    mirror = np.array([1.0 if side == "front" else -1.0, 1.0])
    outline = nominal.outline_mm * mirror
    shown = [twist for twist in nominal.twists if not lies_in_area(nominal, twist.planned_mm)]
    polygons = [nominal.vertices_mm[list(twist.tips)] * mirror for twist in shown]
    names, hands = [t.id for t in shown], [t.hand for t in shown]
    edges = tuple(_shown_edges(nominal, side, mirror))
    low, high = bounds(outline)
    width, height = np.ptp(outline, axis=0)
    front = side == "front"
    note = "" if front else " Names stand where the twists lie behind."
    return Drawing(
        kind=side,
        title=f"Folded piece, {side}: {nominal.name}",
        about=f"Finished size {width:.1f} x {height:.1f} mm, seen from the {side}.{note}",
        low=low,
        high=high,
        marks=(
            *edges,
            rim_stroke(outline),
            *area_marks(nominal, mirror),
            *twist_marks(polygons, names, hands if front else None),
        ),
        key=(*_edge_key(), *area_key(nominal), *(hand_key() if front else ())),
    )


def _shown_edges(nominal: Nominal, side: Side, mirror: Array) -> Iterable[Stroke]:
    view, creases = nominal.views[side], nominal.creases
    ends = nominal.vertices_mm[creases.ends[view.crease]]
    along = ends[:, 1] - ends[:, 0]
    starts, stops = ends[:, 0] + view.t0[:, None] * along, ends[:, 0] + view.t1[:, None] * along
    cut = creases.kind[view.crease] == "R"
    for k in np.flatnonzero(alone(starts, stops, 1e-5 * nominal.pitch_mm)):
        width = RIM_MM if cut[k] else _EDGE_MM
        yield Stroke(np.stack([starts[k], stops[k]]) * mirror, "cut" if cut[k] else "edge", width)


def _edge_key() -> tuple[KeyEntry, ...]:
    sample = np.array([[0.0, 0.0], [SAMPLE_MM[0], 0.0]])
    return (
        KeyEntry((Stroke(sample, "edge", _EDGE_MM),), "folded edge that shows"),
        KeyEntry((Stroke(sample, "cut", RIM_MM),), "outline, cut edge that shows"),
    )

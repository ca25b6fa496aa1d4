"""What chance finds beside the edges, where nothing is planned: what an edge must stand out of to count as found.

The search that looks for an edge looks in the same way for decoys beside it. Of these only the parts count that lie
clear of every edge that the plan shows: a decoy across the piece's rim, or across a neighbour's shadow, finds that, and
would tell of a faint kind that chance finds as much.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from foldtrue.detect.acquire import Lines
from foldtrue.detect.scan import CrossLines, Targets
from foldtrue.frames import Array
from foldtrue.handover import BoolArray, IntArray
from foldtrue.subpixel import group_median

DECOYS_PITCH, DECOYS_WINDOWS = 0.28, 2.2
"""Where nothing is planned: this many pitches, and windows, beside each edge the same search says what chance finds."""
STAND_OUT = 2.5
"""How many spreads of the decoys' scores an edge's score must lie above their mean."""
FAINT, TOGETHER = 1.5, 4.5
"""The same for the median of all edges of a kind that shows faintly, and that in spreads of the median's own."""
LEAST_SPREAD = 0.03
"""No set of decoys is taken to scatter less, however few they are."""
CLEAR_PITCH = 0.06
"""How far from every planned edge a decoy's parts must keep, beside the width that is looked at."""
LEAST_CLEAR = 0.5
"""Share of a decoy's length that must be clear of planned edges for it to count."""
LEAST_DECOYS = 3
"""Of a kind, to one side: where fewer are clear, all of them count with all their length."""


def planned_points(start_mm: Array, end_mm: Array, pitch_mm: float) -> Any:
    """Tree of points along the planned segments (S, 2) mm, close enough for `clear_of_plan`."""
    from scipy.spatial import cKDTree

    span = end_mm - start_mm
    count = np.maximum(2, np.ceil(np.hypot(*span.T) / (0.5 * CLEAR_PITCH * pitch_mm)).astype(int))
    which = np.repeat(np.arange(len(span)), count)
    running = np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count)
    return cKDTree(start_mm[which] + span[which] * (running / (count - 1)[which])[:, None])


def clear_of_plan(
    lines: CrossLines, targets: Targets, start: tuple[Array, Array], reach_mm: float, tree: Any, pitch_mm: float
) -> BoolArray:
    """Which blocks (B,), reach_mm to either side of their line offset + slope (t - 0.5), see no planned edge."""
    edge, t = lines.block_edge, lines.block_t
    if not len(edge):
        return np.zeros(0, bool)
    shift = start[0][edge] + start[1][edge] * (t - 0.5)
    d = targets.end_mm - targets.start_mm
    middle = targets.start_mm[edge] + d[edge] * t[:, None] + targets.normal[edge] * shift[:, None]
    clear_mm = CLEAR_PITCH * pitch_mm
    across = np.linspace(-reach_mm, reach_mm, 2 * int(np.ceil(reach_mm / clear_mm)) + 1)
    places = middle[:, None] + across[None, :, None] * targets.normal[edge][:, None]
    near = tree.query(places.reshape(-1, 2), distance_upper_bound=clear_mm)[0]
    return np.asarray(np.isinf(near).reshape(places.shape[:2]).all(1))


def decoy_blocks(clear: BoolArray, lines: CrossLines, kind: IntArray, kinds: int) -> BoolArray:
    """Which blocks (B,) of the decoys to one side of the edges count; clear: (B,) of the plan; kind: (E,)."""
    edge, edges = lines.block_edge, len(kind)
    share = np.bincount(edge, clear, edges) / np.maximum(np.bincount(edge, minlength=edges), 1)
    good = share >= LEAST_CLEAR
    enough = np.bincount(kind[good], minlength=kinds) >= LEAST_DECOYS
    return np.asarray(np.where(enough[kind[edge]], clear & good[edge], True))


def above_chance(here: Lines, decoys: list[Lines], kind: IntArray, known: BoolArray) -> tuple[BoolArray, BoolArray]:
    """Which edges (E,) stand out of their kind's decoys, and which kinds (K,) show; known: (K,) a look was learned.

    A kind shows when its edges together are plainly not what chance finds, though each may be faint. An edge must stand
    out by itself all the same: of one that chance could be, nobody knows where it lies.
    """
    kinds = len(known)
    seen = np.concatenate([d.seen > 0 for d in decoys])
    score = np.concatenate([d.score for d in decoys])[seen]
    of = np.concatenate([kind] * len(decoys))[seen]
    count = np.maximum(np.bincount(of, minlength=kinds), 1)
    mean = np.bincount(of, score, kinds) / count
    spread = np.sqrt(np.bincount(of, (score - mean[of]) ** 2, kinds) / count) + LEAST_SPREAD
    away = (here.score - mean[kind]) / spread[kind]
    inside = here.seen > 0
    usual = group_median(away[inside], kind[inside], kinds)
    edges = np.maximum(np.bincount(kind[inside], minlength=kinds), 1)
    together = usual / np.sqrt(1.0 / edges + 1.0 / count)
    shows = known & (usual > FAINT) & ((usual > STAND_OUT) | (together > TOGETHER))
    return np.asarray((away > STAND_OUT) & inside & shows[kind]), np.asarray(shows)

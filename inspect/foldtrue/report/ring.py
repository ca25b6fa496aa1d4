"""What the terminal says of a half-done piece: what to put right before anything is built on it, worst first."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from foldtrue.handover import Nominal
from foldtrue.measured import plus_minus
from foldtrue.report.tables import piece_text

Record = Mapping[str, Any]


def ring_text(record: Record, nominal: Nominal) -> str:
    """Summary, table and flags as for a finished piece; of a half-done one then the twists that are clearly off."""
    text = piece_text(record)
    return text if record["progress"]["finished"] else f"{text}\n\n{before_building(record, nominal)}"


def before_building(record: Record, nominal: Nominal) -> str:
    """The twists whose error is larger than its uncertainty, worst place first, and the gap where their corners should
    meet others; that none is, where none is."""
    overturn = record["fit"]["overturn_deg"] or 0.0
    gaps = _gaps(record, nominal)
    rows = [row for row in record["twists"] if row["status"] == "measured" and _clearly_off(row, overturn)]
    rows.sort(key=lambda row: -math.hypot(*row["position_error_mm"]))
    if not rows:
        return "Before you build on it: no twist is clearly off its place or its turn."
    lines = ["Before you build on it, worst first:"]
    for row in rows:
        off = plus_minus(math.hypot(*row["position_error_mm"]), row["position_u95_mm"], "mm")
        turn = plus_minus(_turn(row, overturn), row["angle_relative_u95_deg"], "deg")
        gap = gaps.get(row["id"])
        meets = f", a gap of {plus_minus(*gap, 'mm')} where its corners meet others" if gap is not None else ""
        lines.append(f"{row['id']}: {off} off its place, turned by {turn}{meets}.")
    return "\n".join(lines)


def _turn(row: Record, overturn: float) -> float:
    """The twist's own turn: the common overturn taken out, as in the table."""
    return float(row["angle_error_deg"]) - (1 if row["hand"] == "ccw" else -1) * overturn


def _clearly_off(row: Record, overturn: float) -> bool:
    off, turn = math.hypot(*row["position_error_mm"]), abs(_turn(row, overturn))
    return bool(off > row["position_u95_mm"] or turn > row["angle_relative_u95_deg"])


def _gaps(record: Record, nominal: Nominal) -> dict[str, tuple[float, float]]:
    """By twist the largest gap (mm), with its uncertainty, at the nodes that its corners belong to."""
    twists: dict[str, list[str]] = {}
    for twist in nominal.twists:
        for tip in twist.tips:
            twists.setdefault(f"v{tip}", []).append(twist.id)
    out: dict[str, tuple[float, float]] = {}
    for node in record["nodes"]:
        if node["largest_gap_mm"] is None:
            continue
        gap = (float(node["largest_gap_mm"]), float(node["gap_u95_mm"]))
        for name in {name for vertex in node["vertices"] for name in twists.get(vertex, ())}:
            out[name] = max(out.get(name, gap), gap)
    return out

"""Pleats, panels and outline as rows of result.json."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import LatticeFit, Nominal
from foldtrue.handover_figures import Outline
from foldtrue.measured import COVERAGE_95, radius95
from foldtrue.propagation import half_width

EDGES = ("mountain", "valley")


def pleat_rows(fit: LatticeFit) -> list[dict[str, Any]]:
    """One row a pleat, in the plan's order; none where the fit holds no pleats."""
    pleats = fit.pleats
    if pleats is None:
        return []
    return [
        {
            "id": name,
            "twists": pleats.twists[i],
            "status": "measured" if np.isfinite(pleats.width_error_mm[i]) else "not_measured",
            "edges_seen": [edge for edge, seen in zip(EDGES, pleats.edges_seen[i], strict=True) if seen],
            "planned_width_mm": pleats.planned_mm[i],
            "width_error_mm": pleats.width_error_mm[i],
            "width_u95_mm": COVERAGE_95 * pleats.width_std_mm[i],
            "parallelism_deg": pleats.parallelism_deg[i],
            "parallelism_u95_deg": COVERAGE_95 * pleats.parallelism_std_deg[i],
            "straightness_mm": pleats.straightness_mm[i],
            "straightness_u95_mm": pleats.straightness_u95_mm[i],
            "flags": pleats.flags[i],
        }
        for i, name in enumerate(pleats.ids)
    ]


def panel_rows(nominal: Nominal, fit: LatticeFit) -> list[dict[str, Any]]:
    """One row a panel, in the plan's order; none where the fit holds no panels."""
    panels = fit.panels
    if panels is None:
        return []
    u95 = radius95(panels.position_cov_mm2)
    rows = []
    for i, panel in enumerate(nominal.panels):
        seen = bool(panels.measured[i])
        figures = {
            "position_error_mm": panels.position_error_mm[i],
            "position_u95_mm": u95[i],
            "angle_error_deg": panels.angle_error_deg[i],
            "angle_u95_deg": COVERAGE_95 * panels.angle_std_deg[i],
            "size_error": panels.size_error[i],
            "size_u95": COVERAGE_95 * panels.size_std[i],
        }
        rows.append(
            {
                "id": panel.id,
                "planned_mm": panel.planned_mm,
                "layers": panel.layers,
                "status": "measured" if seen else "not_measured",
                "flags": panels.flags[i],
                **(figures if seen else dict.fromkeys(figures)),
            }
        )
    return rows


def outline_record(nominal: Nominal, fit: LatticeFit) -> dict[str, Any] | None:
    """Sides, distances across and corners of the outline; None where the fit holds no outline."""
    outline = fit.outline
    if outline is None:
        return None
    planned = nominal.outline_mm
    u95 = COVERAGE_95 * np.sqrt(np.diag(outline.cov))
    count = len(planned)
    corner_u95 = _radius(outline.corner_cov_mm2)
    return {
        "sides": [
            {
                "planned_mm": [planned[k], planned[(k + 1) % count]],
                "status": "not_measured" if outline.flags[k] else "measured",
                "seen": outline.seen[k],
                "offset_mm": outline.offset_mm[k],
                "offset_u95_mm": u95[k],
                "angle_deg": outline.angle_deg[k],
                "angle_u95_deg": u95[count + k],
                "flags": outline.flags[k],
            }
            for k in range(count)
        ],
        "across": _across(nominal, fit, outline),
        "corners": [
            {
                "planned_mm": planned[k],
                "error_mm": outline.corner_error_mm[k] if np.isfinite(corner_u95[k]) else None,
                "u95_mm": corner_u95[k],
            }
            for k in range(count)
        ],
    }


def _radius(cov: Array) -> Array:
    told = np.isfinite(cov).all((1, 2))
    out = np.full(len(cov), np.nan)
    out[told] = radius95(cov[told])
    return out


def _across(nominal: Nominal, fit: LatticeFit, outline: Outline) -> list[dict[str, Any]]:
    """Distances between opposite sides; relative: after their mean over the pairs, which light and scale move alike."""
    told = np.flatnonzero(np.isfinite(outline.across_error_mm))
    relative, relative_std = (np.full(len(outline.across), np.nan) for _ in range(2))
    if len(told) > 1:
        level = np.eye(len(told)) - 1 / len(told)
        relative[told] = level @ outline.across_error_mm[told]
        cov = level @ outline.across_cov_mm2[np.ix_(told, told)] @ level.T
        relative_std[told] = np.sqrt(np.maximum(np.diag(cov), 0.0))
    std = np.sqrt(np.diag(outline.across_cov_mm2))
    rows = []
    for a, (i, j) in enumerate(outline.across):
        planned = _distance(nominal.outline_mm, int(i), int(j))
        width = planned + float(outline.across_error_mm[a])
        true_u95 = None
        if fit.scale is not None:
            true_std = math.hypot(fit.scale * std[a], width * (fit.scale_std or 0.0))
            true_u95 = half_width(true_std, [width * limit for limit in fit.scale_limits])
        rows.append(
            {
                "sides": [i, j],
                "planned_mm": planned,
                "error_mm": outline.across_error_mm[a],
                "error_u95_mm": COVERAGE_95 * std[a],
                "relative_error_mm": relative[a],
                "relative_u95_mm": COVERAGE_95 * relative_std[a],
                "true_mm": None if fit.scale is None else fit.scale * width,
                "true_u95_mm": true_u95,
            }
        )
    return rows


def _distance(corners: Array, i: int, j: int) -> float:
    """Between two parallel sides, by the corners each starts at."""
    step = corners[(i + 1) % len(corners)] - corners[i]
    away = corners[j] - corners[i]
    return float(abs(step[0] * away[1] - step[1] * away[0]) / np.hypot(*step))

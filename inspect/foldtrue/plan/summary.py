"""The figures a folder asks for before folding: what comes out, how big, how thick, where the first twist goes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import Nominal
from foldtrue.plan.checks import check_vertices
from foldtrue.plan.file import Plan
from foldtrue.plan.fold import fold_plan
from foldtrue.plan.folding import fold_pattern
from foldtrue.plan.pattern import draw_pattern
from foldtrue.plan.planar import to_points, to_xy
from foldtrue.plan.shape import layer_areas

_NO_SHARE = 1e-9
"""A smaller share of the folded area is rounding, not paper."""


@dataclass(frozen=True)
class PlanSummary:
    """Figures of a plan that folds.

    finished_height_mm: smallest distance of two parallel lines that hold the folded piece (flat to flat of a hexagon);
    finished_width_mm: largest distance of two of its points. first_twist_mm: place of t0 on the sheet, from its centre.
    mean_layers: sheet area / folded area. most_layers: of the largest stack of layers. layer_shares: number of layers
    -> share of the folded area.
    """

    name: str
    pitch_mm: float
    row_mm: float
    twists: int
    rings: int
    facets: int
    finished_height_mm: float
    finished_width_mm: float
    first_twist_mm: tuple[float, float]
    mean_layers: float
    most_layers: int
    layer_shares: Mapping[int, float]


def check_plan(plan: Plan) -> PlanSummary:
    """Fold a plan, layer order included, and say what comes out. Raises PlanError when it cannot be folded."""
    return summarise(fold_plan(plan))


def summarise(nominal: Nominal) -> PlanSummary:
    """Figures of a folded plan."""
    areas = layer_areas(nominal)
    folded = sum(areas.values())
    height, width = _caliper(nominal.outline_mm)
    return PlanSummary(
        name=nominal.name,
        pitch_mm=nominal.pitch_mm,
        row_mm=nominal.row_mm,
        twists=len(nominal.twists),
        rings=max(twist.ring for twist in nominal.twists),
        facets=len(nominal.facets),
        finished_height_mm=height,
        finished_width_mm=width,
        first_twist_mm=nominal.twists[0].sheet_mm,
        mean_layers=_area(nominal.sheet_outline_mm) / folded,
        most_layers=max(layers for layers, area in areas.items() if area > _NO_SHARE * folded),
        layer_shares={layers: area / folded for layers, area in areas.items() if area > _NO_SHARE * folded},
    )


def summary_text(summary: PlanSummary) -> str:
    """The figures as lines of text."""
    x, y = summary.first_twist_mm
    shares = ", ".join(f"{_percent(share)} % in {count}" for count, share in sorted(summary.layer_shares.items()))
    return "\n".join(
        (
            f"{summary.name}: folds flat. {summary.twists} twists, {summary.facets} facets.",
            f"Grid pitch {summary.pitch_mm:.2f} mm, lines {summary.row_mm:.2f} mm apart.",
            f"First twist t0: {x + 0.0:.1f} mm right of and {y + 0.0:.1f} mm above the sheet's centre.",
            f"Finished piece: height {summary.finished_height_mm:.1f} mm, width {summary.finished_width_mm:.1f} mm.",
            f"Layers: {summary.mean_layers:.2f} on the average, {summary.most_layers} in the largest stack; {shares}.",
        )
    )


def _percent(share: float) -> str:
    return "<1" if share < 0.005 else f"{100 * share:.0f}"


def _area(polygon: Array) -> float:
    """Area of a polygon (K, 2), counter-clockwise."""
    z = to_points(polygon)
    return float((z.conj() * np.roll(z, -1)).imag.sum() / 2)


def finished_height_mm(plan: Plan) -> float:
    """Finished height of a plan as in PlanSummary, without looking for a layer order: quick, for comparing many plans.

    Raises PlanError when the plan breaks a law that needs no layer order.
    """
    pattern = draw_pattern(plan)
    check_vertices(pattern.vertices, pattern.ends, pattern.kind, pattern.owner_names())
    return _caliper(to_xy(fold_pattern(pattern).vertices))[0]


def _caliper(outline_mm: Array) -> tuple[float, float]:
    """Smallest width and largest diameter of an outline (K, 2); the smallest width rests on a side of the hull."""
    from scipy.spatial import ConvexHull

    corners = to_points(outline_mm[ConvexHull(outline_mm).vertices])
    side = np.roll(corners, -1) - corners
    across = ((corners - corners[:, None]) * (side / np.abs(side))[:, None].conj()).imag
    return float(across.max(1).min()), float(np.abs(corners - corners[:, None]).max())

"""The figures a folder asks for before folding: what comes out, how big, how thick, where the first twist goes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import Nominal
from foldtrue.plan.file import Plan
from foldtrue.plan.fold import fold_plan
from foldtrue.plan.planar import to_points
from foldtrue.plan.shape import layer_areas


@dataclass(frozen=True)
class PlanSummary:
    """Figures of a plan that folds.

    finished_height_mm: smallest distance of two parallel lines that hold the folded piece (flat to flat of a hexagon);
    finished_width_mm: largest distance of two of its points. first_twist_mm: place of t0 on the sheet, from its centre.
    mean_layers: sheet area / folded area. layer_shares: number of layers -> share of the folded area.
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
        layer_shares={layers: area / folded for layers, area in areas.items()},
    )


def _area(polygon: Array) -> float:
    """Area of a polygon (K, 2), counter-clockwise."""
    z = to_points(polygon)
    return float((z.conj() * np.roll(z, -1)).imag.sum() / 2)


def _caliper(outline_mm: Array) -> tuple[float, float]:
    """Smallest width and largest diameter of an outline (K, 2); the smallest width rests on a side of the hull."""
    from scipy.spatial import ConvexHull

    corners = to_points(outline_mm[ConvexHull(outline_mm).vertices])
    side = np.roll(corners, -1) - corners
    across = ((corners - corners[:, None]) * (side / np.abs(side))[:, None].conj()).imag
    return float(across.max(1).min()), float(np.abs(corners - corners[:, None]).max())

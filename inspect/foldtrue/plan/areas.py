"""What folders do after the twists: panels (sunk or spread areas) and areas about which the plan says nothing.

Neither is folded here. A panel is measured by its corners, which are vertices of the folded plan; inside a panel or an
unmodelled area no edge is predicted, so nothing found there counts against the piece.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from foldtrue.errors import PlanError
from foldtrue.frames import Array
from foldtrue.handover import Nominal, Panel, Stretches
from foldtrue.plan.file import Plan
from foldtrue.plan.grid import grid_to_sheet
from foldtrue.plan.planar import Points, to_points, to_xy

# Corners given in grid coordinates and folded vertices agree to rounding; the next vertex is far away.
_SAME_PLACE_PITCHES = 1e-6


def finish_areas(nominal: Nominal, plan: Plan, start_mm: complex) -> Nominal:
    """Panels and unmodelled areas of the plan, and the views and symmetry without what they hide.

    start_mm: folded place of the grid's start, from which their corners count. Raises PlanError when an area lies
    outside the piece or no fold ends at a panel's corner.
    """
    if not plan.panels and not plan.unmodelled:
        return nominal
    panel_areas = [_outline(panel.corners, start_mm, plan.pitch_mm) for panel in plan.panels or ()]
    areas = [_outline(area.corners, start_mm, plan.pitch_mm) for area in plan.unmodelled or ()]
    names = [f"unmodelled[{k}]" for k in range(len(areas))] + [f"panels[{k}]" for k in range(len(panel_areas))]
    areas += panel_areas
    for name, area in zip(names, areas, strict=True):
        _check_on_piece(name, area, nominal.outline_mm)
    views = {view: _without(nominal, stretches, areas) for view, stretches in nominal.views.items()}
    worth = _shown_length(nominal, views)
    panels = tuple(
        Panel(
            id=f"panel{k}",
            kind="panel",
            grid=(float(np.mean([i for i, _ in panel.corners])), float(np.mean([j for _, j in panel.corners]))),
            planned_mm=(float(area.mean().real), float(area.mean().imag)),
            tips=_corner_vertices(nominal, area, start_mm, worth, f"panels[{k}]"),
            layers=panel.layers,
        )
        for k, (panel, area) in enumerate(zip(plan.panels or (), panel_areas, strict=True))
    )
    kept = [turn for turn in (0.0, 60.0, 120.0, 180.0, 240.0, 300.0) if _maps_onto_itself(areas, turn, plan.pitch_mm)]
    return replace(
        nominal,
        views=views,
        symmetry={view: tuple(t for t in turns if t in kept) for view, turns in nominal.symmetry.items()},
        panels=panels,
        unmodelled_mm=tuple(to_xy(area) for area in areas),
    )


def _outline(corners: Sequence[tuple[float, float]], start_mm: complex, pitch_mm: float) -> Points:
    """Corners in mm, folded frame, counter-clockwise."""
    area = np.array([start_mm + grid_to_sheet(*corner, pitch_mm) for corner in corners])
    return area if (np.roll(area, -1) * area.conj()).imag.sum() > 0 else area[::-1]


def _check_on_piece(name: str, area: Points, outline_mm: Array) -> None:
    piece = to_points(outline_mm)
    for part in (np.real, np.imag):
        if part(area).max() <= part(piece).min() or part(area).min() >= part(piece).max():
            raise PlanError(
                f"{name} lies outside the finished piece.", "Count its corners in pitches from the folded centre."
            )


def _corner_vertices(nominal: Nominal, area: Points, start_mm: complex, worth: Array, name: str) -> tuple[int, ...]:
    """For each corner the vertex that comes to lie there and whose folds show most outside all areas."""
    vertices = to_points(nominal.vertices_mm)
    chosen = []
    for corner in area:
        far = np.abs(vertices - corner)
        here = np.flatnonzero(far < _SAME_PLACE_PITCHES * nominal.pitch_mm)
        if not len(here):
            near = vertices[far.argmin()]
            raise PlanError(
                f"{name}: no fold of the plan ends at its corner {_grid_place(corner - start_mm, nominal)}.",
                f"The nearest place where one does is {_grid_place(near - start_mm, nominal)}.",
            )
        chosen.append(int(here[worth[here].argmax()]))
    return tuple(chosen)


def _grid_place(from_start: complex, nominal: Nominal) -> str:
    j = from_start.imag / nominal.row_mm
    return f"({from_start.real / nominal.pitch_mm - j / 2 + 0.0:.4g}, {j + 0.0:.4g})"


def _shown_length(nominal: Nominal, views: Mapping[str, Stretches]) -> Array:
    """(V,) mm of stretches, over all views, on the creases that end at each vertex."""
    a, b = (nominal.vertices_mm[nominal.creases.ends[:, k]] for k in (0, 1))
    length = np.hypot(*(b - a).T)
    shown = np.zeros(len(length))
    for s in views.values():
        np.add.at(shown, s.crease, (s.t1 - s.t0) * length[s.crease])
    total = np.zeros(len(nominal.vertices_mm))
    np.add.at(total, nominal.creases.ends.reshape(-1), np.repeat(shown, 2))
    return total


def _without(nominal: Nominal, stretches: Stretches, areas: Sequence[Points]) -> Stretches:
    """The stretches, or the parts of them, that do not lie inside an area; those along its boundary stay."""
    ends = to_points(nominal.vertices_mm)[nominal.creases.ends[stretches.crease]]
    row = np.arange(len(ends))
    t0, t1 = stretches.t0, stretches.t1
    for area in areas:
        parts = [
            (r, low, high)
            for r, start, stop, low, high in zip(
                row.tolist(), *ends[row].T.tolist(), t0.tolist(), t1.tolist(), strict=True
            )
            for low, high in _outside(start, stop, low, high, area)
        ]
        row = np.array([part[0] for part in parts], np.int64)
        t0, t1 = (np.array([part[k] for part in parts], float) for k in (1, 2))
    return Stretches(
        crease=stretches.crease[row],
        t0=t0,
        t1=t1,
        layers_left=stretches.layers_left[row],
        layers_right=stretches.layers_right[row],
        raised=stretches.raised[row],
        shared=stretches.shared[row],
        clear_mm=stretches.clear_mm[row],
    )


def _outside(start: complex, stop: complex, low: float, high: float, area: Points) -> list[tuple[float, float]]:
    """Parts of [low, high] on a crease that are not inside an area, neighbouring ones joined."""
    along = stop - start
    size = float(np.abs(area - area.mean()).max())
    if abs(start + (low + high) / 2 * along - area.mean()) > size + abs(along) * (high - low) / 2:
        return [(low, high)]
    side = np.roll(area, -1) - area
    across = (along.conjugate() * side).imag
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        t = ((area - start).conj() * side).imag / across
        u = ((area - start).conj() * along).imag / across
    meets = t[(np.abs(across) > 1e-9 * abs(along) * size) & (u > -1e-9) & (u < 1 + 1e-9)]
    gap = 1e-9 * size / abs(along)
    cuts = [low, *sorted(float(v) for v in meets if low + gap < v < high - gap), high]
    kept: list[tuple[float, float]] = []
    for a, b in pairwise(cuts):
        if b - a <= gap or _inside(start + (a + b) / 2 * along, area):
            continue
        if kept and kept[-1][1] == a:
            kept[-1] = (kept[-1][0], b)
        else:
            kept.append((a, b))
    return kept


def _inside(point: complex, area: Points) -> bool:
    """Whether a point lies inside a polygon and not on its boundary (sum of the angles its sides are seen under)."""
    ray, following = area - point, np.roll(area, -1) - point
    side = following - ray
    height = np.abs((ray.conj() * side).imag) / np.abs(side)
    between = (ray.conj() * following).real < 0
    if ((height < 1e-9 * np.abs(side).max()) & between).any():
        return False
    return bool(abs(np.angle(following / ray).sum()) > np.pi)


def _maps_onto_itself(areas: Sequence[Points], turn_deg: float, pitch_mm: float) -> bool:
    """Whether a turn about the origin carries the areas onto each other."""

    def key(area: Points) -> tuple[tuple[float, float], ...]:
        z = area / pitch_mm
        return tuple(
            sorted(zip((np.round(z.real, 5) + 0.0).tolist(), (np.round(z.imag, 5) + 0.0).tolist(), strict=True))
        )

    turn = complex(np.exp(1j * np.deg2rad(turn_deg)))
    return sorted(key(area) for area in areas) == sorted(key(area * turn) for area in areas)

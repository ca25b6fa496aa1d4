"""fold_plan: from a plan to everything a perfect piece shows."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from foldtrue.handover import Creases, Facet, Nominal, Twist
from foldtrue.plan.areas import finish_areas
from foldtrue.plan.checks import check_vertices
from foldtrue.plan.file import Plan, plan_sha256
from foldtrue.plan.folding import Folded, facet_at, fold_pattern
from foldtrue.plan.layout import grid_start
from foldtrue.plan.order import order_layers
from foldtrue.plan.overlay import overlay_creases
from foldtrue.plan.pattern import Pattern, draw_pattern
from foldtrue.plan.planar import group_points, to_xy
from foldtrue.plan.shape import backlit_symmetry, outline, surface_symmetry
from foldtrue.plan.stacks import sort_stacks
from foldtrue.plan.views import backlit_view, surface_view


def fold_plan(plan: Plan, made: Collection[str] | None = None) -> Nominal:
    """Fold a plan: crease pattern, folded state, layer order and what shows in each view.

    made: ids of the twists to fold, None = all; see `plan/stages.py`, which numbers the rings as the whole plan does.
    Raises PlanError, with the twists named, when the plan cannot be folded flat.
    """
    pattern = draw_pattern(plan, made)
    check_vertices(pattern.vertices, pattern.ends, pattern.kind, pattern.owner_names())
    folded = fold_pattern(pattern)
    overlay = overlay_creases(folded.vertices, pattern.ends, pattern.facets)
    above = order_layers(pattern, folded, overlay)
    tops = sort_stacks(overlay, above)
    bottoms = [stack[::-1] for stack in tops]
    pitch = plan.pitch_mm
    creases = (overlay, folded.vertices[pattern.ends])
    nominal = Nominal(
        plan_sha256=plan_sha256(plan),
        name=plan.name,
        pitch_mm=pitch,
        row_mm=float(pitch * np.sqrt(3) / 2),
        sheet_outline_mm=to_xy(pattern.corners),
        vertices_sheet_mm=to_xy(pattern.vertices),
        vertices_mm=to_xy(folded.vertices),
        facets=_facets(pattern, folded),
        creases=Creases(pattern.ids, pattern.ends, np.array(pattern.kind), pattern.facets),
        twists=_twists(pattern, folded),
        outline_mm=to_xy(outline(overlay)),
        above=above,
        nodes=_nodes(folded, pattern.size_mm),
        views={
            "backlit": backlit_view(*creases),
            "front": surface_view(*creases, pattern.facets, tops),
            "back": surface_view(*creases, pattern.facets, bottoms),
        },
        symmetry={
            "backlit": backlit_symmetry(overlay),
            "front": surface_symmetry(overlay, tops),
            "back": surface_symmetry(overlay, bottoms),
        },
    )
    start = grid_start(plan)
    return finish_areas(nominal, plan, complex(folded.move(facet_at(pattern, start), np.array([start]))[0]))


def _facets(pattern: Pattern, folded: Folded) -> tuple[Facet, ...]:
    start = pattern.ends.reshape(-1)
    return tuple(
        Facet(patch.id, patch.kind, tuple(start[list(patch.loop)].tolist()), bool(folded.turned[f]), folded.motion(f))
        for f, patch in enumerate(pattern.patches)
    )


def _twists(pattern: Pattern, folded: Folded) -> tuple[Twist, ...]:
    to_rim = {run.near.twist for run in pattern.runs if run.near is not None and run.far is None}
    rings = _rings(pattern)
    twists = []
    for k, (shape, tips) in enumerate(zip(pattern.twists, pattern.tips, strict=True)):
        site = shape.site
        place = folded.vertices[list(tips)].mean()
        twists.append(
            Twist(
                id=site.id,
                kind=site.kind,
                hand=site.hand,
                ring=rings[k],
                border=k in to_rim,
                grid=site.grid,
                sheet_mm=(site.centre.real, site.centre.imag),
                planned_mm=(float(place.real), float(place.imag)),
                tips=tips,
            )
        )
    return tuple(twists)


def _rings(pattern: Pattern) -> list[int]:
    """Ring of every twist: the recipe's own, else 1 for the twists nearest the centre and one more per pleat outwards.

    Twists that no pleat connects to those count from the nearest of their own group.
    """
    rings = [twist.site.ring for twist in pattern.twists]
    if all(rings):
        return rings
    neighbours: list[list[int]] = [[] for _ in rings]
    for run in pattern.runs:
        if run.near is not None and run.far is not None:
            neighbours[run.near.twist].append(run.far.twist)
            neighbours[run.far.twist].append(run.near.twist)
    distance = np.array([abs(twist.site.centre) for twist in pattern.twists])
    rings = [0] * len(rings)
    while not all(rings):
        left = [k for k, ring in enumerate(rings) if not ring]
        nearest = distance[left].min() + 1e-6 * pattern.size_mm
        wave = [k for k in left if distance[k] <= nearest]
        ring = 1
        while wave:
            for k in wave:
                rings[k] = ring
            wave = sorted({n for k in wave for n in neighbours[k] if not rings[n]})
            ring += 1
    return rings


def _nodes(folded: Folded, size_mm: float) -> tuple[tuple[int, ...], ...]:
    label, _ = group_points(folded.vertices, 1e-8 * size_mm)
    groups: dict[int, list[int]] = {}
    for vertex, group in enumerate(label.tolist()):
        groups.setdefault(group, []).append(vertex)
    return tuple(tuple(group) for group in groups.values() if len(group) > 1)

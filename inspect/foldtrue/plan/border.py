"""The border of a new plan: how far the twists go, which of them are left out, and pleats across the corners."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import floor
from typing import Any

import numpy as np

from foldtrue.errors import PlanError
from foldtrue.plan.file import Plan, parse_plan
from foldtrue.plan.grid import Site, unit
from foldtrue.plan.layout import grid_start, on_sheet, sheet_corners, twist_sites
from foldtrue.plan.parts import ListedTwist
from foldtrue.plan.pattern import clashes, draw_pattern
from foldtrue.plan.recipes import MAX_RINGS
from foldtrue.plan.twist import lay_out_twist

_MOST_RINGS = {"honeycomb": 18, "mixed": 15, "rhombi": 22, "repeat": 22}
"""As many as the plan file allows (plan/parts.py)."""

Content = Mapping[str, Any]
Bordered = tuple[dict[str, Any], list[str]]


def largest_rings(content: Content) -> int:
    """The largest number of complete rings of a honeycomb that lie on the sheet.

    content: a plan as its file has it, rings not said. Raises PlanError when not even one does.
    """
    plan = parse_plan(_with(content, rings=1))
    corners = sheet_corners(plan)
    spacing_mm = plan.pitch_mm * content["twists"]["spacing"]
    # ring r reaches (1.5 r - 0.5) spacings from the centre in every grid direction (docs/plan-file.md)
    most = min(int((np.abs(corners).max() / spacing_mm + 0.5) / 1.5) + 1, _MOST_RINGS["honeycomb"])
    sites = twist_sites(parse_plan(_with(content, rings=most)))
    outside = [site.ring for site in sites if not on_sheet(lay_out_twist(0, site).tips, corners)]
    rings = min(outside, default=most + 1) - 1
    if rings == 0:
        raise PlanError("No ring of twists fits on the sheet.", "Use more divisions or a smaller spacing.")
    return rings


def finish_border(content: Content, border: str) -> Bordered:
    """The recipe of a plan without a number of rings, its border as asked for, and a sentence on what was left out.

    border: see plan.new.PlanWords. Raises PlanError when nothing is left, or no complete ring can be drawn.
    """
    recipe = dict(content["twists"])
    if border == "full":
        return recipe, []
    if border == "rings":
        return _complete_rings(content), []
    trimmed = _trim(content)
    notes = [_left_out(trimmed, recipe, "pleats would clash")]
    if border == "open":
        sites = twist_sites(parse_plan(_with(content, **trimmed)))
        last = max(site.ring for site in sites)
        if last == 1:
            raise PlanError("The last ring is the only one.", "Use more divisions or leave out --border open.")
        trimmed = _trim(_with(content, **_without(trimmed, [site for site in sites if site.ring == last])))
        notes = [f"Ring {last} and whatever clashes at the border left out."]
    return trimmed, [note for note in notes if note]


def _with(content: Content, **change: Any) -> dict[str, Any]:
    return {**content, "twists": {**content["twists"], **change}}


def _without(recipe: Content, sites: list[Site]) -> dict[str, Any]:
    places = [*recipe.get("leave_out", ()), *(list(site.grid) for site in sites)]
    return {**recipe, "leave_out": places} if places else {**recipe}


def _trim(content: Content) -> dict[str, Any]:
    """Leave out, clash after clash, whichever of the clashing twists is farther out; both where they are alike.

    What is alike on both sides of a mirror line of the sheet so stays alike. Raises the clash as it is when less than
    a quarter of the twists would stay: then it is the layout that is wrong, not its border.
    """
    recipe = dict(content["twists"])
    plan = parse_plan(content)
    everything = sites = twist_sites(plan)
    while groups := clashes(_listed(plan, sites)):
        far = {f"t{k}": round(abs(site.centre) / plan.pitch_mm, 6) for k, site in enumerate(sites)}
        out: set[str] = set()
        for group in sorted(groups, key=lambda ids: sorted(far.get(i, 0.0) for i in ids)):
            twists = [i for i in group if i in far]
            if twists and not out & set(group):
                out |= {i for i in twists if far[i] == max(far[j] for j in twists)}
        kept = [site for k, site in enumerate(sites) if f"t{k}" not in out]
        if not out or 4 * len(kept) < len(everything):
            draw_pattern(plan)
        sites = kept
    stay = {site.id for site in sites}
    return _without(recipe, [site for site in everything if site.id not in stay])


def _listed(plan: Plan, sites: Sequence[Site]) -> Plan:
    """The plan with its twists listed one by one: far quicker to draw again and again than to follow its recipe."""
    rows = plan.pitch_mm * np.sqrt(3) / 2
    twists = tuple(
        ListedTwist(
            grid=site.grid,
            kind=site.kind,
            turn=site.turn,
            hand="ccw" if site.hand > 0 else "cw",
            width_rows=float(site.width_mm / rows),
        )
        for site in sites
    )
    return plan.model_copy(update={"twists": twists})


def _left_out(trimmed: Content, recipe: Content, why: str) -> str:
    count = len(trimmed.get("leave_out", ())) - len(recipe.get("leave_out", ()))
    return f"{count} twist{'s' if count > 1 else ''} left out at the border, where {why}." if count else ""


def _complete_rings(content: Content) -> dict[str, Any]:
    """The recipe with the largest number of complete rings that can be drawn."""
    recipe = dict(content["twists"])
    found = None
    for rings in range(1, min(MAX_RINGS, _MOST_RINGS[recipe["recipe"]]) + 1):
        plan = parse_plan(_with(content, rings=rings))
        corners = sheet_corners(plan)
        if not all(on_sheet(lay_out_twist(0, site).tips, corners) for site in twist_sites(plan)):
            break
        try:
            draw_pattern(plan)
            found = rings
        except PlanError:
            continue
    if found is None:
        raise PlanError("No number of complete rings fits without a clash.", "Use --border trimmed.")
    return recipe | {"rings": found}


def corner_pleats(plan: Plan, count: int) -> list[dict[str, Any]]:
    """Free pleats across each corner of the sheet, `count` of them every second row, valley lines towards the corner.

    Each runs along the grid direction most nearly square to the corner's bisector. Raises PlanError where no grid
    direction cuts a corner off.
    """
    corners, start, row = sheet_corners(plan), grid_start(plan), plan.pitch_mm * np.sqrt(3) / 2
    before, after = np.roll(corners, 1), np.roll(corners, -1)
    pleats = []
    for corner, a, b in zip(corners, before, after, strict=True):
        outward = -((a - corner) / abs(a - corner) + (b - corner) / abs(b - corner))
        cuts = []
        for turn in range(3):
            for hand in (1, -1):
                normal = hand * 1j * unit(60 * turn)
                room = ((corner - corners) * normal.conjugate()).real
                if (room[corners != corner] > 1e-9 * abs(corner)).all():
                    cuts.append(((outward * normal.conjugate()).real, turn, hand, normal))
        if not cuts:
            raise PlanError("No grid direction cuts off a corner of this sheet.", "Use --pleat instead.")
        _, turn, hand, normal = max(cuts, key=lambda cut: cut[0])
        top = floor(((corner - start) * normal.conjugate()).real / row + 1e-9)
        for k in range(count):
            place = (top - 2 - 2 * k) * row * normal / plan.pitch_mm
            j = place.imag / (np.sqrt(3) / 2)
            grid = [round(float(place.real - j / 2), 6) + 0.0, round(float(j), 6) + 0.0]
            pleats.append({"grid": grid, "turn": turn, "hand": "ccw" if hand > 0 else "cw"})
    return pleats

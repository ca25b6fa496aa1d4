"""Simulated photos, measured and judged in the same way as pictures from outside."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from judging import Misses, Truth, misses, turns_alike

from foldtrue.handover import Inspection, Nominal, Simulated
from foldtrue.inspection import InspectOptions, inspect_photo
from foldtrue.plan.file import Plan, parse_plan
from foldtrue.report.result import result_record
from foldtrue.simulate import truth_poses


def plan_of(spacing: int, divisions: int, rings: int = 2, height_mm: float = 240.0) -> Plan:
    """A honeycomb of triangle twists on a point-to-point hexagon; invented."""
    return parse_plan(
        {
            "format": "foldtrue-plan",
            "version": 1,
            "name": "window panel (invented)",
            "sheet": {"shape": "hexagon", "height_mm": height_mm},
            "grid": {"kind": "point-to-point", "divisions": divisions},
            "twists": {"recipe": "honeycomb", "spacing": spacing, "rings": rings},
        }
    )


def truth_of(nominal: Nominal, made: Simulated) -> Truth:
    """What was drawn, as the judging wants it."""
    poses = truth_poses(nominal, made.truth)
    px = np.array([tips.mean(0) for tips in made.truth.tips_px])
    height, width = made.photo.pixels.shape[:2]
    return Truth(
        planned_mm=np.array([t.planned_mm for t in nominal.twists]),
        error_mm=poses.position_error_mm,
        turn_deg=poses.angle_error_deg,
        hand=np.array([t.hand for t in nominal.twists], float),
        px=px,
        seen=((px > 0) & (px < [width - 1, height - 1])).all(1),
        mm_per_px=1 / float(np.hypot(*made.truth.map.jacobian(np.zeros((1, 2)))[0, :, 0])),
    )


def measure(
    made: Simulated, nominal: Nominal, plan: Plan, path: Path, options: InspectOptions | None = None
) -> tuple[Inspection, Truth, Misses | None]:
    """Write the photo, inspect it, compare; raises what inspect_photo raises."""
    path.write_bytes(made.jpeg)
    inspection = inspect_photo(path, plan, options)
    truth, record = replace(truth_of(nominal, made), level=inspection.fit.alignment), result_record(inspection)
    alike = turns_alike(nominal.symmetry[inspection.plane.view], record["plane"]["assumed"])
    return inspection, truth, misses(truth, record["twists"], alike)

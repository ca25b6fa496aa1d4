"""The simulated photos of the coverage study: one photo drawn from a seed, measured, judged, as one plain record."""

from __future__ import annotations

import math
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
from judging import Misses, Truth, left_over, true_form, true_scale
from simulated import measure, plan_of

from foldtrue.errors import FoldtrueError, UsageError
from foldtrue.handover import Nominal, Simulated
from foldtrue.inspection import InspectOptions
from foldtrue.plan.fold import fold_plan
from foldtrue.report.result import result_record
from foldtrue.simulate import Scene, practice_scene, simulate_photo
from foldtrue.simulate.budget_scene import bars_read, drawn_scene, lie_at_random
from foldtrue.simulate.laid import Scanner
from foldtrue.simulate.render import diameter

LAYOUTS = ((2, 16, 2), (3, 24, 2), (2, 32, 4), (4, 32, 2))
SIZES_PX = {
    "backlit": ((960, 720), (1264, 948), (1632, 1224)),
    "lit": ((1264, 948), (1632, 1224), (2016, 1512)),
}
CARE = ("easy", "medium", "hard")
LAID = {
    "backlit": ("none", "mat"),
    "front": ("none", "card", "A4", "Letter", "scan", "mat"),
    "back": ("none", "card", "A4", "Letter", "scan", "mat"),
}
"""References by view in the study of the budget's own scenes."""
SHARES = {"backlit": 0.3, "front": 0.4, "back": 0.3}
WINDOW_DEG = 10.0
"""practice_scene's windows are broader than this, its lamps less broad."""


def backlit_photo(seed: int, folder: Path) -> dict:
    """A photo against the light of either side, measured by one who says which side it is."""
    rng = np.random.default_rng([seed, 77])
    layout = LAYOUTS[seed % len(LAYOUTS)]
    width, height = SIZES_PX["backlit"][rng.integers(3)]
    care = CARE[rng.integers(len(CARE))]
    side = "back" if rng.random() < 0.3 else "front"
    scene = practice_scene(seed, care)
    camera = replace(scene.camera, width_px=width, height_px=height, side=side, k1=lens(rng, scene.camera.focal_35mm))
    scene = replace(scene, camera=camera, lie=lie_at_random(np.random.default_rng([seed, 80])))
    return _measured(seed, layout, care, scene, InspectOptions(side=side), {"side": side}, folder)


def lens(rng: np.random.Generator, focal_35mm: float) -> float:
    """A camera's radial term, drawn as the budget says (docs/uncertainty.md): of a 26 mm equivalent lens four in five
    correct their own lens, to 0.004, and the others have 0.06, up to 0.12; for the camera's own focal length, of which
    none has over 0.3."""
    std = 0.004 if rng.random() < 0.8 else 0.06
    k1 = np.clip(rng.normal(0, std), -0.12, 0.12) * (focal_35mm / 26.0) ** 2
    return float(np.clip(k1, -0.3, 0.3))


def lit_photo(seed: int, folder: Path) -> dict:
    """A photo of the front or back under a lamp or by a window, measured by one who says nothing about it."""
    rng = np.random.default_rng([seed, 78])
    layout = LAYOUTS[seed % len(LAYOUTS)]
    width, height = SIZES_PX["lit"][rng.integers(3)]
    care = CARE[rng.integers(len(CARE))]
    view = "back" if rng.random() < 0.4 else "front"
    scene = practice_scene(seed, care, view)
    camera = replace(scene.camera, width_px=width, height_px=height)
    scene = replace(scene, camera=camera, lie=lie_at_random(np.random.default_rng([seed, 80])))
    window = scene.lamp.size_deg > WINDOW_DEG
    light = {
        "side": view,
        "lamp": "window" if window else "low lamp" if scene.lamp.elevation_deg < 45 else "high lamp",
        "crease_deg": scene.relief.crease_deg,
        "paper": "foil" if scene.surface.gloss else "plain" if scene.surface.pattern == "plain" else "printed",
        "sheet": scene.reference is not None,
    }
    return _measured(seed, layout, care, scene, InspectOptions(), light, folder)


def budget_photo(seed: int, folder: Path) -> dict:
    """A photo whose every parameter is drawn from what the budget says of it (drawn_scene), with a reference that is
    looked for unnamed, measured by one who says how the piece was lit and which side faces the camera, and has measured
    the bars of a mat."""
    rng = np.random.default_rng([seed, 79])
    layout = LAYOUTS[seed % len(LAYOUTS)]
    view = str(rng.choice(list(SHARES), p=list(SHARES.values())))
    laid = str(rng.choice(LAID[view]))
    plan = plan_of(*layout)
    nominal = fold_plan(plan)
    try:
        scene = drawn_scene(seed, view, laid, diameter_mm=diameter(nominal.vertices_mm))
    except UsageError:  # no mat has room for so large a piece
        laid = "none"
        scene = drawn_scene(seed, view, laid, diameter_mm=diameter(nominal.vertices_mm))
    made = simulate_photo(nominal, scene)
    row = {
        "seed": seed, "view": view, "laid": laid, "spacing": layout[0], "rings": layout[2], "declined": "",
        "thick_mm": made.truth.settings["piece_height_mm"], "blur_px": scene.sensor.blur_px, **_camera(scene),
        "pitch_px": float(np.hypot(*made.truth.map.jacobian(np.zeros((1, 2)))[0, :, 0])) * nominal.pitch_mm,
    }  # fmt: skip
    bars = None if scene.mat is None else bars_read(scene.mat, seed)
    options = InspectOptions(view=view, side="front" if view == "backlit" else None, bars_mm=bars)
    try:
        inspection, truth, found = measure(made, nominal, plan, folder / f"{os.getpid()}.img", options)
    except FoldtrueError as error:
        return row | {"declined": f"{type(error).__name__}: {error.what}"}
    if found is None or found.wrong:
        return row | {"declined": "WRONG SITES"}
    fit = result_record(inspection)["fit"]
    form = true_form(truth, found.site, found.turned_deg)
    true = {"scale": true_scale(truth, found.site), **dict(zip(FORM, form, strict=True))}
    u95 = {name: fit[name.replace("_deg", "_u95_deg") if "_deg" in name else f"{name}_u95"] for name in true}
    stated = {name: [fit[name] - true[name], u95[name]] for name in true if fit[name] is not None}
    row |= {"reference": inspection.plane.reference, "alignment": fit["alignment"], "whole": stated}
    return row | _figures(made, nominal, scene, truth, found)


FORM = ("stretch_x", "shear_deg", "keystone_x", "keystone_y")


def _camera(scene: Scene) -> dict:
    if isinstance(scene.camera, Scanner):
        return {"tilt_deg": math.nan, "distance_mm": math.nan, "focal_mm": math.nan, "k1": math.nan}
    camera = scene.camera
    k1 = camera.k1 * (26.0 / camera.focal_35mm) ** 2  # of a 26 mm equivalent lens, as the budget has it
    return {
        "tilt_deg": camera.tilt_deg, "distance_mm": camera.distance_mm, "focal_mm": camera.focal_35mm, "k1": k1,
    }  # fmt: skip


def _measured(
    seed: int, layout: tuple[int, int, int], care: str, scene: Scene, options: InspectOptions, more: dict, folder: Path
) -> dict:
    plan = plan_of(*layout)
    nominal = fold_plan(plan)
    made = simulate_photo(nominal, scene)
    scale = float(np.hypot(*made.truth.map.jacobian(np.zeros((1, 2)))[0, :, 0]))
    row = {
        "seed": seed, "spacing": layout[0], "rings": layout[2], "width_px": scene.camera.width_px, "care": care,
        "blur_px": scene.sensor.blur_px, "pitch_px": scale * nominal.pitch_mm, "declined": "", **more,
    }  # fmt: skip
    try:
        inspection, truth, found = measure(made, nominal, plan, folder / f"{os.getpid()}.jpg", options)
    except FoldtrueError as error:
        return row | {"declined": f"{type(error).__name__}: {error.what}"}
    if inspection.plane.side != row["side"]:
        return row | {"declined": f"WRONG VIEW: {inspection.plane.view} for {scene.view} {row['side']}"}
    if found is None or found.wrong:
        return row | {"declined": "WRONG SITES"}
    if not found.upright:
        return row | {"declined": "WRONG TURN"}
    return row | _figures(made, nominal, scene, truth, found)


def _figures(made: Simulated, nominal: Nominal, scene: Scene, truth: Truth, found: Misses) -> dict:
    lamp = np.radians(scene.lamp.azimuth_deg)
    return {
        "share": len(found.site) / len(nominal.twists),
        "but_lens_mm": but_lens(made.truth.map, truth.planned_mm[found.site], found.miss_mm).tolist(),
        "overturn_deg": float(np.mean(truth.hand[found.site] * found.angle_deg)),
        "between_hands_mm": between_hands(made.truth.map, lamp, truth.hand[found.site], found.miss_mm).tolist(),
        "pull": [pull(found.miss_mm, found.true_mm), pull(found.relative_deg, found.true_deg)],
        "miss_mm": found.miss_mm.tolist(),
        "angle_deg": found.angle_deg.tolist(),
        "relative_deg": found.relative_deg.tolist(),
        "limit_mm": found.limit_mm.tolist(),
        "limit_deg": found.limit_deg.tolist(),
        "limit_relative_deg": found.limit_relative_deg.tolist(),
    }


def between_hands(plane, lamp_rad: float, hand, miss) -> np.ndarray:
    """Mean miss (2,) mm of the ccw twists less that of the cw ones: towards the lamp, and at right angles to it.

    plane: PlaneMap of the piece; lamp_rad: where the lamp stands in the upright photo, ccw from its right.
    """
    if not ((hand > 0).any() and (hand < 0).any()):
        return np.full(2, np.nan)
    towards = np.linalg.solve(plane.jacobian(np.zeros((1, 2)))[0], [np.cos(lamp_rad), -np.sin(lamp_rad)])
    towards /= np.hypot(*towards)
    apart = miss[hand > 0].mean(0) - miss[hand < 0].mean(0)
    return np.array([apart @ towards, towards[0] * apart[1] - towards[1] * apart[0]])


def but_lens(plane, planned, miss):
    """Misses (N, 2) mm less the best multiple of what a wrong radial lens term would do to these places."""
    away = (plane.to_px(planned) - plane.centre_px) / plane.focal_px
    shift_px = away * np.sum(away * away, 1)[:, None] * plane.focal_px
    shift = np.linalg.solve(plane.jacobian(planned), shift_px[:, :, None])[:, :, 0]
    small = 1e-3 / np.abs(shift).max()
    pattern, _ = left_over(planned, small * shift, np.zeros(len(planned)), "homography")
    return miss - pattern * float(np.sum(miss * pattern) / np.sum(pattern * pattern))


def pull(miss, true) -> list[float]:
    """Sums whose ratio tells how far results are drawn to the plan: sum of miss times truth, sum of truth squared."""
    return [float(np.sum(miss * true)), float(np.sum(true * true))]

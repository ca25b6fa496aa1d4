"""The simulated photos of the coverage study: one photo drawn from a seed, measured, judged, as one plain record."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from judging import Misses, Truth, left_over
from simulated import measure, plan_of

from foldtrue.errors import FoldtrueError
from foldtrue.handover import Nominal, Simulated
from foldtrue.inspection import InspectOptions
from foldtrue.plan.fold import fold_plan
from foldtrue.simulate import Scene, practice_scene, simulate_photo

LAYOUTS = ((2, 16, 2), (3, 24, 2), (2, 32, 4), (4, 32, 2))
SIZES_PX = {
    "backlit": ((960, 720), (1264, 948), (1632, 1224)),
    "lit": ((1264, 948), (1632, 1224), (2016, 1512)),
}
CARE = ("easy", "medium", "hard")
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
    scene = replace(scene, camera=camera)
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
    scene = replace(scene, camera=replace(scene.camera, width_px=width, height_px=height))
    window = scene.lamp.size_deg > WINDOW_DEG
    light = {
        "side": view,
        "lamp": "window" if window else "low lamp" if scene.lamp.elevation_deg < 45 else "high lamp",
        "crease_deg": scene.relief.crease_deg,
        "paper": "foil" if scene.surface.gloss else "plain" if scene.surface.pattern == "plain" else "printed",
        "sheet": scene.reference is not None,
    }
    return _measured(seed, layout, care, scene, InspectOptions(), light, folder)


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
        inspection, truth, found = measure(made, nominal, plan, folder / "photo.jpg", options)
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

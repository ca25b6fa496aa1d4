"""Scenes drawn at random, as a person's own photos would turn out: for practice and for testing claims."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from foldtrue.errors import UsageError
from foldtrue.handover import View
from foldtrue.simulate.camera import DIAGONAL_35MM
from foldtrue.simulate.checked import Rgb
from foldtrue.simulate.lit import Reference
from foldtrue.simulate.practice_lit import (
    LIT_RANGES,
    astray_at_random,
    ground_at_random,
    lamp_at_random,
    reference_at_random,
    relief_at_random,
    surface_at_random,
    thumb_at_random,
)
from foldtrue.simulate.scene import Camera, Errors, Light, Paper, Scene, Sensor

Difficulty = Literal["easy", "medium", "hard"]


@dataclass(frozen=True)
class Range:
    """How far each setting may go. Common practice of phone photos over a light table, no source."""

    error_mm: float
    outliers: int
    tilt_deg: float
    turn_deg: float
    k1: float
    uneven: float
    blur_px: float
    crease: float
    fibres: float
    quality: int


RANGES: dict[Difficulty, Range] = {
    "easy": Range(0.15, 0, 3.0, 10.0, 0.01, 0.08, 1.1, 0.02, 0.0, 90),
    "medium": Range(0.25, 2, 10.0, 25.0, 0.03, 0.2, 1.8, 0.05, 0.5, 85),
    "hard": Range(0.40, 4, 22.0, 25.0, 0.08, 0.4, 2.8, 0.09, 2.0, 75),
}

# Reflectance and transmittance by channel: strong thin paper of several makes, invented within published ranges
# (white office paper transmits 5-20 %, tracing paper 40-70 %).
_PAPERS: tuple[tuple[Rgb, Rgb], ...] = (
    ((0.61, 0.605, 0.59), (0.380, 0.377, 0.370)),
    ((0.44, 0.435, 0.42), (0.540, 0.535, 0.520)),
    ((0.70, 0.695, 0.68), (0.280, 0.278, 0.270)),
    ((0.52, 0.50, 0.44), (0.420, 0.400, 0.340)),
)


def practice_scene(seed: int, difficulty: Difficulty = "medium", view: View = "backlit") -> Scene:
    """A plausible scene: 'easy' is careful work with a good phone, 'hard' is a hasty one.

    The piece is whole in the picture and less than 30 degrees from upright; in front and back views a sheet of A4 or
    Letter paper may lie under it, then the camera stands so far off that its corners show.
    Same seed, difficulty and view, same scene. Raises UsageError for an unknown difficulty or view.
    """
    if difficulty not in RANGES:
        raise UsageError(f"There is no difficulty {difficulty!r}.", f"Use one of {', '.join(RANGES)}.")
    limit = RANGES[difficulty]
    rng = np.random.default_rng([seed, 900 + list(RANGES).index(difficulty)])
    sensor = Sensor(
        blur_px=float(rng.uniform(0.7, limit.blur_px)),
        full_well_e=float(rng.uniform(3000, 12000)),
        jpeg_quality=int(rng.integers(limit.quality, 97)),
        chroma="4:2:0" if rng.random() < 0.7 else "4:4:4",
        orientation=int(rng.choice([1, 1, 3, 6, 8])),
    )
    errors, camera = _errors(rng, limit), _camera(rng, limit)
    scene = Scene(
        seed=seed,
        errors=replace(errors, astray_mm=astray_at_random(np.random.default_rng([seed, 913]))),
        camera=camera,
        light=light_at_random(rng, limit),
        paper=paper_at_random(rng, limit),
        sensor=sensor,
    )
    return scene if view == "backlit" else _lit(scene, camera, difficulty, view)


def _lit(scene: Scene, camera: Camera, difficulty: Difficulty, view: View) -> Scene:
    """The same piece and camera on a table, in the light of a lamp or window."""
    rng = np.random.default_rng([scene.seed, 910 + list(RANGES).index(difficulty), int(view == "back")])
    limit = LIT_RANGES[difficulty]
    surface, reference = surface_at_random(rng, limit), reference_at_random(rng)
    return replace(
        scene,
        view=view,
        lamp=lamp_at_random(rng, limit),
        surface=surface,
        relief=relief_at_random(rng, limit),
        ground=ground_at_random(rng, limit, surface.front if view == "front" else surface.back),
        reference=reference,
        thumb=thumb_at_random(rng, limit),
        camera=camera if reference is None else _farther(camera, reference),
    )


def _farther(camera: Camera, reference: Reference) -> Camera:
    """The camera moved back until the whole reference sheet is in view, whatever its turn."""
    reach_mm = math.hypot(*reference.size_mm) + 2 * math.hypot(*reference.centre_mm) + 2 * math.hypot(*camera.aim_mm)
    # At a tilt the near part of the sheet looks larger: with fill 0.8 and the strongest tilt it still fits.
    short_px = min(camera.width_px, camera.height_px)
    focal_px = camera.focal_35mm / DIAGONAL_35MM * math.hypot(camera.width_px, camera.height_px)
    return replace(camera, distance_mm=focal_px * reach_mm / (0.8 * short_px))


def _errors(rng: np.random.Generator, limit: Range) -> Errors:
    drifts = rng.random() < 0.4
    return Errors(
        position_mm=float(rng.uniform(0.2, 1.0) * limit.error_mm),
        angle_deg=float(rng.uniform(0.5, 2.0) * limit.error_mm),
        vertex_mm=float(rng.uniform(0.0, 0.2) * limit.error_mm),
        drift_mm=float(rng.uniform(-2.5, 2.5) * limit.error_mm) if drifts else 0.0,
        drift_deg=float(rng.choice([0, 60, 120, 180, 240, 300])),
        overturn_deg=float(rng.normal(0, limit.error_mm)),
        random_outliers=int(rng.integers(0, limit.outliers + 1)),
        outlier_mm=float(rng.uniform(2.0, 4.0) * limit.error_mm),
        outlier_deg=float(rng.uniform(4.0, 8.0) * limit.error_mm),
    )


def _camera(rng: np.random.Generator, limit: Range) -> Camera:
    upright = rng.random() < 0.3
    return Camera(
        width_px=3024 if upright else 4032,
        height_px=4032 if upright else 3024,
        focal_35mm=float(rng.choice([24, 26, 28, 52, 77])),
        fill=float(rng.uniform(0.6, 0.8)),
        aim_mm=(float(rng.uniform(-6, 6)), float(rng.uniform(-6, 6))),
        tilt_deg=float(rng.uniform(0.2, 1.0) * limit.tilt_deg),
        tilt_axis_deg=float(rng.uniform(0, 360)),
        roll_deg=float(rng.uniform(-limit.turn_deg, limit.turn_deg)),
        k1=float(rng.uniform(-limit.k1, limit.k1)),
    )


def light_at_random(rng: np.random.Generator, limit: Range) -> Light:
    warm = rng.uniform(-0.08, 0.08)
    return Light(
        exposure=float(rng.uniform(0.9, 2.0)),
        tint=(1.0, float(1.0 - 0.3 * abs(warm)), float(1.0 - warm)),
        gradient=float(rng.uniform(-limit.uneven, limit.uneven)),
        gradient_deg=float(rng.uniform(0, 360)),
        falloff=float(rng.uniform(0, limit.uneven)),
        spot=(float(rng.uniform(0.3, 0.7)), float(rng.uniform(0.3, 0.7))),
        vignette=float(rng.uniform(0, limit.uneven)),
        glare=float(rng.uniform(0, 0.02)),
    )


def paper_at_random(rng: np.random.Generator, limit: Range) -> Paper:
    reflectance, transmittance = _PAPERS[rng.integers(len(_PAPERS))]
    return Paper(
        reflectance=reflectance,
        transmittance=transmittance,
        thickness_mm=float(rng.uniform(0.05, 0.12)),
        formation=float(rng.uniform(0.005, 0.025)),
        formation_mm=float(rng.uniform(3, 10)),
        fibres_per_cm2=float(rng.uniform(0, limit.fibres)),
        crease_contrast=float(rng.uniform(0, limit.crease)),
        crease_dark=float(rng.uniform(0, 0.5)),
        crease_width_mm=float(rng.uniform(0.15, 0.4)),
    )

"""Scenes for studies of accuracy: every parameter drawn from what the uncertainty budget says about it.

The distributions are listed in docs/simulate.md. What belongs to the piece depends on the seed alone, so that one
piece can be photographed from every side with every reference.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from foldtrue.errors import UsageError
from foldtrue.handover import Held, View
from foldtrue.simulate.camera import REFERENCE_FOCAL_35MM, Pinhole
from foldtrue.simulate.laid import Lie, MatSheet, Scanner
from foldtrue.simulate.laid_out import Kind, middle_of, needed_mm, shows, with_reference
from foldtrue.simulate.practice import RANGES, light_at_random, paper_at_random
from foldtrue.simulate.practice_lit import (
    LitRange,
    astray_at_random,
    ground_at_random,
    lamp_at_random,
    relief_at_random,
    surface_at_random,
)
from foldtrue.simulate.scene import Camera, Errors, Scene, Sensor

WINDOW_PANEL_MM = 138.6
"""Largest diameter of a window panel folded from a hexagon of 240 mm to 120 mm."""
_LAYERS = 4  # mean of a window panel at spacing 2
_LIT = LitRange(0.25, 6.0, 0.0, 0.0, 0.0, 0.0, 0.4)
_VIEWS: tuple[View, ...] = ("backlit", "front", "back")
_KINDS: tuple[Kind, ...] = ("none", "mat", "card", "A4", "Letter", "scan")
_TRIES = 2000
_LEAST_FILL = 0.3


def drawn_scene(
    seed: int,
    view: View = "front",
    reference: Kind = "none",
    *,
    diameter_mm: float = WINDOW_PANEL_MM,
    held: Held = "free",
) -> Scene:
    """A scene of 1 to 2 megapixels with one reference, drawn from the budget's own distributions.

    diameter_mm: largest diameter of the piece. held: 'glass' and 'window' press it flat. Same arguments, same scene.
    Raises UsageError where the reference does not go with the view, or no camera of the budget sees all of it.
    """
    if reference not in _KINDS or view not in _VIEWS:
        raise UsageError(f"There is no scene {view!r} with {reference!r}.", f"Use one of {', '.join(_KINDS)}.")
    piece = np.random.default_rng([seed, 931])
    rng = np.random.default_rng([seed, 932, _VIEWS.index(view), _KINDS.index(reference)])
    errors, thick_mm = _errors(piece), float(piece.uniform(0.3, 0.8))
    errors = replace(errors, astray_mm=astray_at_random(np.random.default_rng([seed, 934])))
    # Against the light folds of every depth show, half-way up on average.
    lie = lie_at_random(piece, thick_mm / 2 if view == "backlit" else thick_mm, held)
    paper = replace(paper_at_random(piece, RANGES["medium"]), thickness_mm=thick_mm / (1.6 * _LAYERS))
    paper = replace(paper, rim_mm=_rims(np.random.default_rng([seed, 936])))
    surface, relief = surface_at_random(piece, _LIT), relief_at_random(piece, _LIT)
    # The rest of the height is air between the layers.
    relief = replace(relief, rim_lift_mm=thick_mm - _LAYERS * paper.thickness_mm)
    scene = Scene(
        seed=seed,
        view=view,
        errors=errors,
        camera=_camera(rng),
        light=replace(light_at_random(rng, RANGES["medium"]), exposure=float(rng.uniform(0.7, 1.6))),
        paper=paper,
        sensor=_sensor(rng),
        lamp=lamp_at_random(rng, _LIT),
        surface=surface,
        relief=relief,
        ground=ground_at_random(rng, _LIT, surface.front),
        lie=lie,
    )
    laid = with_reference(scene, reference, diameter_mm, rng)
    if isinstance(laid.camera, Scanner):
        return replace(laid, camera=replace(laid.camera, dpi=float(rng.choice([150, 200]))))
    return _in_view(laid, laid.camera, diameter_mm, rng)


def lie_at_random(rng: np.random.Generator, height_mm: float = 0.0, held: Held = "free") -> Lie:
    """Waves and a bulge as high as the budget allows for (docs/uncertainty.md), or none where they are pressed out."""
    return Lie(
        height_mm=height_mm,
        wave_mm=float(rng.uniform(0.1, 0.3)),
        bulge_mm=float(rng.normal(0, 0.3)),
        glass=held != "free",
    )


def bars_read(sheet: MatSheet, seed: int) -> tuple[float, float]:
    """Lengths in mm that a person reads off the printed bars along the mat's bottom and left side.

    With a ruler that is off by 0.05 % (standard deviation), set and read to 0.15 mm, noted to the half millimetre
    (common practice, no source).
    """
    rng = np.random.default_rng([seed, 933])
    ruler = 1 + rng.normal(0, 0.0005)
    true = np.array(sheet.mat.bars_mm) * sheet.scale
    x, y = np.rint(2 * (true * ruler + rng.normal(0, 0.15, 2))) / 2
    return float(x), float(y)


def _errors(rng: np.random.Generator) -> Errors:
    return Errors(
        position_mm=float(rng.uniform(0.1, 0.4)),
        angle_deg=float(rng.uniform(0.3, 1.2)),
        vertex_mm=float(rng.uniform(0.0, 0.1)),
        overturn_deg=float(rng.normal(0, 0.4)),
        scale=float(rng.uniform(0.98, 1.01)),
    )


def _rims(rng: np.random.Generator) -> tuple[float, float, float]:
    """Of twists' sides, mountains and valleys: what all have in common, and each kind by itself."""
    common = float(rng.normal(0, 0.05))
    side, mountain, valley = common + rng.normal(0, 0.04, 3)
    return float(side), float(mountain), float(valley)


def _sensor(rng: np.random.Generator) -> Sensor:
    return Sensor(
        blur_px=float(rng.uniform(0.6, 2.0)),
        full_well_e=float(rng.uniform(3000, 12000)),
        read_noise_e=float(rng.uniform(3, 12)),
        tone="srgb" if rng.random() < 0.7 else float(rng.uniform(2.0, 2.4)),
        jpeg_quality=int(rng.integers(85, 97)),
        chroma="4:2:0" if rng.random() < 0.7 else "4:4:4",
    )


def _camera(rng: np.random.Generator) -> Camera:
    """What the camera is, and how it is turned; where it stands is drawn once everything lies in its place."""
    long_px = int(rng.integers(1200, 1601))
    size = (long_px, round(0.75 * long_px))
    width, height = size if rng.random() < 0.7 else size[::-1]
    return Camera(width_px=width, height_px=height, roll_deg=float(rng.uniform(-25, 25)))


def _in_view(scene: Scene, body: Camera, diameter_mm: float, rng: np.random.Generator) -> Scene:
    """Draw lens and place of a camera body until all that is needed shows, and the piece is not too small."""
    needed = needed_mm(scene, diameter_mm)
    middle = np.array(middle_of(needed))
    for _ in range(_TRIES):
        focal = float(rng.uniform(26, 70))
        aim = middle + rng.uniform(-5, 5, 2)
        camera = replace(
            body,
            focal_35mm=focal,
            distance_mm=float(rng.uniform(300, 800)),
            tilt_deg=float(rng.uniform(0, 20)),
            tilt_axis_deg=float(rng.uniform(0, 360)),
            aim_mm=(float(aim[0]), float(aim[1])),
            k1=_lens(rng) * (focal / REFERENCE_FOCAL_35MM) ** 2,
        )
        px_mm = Pinhole(camera, diameter_mm, scene.side).scale_px_mm
        large = px_mm * diameter_mm > _LEAST_FILL * min(camera.width_px, camera.height_px)
        if large and shows(camera, scene, needed):
            return replace(scene, camera=camera)
    what = f"Scene: no camera within 800 mm sees a piece {diameter_mm:.0f} mm across and its reference."
    raise UsageError(what, "Draw a smaller piece.")


def _lens(rng: np.random.Generator) -> float:
    """Radial term of a camera that corrects its lens, or of one that does not; in PlaneMap's definition."""
    if rng.random() < 0.8:
        return float(rng.normal(0, 0.004))
    return float(np.clip(rng.normal(0, 0.06), -0.12, 0.12))

"""Front and back scenes drawn at random: papers, lamps and tables as people have them (common practice, no source)."""

from __future__ import annotations

import colorsys
from dataclasses import dataclass
from typing import Literal

import numpy as np

from foldtrue.simulate.checked import Rgb
from foldtrue.simulate.lit import Ground, Lamp, Reference, Relief, Surface, Thumb


@dataclass(frozen=True)
class LitRange:
    """How far the settings of a difficulty go.

    crease_deg: slope beside grid creases; print_share, foil_share, thumb_share: how often these occur; alike: how often
    the table has nearly the colour of the paper; window: how often a broad soft light takes the lamp's place.
    """

    lift_mm: float
    crease_deg: float
    print_share: float
    foil_share: float
    thumb_share: float
    alike: float
    window: float


LIT_RANGES: dict[str, LitRange] = {
    "easy": LitRange(0.2, 3.0, 0.0, 0.0, 0.0, 0.0, 0.2),
    "medium": LitRange(0.35, 8.0, 0.1, 0.05, 0.1, 0.1, 0.4),
    "hard": LitRange(0.5, 15.0, 0.25, 0.1, 0.25, 0.3, 0.6),
}


def lamp_at_random(rng: np.random.Generator, limit: LitRange) -> Lamp:
    """A desk lamp, or a window: lower, broader and with more light from all around."""
    window = rng.random() < limit.window
    elevation = float(rng.uniform(25, 50) if window else rng.uniform(25, 65))
    warm = float(rng.uniform(-0.1, 0.25))
    return Lamp(
        azimuth_deg=float(rng.uniform(0, 360)),
        elevation_deg=elevation,
        size_deg=float(rng.uniform(12, 30) if window else rng.uniform(1, 8)),
        ambient=float(rng.uniform(0.4, 0.75) if window else rng.uniform(0.15, 0.5)),
        tint=(1.0, 1.0 - 0.3 * abs(warm), 1.0 - warm),
        exposure=float(rng.uniform(0.6, 1.05)),
    )


def surface_at_random(rng: np.random.Generator, limit: LitRange) -> Surface:
    """White or coloured paper, plain, printed or foil; half of the coloured ones are white on the back."""
    front = _paper_colour(rng)
    two_faced = rng.random() < 0.5
    kind = rng.random()
    printed, foil = kind < limit.print_share, limit.print_share <= kind < limit.print_share + limit.foil_share
    ink = tuple(float(c) for c in np.asarray(front) * rng.uniform(0.3, 0.9))
    return Surface(
        front=front,
        back=(0.8, 0.79, 0.77) if two_faced else front,
        texture=float(rng.uniform(0.005, 0.03)),
        texture_mm=float(rng.uniform(0.8, 1.6) if foil else rng.uniform(1, 6)),
        pattern=("stripes" if rng.random() < 0.5 else "dots") if printed else "plain",
        pattern_mm=float(rng.uniform(4, 15)),
        pattern_deg=float(rng.uniform(0, 360)),
        pattern_share=float(rng.uniform(0.2, 0.6)),
        ink=(ink[0], ink[1], ink[2]),
        gloss=float(rng.uniform(1, 4)) if foil else 0.0,
        roughness_deg=float(rng.uniform(4, 12)),
        crumple_deg=float(rng.uniform(2, 6)),
    )


def relief_at_random(rng: np.random.Generator, limit: LitRange) -> Relief:
    """Facets that lie almost flat, lifted corners, and grid creases of any strength up to the difficulty's."""
    return Relief(
        facet_tilt_deg=float(rng.uniform(0.3, 2.5)),
        patch_tilt_deg=float(rng.uniform(0, 0.1) * limit.crease_deg),
        lift_mm=float(rng.uniform(0.03, limit.lift_mm)),
        rim_lift_mm=float(rng.uniform(0.1, 1.0)),
        fold_radius_mm=float(rng.uniform(0.08, 0.25)),
        crease_deg=float(rng.uniform(0.1, 1.0) * limit.crease_deg),
        crease_mm=float(rng.uniform(0.25, 0.7)),
        crease_valley=float(rng.choice([0.0, 0.3, 0.5])),
        crease_wear=float(rng.uniform(-0.01, 0.01) * limit.crease_deg),
    )


def astray_at_random(rng: np.random.Generator) -> float:
    """How far (mm) folds miss the grid's creases: hardly in most pieces, a good deal in some (common practice, no
    source)."""
    return float(rng.uniform(0.05, 0.3) if rng.random() < 0.3 else abs(rng.normal(0, 0.03)))


def ground_at_random(rng: np.random.Generator, limit: LitRange, paper: Rgb) -> Ground:
    """A table of any kind; sometimes nearly of the paper's own colour."""
    if rng.random() < limit.alike:
        shade = rng.uniform(0.92, 1.02)
        colour: Rgb = (min(paper[0] * shade, 1.0), min(paper[1] * shade, 1.0), min(paper[2] * shade, 1.0))
        return Ground(kind="plain", colour=colour)
    kinds: tuple[Literal["plain", "clouds", "grain"], ...] = ("plain", "clouds", "grain")
    return Ground(
        kind=kinds[int(rng.integers(3))],
        colour=colorsys.hsv_to_rgb(rng.uniform(0, 0.7), rng.uniform(0, 0.5), rng.uniform(0.04, 0.5)),
        contrast=float(rng.uniform(0.03, 0.15)),
        grain_mm=float(rng.uniform(3, 25)),
        grain_deg=float(rng.uniform(0, 180)),
    )


def reference_at_random(rng: np.random.Generator) -> Reference | None:
    """A sheet under the piece in a third of the scenes, at any turn and not quite centred."""
    if rng.random() > 1 / 3:
        return None
    return Reference(
        size="A4" if rng.random() < 0.7 else "Letter",
        turn_deg=float(rng.uniform(0, 360)),
        centre_mm=(float(rng.uniform(-10, 10)), float(rng.uniform(-10, 10))),
    )


def thumb_at_random(rng: np.random.Generator, limit: LitRange) -> Thumb | None:
    """A thumb on the rim, of any skin."""
    if rng.random() >= limit.thumb_share:
        return None
    skin = rng.uniform(0.15, 1.0)
    return Thumb(
        rim_deg=float(rng.uniform(0, 360)),
        reach_mm=float(rng.uniform(4, 15)),
        width_mm=float(rng.uniform(14, 22)),
        colour=(float(0.6 * skin), float(0.36 * skin), float(0.27 * skin)),
    )


def _paper_colour(rng: np.random.Generator) -> Rgb:
    """White for two in five papers, else any hue from pale to deep."""
    if rng.random() < 0.4:
        white = float(rng.uniform(0.7, 0.88))
        return (white, white * float(rng.uniform(0.97, 1.0)), white * float(rng.uniform(0.92, 1.0)))
    return colorsys.hsv_to_rgb(rng.random(), rng.uniform(0.2, 0.8), rng.uniform(0.12, 0.85))

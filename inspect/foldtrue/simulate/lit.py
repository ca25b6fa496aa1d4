"""Settings of the front and back views: lamp, paper surface, relief, and what lies around the piece.

Lengths in mm, angles in degrees counter-clockwise. Directions are those of the photo before the camera leans: 0 is
right, 90 up, whatever the turn of the piece. Colours are linear shares of the light given back, by channel.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from foldtrue.simulate.checked import Rgb, need_choice, need_range


@dataclass(frozen=True, kw_only=True)
class Lamp:
    """A lamp or window far away, and the light from all around.

    azimuth_deg: where it stands, seen in the photo; elevation_deg: its height over the plane of the piece.
    size_deg: its apparent diameter (the sun 0.5, a desk lamp 3 to 10, a window 20 to 50), which makes the penumbra.
    ambient: share of the light on a flat surface that comes from all around. tint: colour, by channel.
    exposure: sensor value of a flat surface that gives all light back.
    """

    azimuth_deg: float = 120.0
    elevation_deg: float = 40.0
    size_deg: float = 4.0
    ambient: float = 0.4
    tint: Rgb = (1.0, 1.0, 1.0)
    exposure: float = 0.9

    def __post_init__(self) -> None:
        need_range(self, -360.0, 360.0, "azimuth_deg")
        need_range(self, 10.0, 90.0, "elevation_deg")
        need_range(self, 0.0, min(60.0, 1.8 * self.elevation_deg), "size_deg")
        need_range(self, 0.0, 1.0, "ambient")
        need_range(self, 0.2, 2.0, "tint")
        need_range(self, 0.01, 20.0, "exposure")


@dataclass(frozen=True, kw_only=True)
class Surface:
    """The paper's two faces.

    front, back: colours. texture: relative standard deviation of its mottle, texture_mm the coarsest part of it.
    pattern: printed on the front in the colour ink, pattern_mm its period, pattern_share the share of it that the ink
    takes across stripes or along a row of dots, pattern_deg its direction in the sheet.
    gloss: light of a mirror-like highlight in units of the paper's own (0 = none, foil 1 to 5), roughness_deg its
    width, crumple_deg the waviness of foil.
    """

    front: Rgb = (0.80, 0.79, 0.76)
    back: Rgb = (0.80, 0.79, 0.76)
    texture: float = 0.02
    texture_mm: float = 4.0
    pattern: Literal["plain", "stripes", "dots"] = "plain"
    pattern_mm: float = 8.0
    pattern_deg: float = 20.0
    pattern_share: float = 0.4
    ink: Rgb = (0.3, 0.3, 0.3)
    gloss: float = 0.0
    roughness_deg: float = 8.0
    crumple_deg: float = 2.0

    def __post_init__(self) -> None:
        need_range(self, 0.0, 1.0, "front", "back", "ink")
        need_range(self, 0.0, 0.3, "texture")
        need_range(self, 0.2, 100.0, "texture_mm", "pattern_mm")
        need_choice(self, ("plain", "stripes", "dots"), "pattern")
        need_range(self, -360.0, 360.0, "pattern_deg")
        need_range(self, 0.05, 0.95, "pattern_share")
        need_range(self, 0.0, 20.0, "gloss")
        need_range(self, 1.0, 60.0, "roughness_deg")
        need_range(self, 0.0, 30.0, "crumple_deg")


@dataclass(frozen=True, kw_only=True)
class Relief:
    """How the folded paper departs from a flat picture. Every effect is off at 0.

    facet_tilt_deg, patch_tilt_deg: standard deviation of the tilt of each facet, and of each small grid triangle in it.
    lift_mm: mean height by which a facet's corners stand off the paper below, on top of its thickness
    (Paper.thickness_mm). rim_lift_mm: the same between the table and the piece. shadow, occlusion: strength of cast
    shadows and of the dimmed light beside steps, 1 = as geometry has it.
    fold_radius_mm: rounding of folds, bright towards the lamp, dark away from it and in grooves.
    crease_deg: mean slope beside an unused grid crease, within crease_mm of width; each line has its own strength, and
    the share crease_valley of them are valleys. crease_wear: mean relative change of the paper's colour along them.
    """

    facet_tilt_deg: float = 1.0
    patch_tilt_deg: float = 0.0
    lift_mm: float = 0.1
    rim_lift_mm: float = 0.3
    shadow: float = 1.0
    occlusion: float = 1.0
    fold_radius_mm: float = 0.15
    crease_deg: float = 0.0
    crease_mm: float = 0.4
    crease_valley: float = 0.3
    crease_wear: float = 0.0

    def __post_init__(self) -> None:
        need_range(self, 0.0, 20.0, "facet_tilt_deg", "patch_tilt_deg")
        need_range(self, 0.0, 5.0, "lift_mm", "rim_lift_mm")
        need_range(self, 0.0, 1.0, "shadow", "occlusion", "crease_valley")
        need_range(self, 0.0, 2.0, "fold_radius_mm")
        need_range(self, 0.0, 45.0, "crease_deg")
        need_range(self, 0.05, 3.0, "crease_mm")
        need_range(self, -0.5, 0.5, "crease_wear")


@dataclass(frozen=True, kw_only=True)
class Ground:
    """The table under the piece. contrast: relative standard deviation of its pattern, grain_mm its coarsest part.

    kind: 'plain' (even whatever the contrast), 'clouds', or 'grain': drawn out along grain_deg, as in wood.
    """

    kind: Literal["plain", "clouds", "grain"] = "plain"
    colour: Rgb = (0.30, 0.24, 0.18)
    contrast: float = 0.1
    grain_mm: float = 12.0
    grain_deg: float = 0.0

    def __post_init__(self) -> None:
        need_choice(self, ("plain", "clouds", "grain"), "kind")
        need_range(self, 0.0, 1.0, "colour")
        need_range(self, 0.0, 0.5, "contrast")
        need_range(self, 0.5, 200.0, "grain_mm")
        need_range(self, -360.0, 360.0, "grain_deg")


@dataclass(frozen=True, kw_only=True)
class Reference:
    """A standard sheet of paper under the piece: A4 is 210 x 297 mm (ISO 216), Letter 215.9 x 279.4 mm.

    turn_deg: its long side against the piece's y axis; centre_mm: its middle in the piece's plane. deviation_mm: how
    much wider and higher this one sheet is; ISO 216 allows +-2 mm on either side. curl_mm: how high its sides stand
    over the table.
    """

    size: Literal["A4", "Letter"] = "A4"
    turn_deg: float = 0.0
    centre_mm: tuple[float, float] = (0.0, 0.0)
    colour: Rgb = (0.86, 0.86, 0.85)
    deviation_mm: tuple[float, float] = (0.0, 0.0)
    curl_mm: float = 0.0

    def __post_init__(self) -> None:
        need_choice(self, ("A4", "Letter"), "size")
        need_range(self, -5.0, 5.0, "deviation_mm")
        need_range(self, 0.0, 10.0, "curl_mm")
        need_range(self, -360.0, 360.0, "turn_deg")
        need_range(self, -1000.0, 1000.0, "centre_mm")
        need_range(self, 0.0, 1.0, "colour")

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the sheet standing upright, its own deviation included."""
        width, height = (210.0, 297.0) if self.size == "A4" else (215.9, 279.4)
        return width + self.deviation_mm[0], height + self.deviation_mm[1]


@dataclass(frozen=True, kw_only=True)
class Thumb:
    """A thumb that holds the piece: where along the rim it comes in from, and how far its tip reaches over it."""

    rim_deg: float = -60.0
    reach_mm: float = 12.0
    width_mm: float = 18.0
    colour: Rgb = (0.52, 0.30, 0.22)

    def __post_init__(self) -> None:
        need_range(self, -360.0, 360.0, "rim_deg")
        need_range(self, -20.0, 100.0, "reach_mm")
        need_range(self, 5.0, 40.0, "width_mm")
        need_range(self, 0.0, 1.0, "colour")

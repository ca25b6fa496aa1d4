"""Settings of how the piece lies, of what lies with it to give the scale, and of the flatbed scanner.

Lengths in mm, angles in degrees counter-clockwise. The reference plane is the table's top, or the glass of a scanner:
the plane of `Truth.map`. What lies with the piece is seen on its face from every side, so its turn is that seen by the
camera before it leans or rolls; its centre is given in the plan's axes. Sizes and tolerances: ISO 216 for A4, ISO/IEC
7810 for cards [from memory].
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from foldtrue.mat import MATS, Mat, MatPaper
from foldtrue.simulate.checked import Rgb, need, need_choice, need_range


@dataclass(frozen=True, kw_only=True)
class Lie:
    """How far the face of the piece stands above the reference plane, towards the camera. All off at 0.

    height_mm: the same everywhere; None = as the layers have it, their mean number times Paper.thickness_mm.
    wave_mm: standard deviation of smooth random waves, several over the piece, drawn with it.
    bulge_mm: middle of the piece above its farthest points, falling with the square of the distance; < 0 a hollow.
    glass: pressed flat under glass: neither waves nor bulge.
    """

    height_mm: float | None = 0.0
    wave_mm: float = 0.0
    bulge_mm: float = 0.0
    glass: bool = False

    def __post_init__(self) -> None:
        if self.height_mm is not None:
            need_range(self, 0.0, 50.0, "height_mm")
        need_range(self, 0.0, 5.0, "wave_mm")
        need_range(self, -20.0, 20.0, "bulge_mm")


@dataclass(frozen=True, kw_only=True)
class MatSheet:
    """The printed mat (mat.py) under the piece, or, against the light, with its free place cut out around it.

    scale: printed / designed length along the mat's x and y. bend_mm: the sheet's middle stands this much above its
    corners; < 0: its corners above the middle. colour, ink: light given back. paper_light, ink_light: share of the
    light that paper and ink let through. cut_mm: paper left standing within the free place when it was cut out.
    """

    paper: MatPaper = "A4"
    scale: tuple[float, float] = (1.0, 1.0)
    centre_mm: tuple[float, float] = (0.0, 0.0)
    turn_deg: float = 0.0
    bend_mm: float = 0.0
    colour: Rgb = (0.86, 0.86, 0.85)
    ink: Rgb = (0.05, 0.05, 0.05)
    paper_light: float = 0.35
    ink_light: float = 0.02
    cut_mm: float = 2.0

    def __post_init__(self) -> None:
        need_choice(self, tuple(MATS), "paper")
        need_range(self, 0.8, 1.25, "scale")
        need_range(self, -1000.0, 1000.0, "centre_mm")
        need_range(self, -360.0, 360.0, "turn_deg")
        need_range(self, -20.0, 20.0, "bend_mm")
        need_range(self, 0.0, 1.0, "colour", "ink", "paper_light", "ink_light")
        need_range(self, 0.0, 20.0, "cut_mm")

    @property
    def mat(self) -> Mat:
        return MATS[self.paper]


@dataclass(frozen=True, kw_only=True)
class Card:
    """A card of size ID-1 (85.60 x 53.98 mm) beside the piece; an invented face is printed on it, or it is blank.

    size_mm, thickness_mm, radius_mm: this one card's own; 85.47 to 85.72 x 53.92 to 54.03, 0.68 to 0.84 and 2.88 to
    3.48 mm are within the standard. turn_deg: its long side against the picture's x axis. colour: its body, ink and
    pale: what is printed. Its shadow is as strong as Relief.shadow says.
    """

    size_mm: tuple[float, float] = (85.60, 53.98)
    thickness_mm: float = 0.76
    radius_mm: float = 3.18
    centre_mm: tuple[float, float] = (110.0, 0.0)
    turn_deg: float = 90.0
    printed: bool = True
    colour: Rgb = (0.10, 0.22, 0.34)
    ink: Rgb = (0.03, 0.03, 0.04)
    pale: Rgb = (0.75, 0.72, 0.60)

    def __post_init__(self) -> None:
        need_range(self, 10.0, 300.0, "size_mm")
        need_range(self, 0.0, 5.0, "thickness_mm")
        need_range(self, 0.0, 0.5 * min(self.size_mm), "radius_mm")
        need_range(self, -1000.0, 1000.0, "centre_mm")
        need_range(self, -360.0, 360.0, "turn_deg")
        need_range(self, 0.0, 1.0, "colour", "ink", "pale")


@dataclass(frozen=True, kw_only=True)
class Scanner:
    """A flatbed scanner, in the camera's place: straight from above everywhere, whatever the height.

    dpi: as the file says. area_mm: width and height scanned, around centre_mm of the piece's plane. roll_deg: how far
    the piece appears turned. stretch: true / stated resolution along the picture's x (the sensor's line) and y (the
    way the carriage goes). Its light is Scene.lamp: a bar beside the line is a lamp at azimuth 90 or -90.
    """

    dpi: float = 300.0
    area_mm: tuple[float, float] = (160.0, 160.0)
    centre_mm: tuple[float, float] = (0.0, 0.0)
    roll_deg: float = 0.0
    stretch: tuple[float, float] = (1.0, 1.0)

    def __post_init__(self) -> None:
        need_range(self, 50.0, 1200.0, "dpi")
        need_range(self, 20.0, 500.0, "area_mm")
        need_range(self, -1000.0, 1000.0, "centre_mm")
        need_range(self, -360.0, 360.0, "roll_deg")
        need_range(self, 0.9, 1.1, "stretch")
        need(self.width_px * self.height_px <= 60e6, "the scan has over 60 megapixels", "Lower dpi or area.")

    @property
    def width_px(self) -> int:
        return math.ceil(self.area_mm[0] / 25.4 * self.dpi)

    @property
    def height_px(self) -> int:
        return math.ceil(self.area_mm[1] / 25.4 * self.dpi)

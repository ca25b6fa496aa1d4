"""Settings of a simulated photo of a pre-creased, unfolded sheet: its errors, its creases, the light."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from foldtrue.handover_grid import CauseCode, GridView
from foldtrue.simulate.checked import Rgb, need, need_choice, need_range
from foldtrue.simulate.scene import Camera, Light, Sensor

Planted = Literal["none", "random", "drift", "turned", "side", "missing"]


@dataclass(frozen=True, kw_only=True)
class GridErrors:
    """What is wrong with the sheet.

    line_mm, line_deg: standard deviations of every line's own offset and angle. side_mm: of every side's place. kind:
    what is planted on top: a drift of `size` mm from one end of direction `family` (0 to 2) to the other, starting at
    `end` (-1 or 1 by the line numbers), a turn of that direction by `size` degrees, a side (number `side`) cut off by
    `size` mm outward, or `count` missing lines.
    """

    line_mm: float = 0.02
    line_deg: float = 0.01
    side_mm: float = 0.03
    kind: Planted = "none"
    size: float = 0.0
    family: int = 0
    end: Literal[-1, 1] = -1
    side: int = 0
    count: int = 0

    def __post_init__(self) -> None:
        need_range(self, 0.0, 1.0, "line_mm", "line_deg", "side_mm")
        need_range(self, -5.0, 5.0, "size")
        need_choice(self, ("none", "random", "drift", "turned", "side", "missing"), "kind")
        need(self.family in (0, 1, 2), f"GridErrors.family is {self.family}", "Use 0, 1 or 2.")
        need(0 <= self.count <= 10, f"GridErrors.count is {self.count}", "Give 0 to 10.")

    @property
    def code(self) -> CauseCode:
        codes: dict[Planted, CauseCode] = {
            "none": "none",
            "random": "random_line_errors",
            "drift": "cumulative_drift",
            "turned": "direction_turned",
            "side": "sheet_out_of_true",
            "missing": "missing_lines",
        }
        return codes[self.kind]


@dataclass(frozen=True, kw_only=True)
class CreaseLook:
    """How creases show. contrast: median height of a line's look, relative to the paper's light; uneven: standard
    deviation of its logarithm from line to line; faint: share of lines of which a long part hardly shows. dark: share
    of dark lines against the light, of mountains under the lamp. width_mm: Gaussian width. core: height of the even
    part of a raked crease, by its odd part. broad, broad_mm: share and Gaussian width of the swelling beside it."""

    contrast: float = 0.08
    uneven: float = 0.5
    faint: float = 0.2
    dark: float = 0.5
    width_mm: float = 0.14
    core: float = 0.0
    broad: float = 0.1
    broad_mm: float = 1.0

    def __post_init__(self) -> None:
        need_range(self, 0.0, 1.0, "contrast", "faint", "dark", "broad")
        need_range(self, 0.0, 2.0, "uneven")
        need_range(self, 0.03, 2.0, "width_mm")
        need_range(self, 0.2, 5.0, "broad_mm")
        need_range(self, -1.0, 1.0, "core")


@dataclass(frozen=True, kw_only=True)
class SheetScene:
    """One photo of a sheet. paper: its light, by channel, through it or off it; around: light of what lies around it.
    clouds, clouds_mm: relative standard deviation of the paper's unevenness and its coarsest size. lamp_deg: where the
    raking lamp stands, ccw from the photo's right. shadow: darkening beside the sides that face away from it."""

    seed: int = 0
    view: GridView = "backlit"
    errors: GridErrors = field(default_factory=GridErrors)
    look: CreaseLook = field(default_factory=CreaseLook)
    camera: Camera = field(default_factory=Camera)
    light: Light = field(default_factory=lambda: Light(exposure=1.0))
    sensor: Sensor = field(default_factory=Sensor)
    paper: Rgb = (0.6, 0.59, 0.55)
    around: Rgb = (1.6, 1.6, 1.55)
    clouds: float = 0.03
    clouds_mm: float = 8.0
    lamp_deg: float = 150.0
    shadow: float = 0.0

    def __post_init__(self) -> None:
        need_choice(self, ("backlit", "front"), "view")
        need_range(self, 0.0, 3.0, "paper", "around")
        need_range(self, 0.0, 0.5, "clouds")
        need_range(self, 0.0, 0.9, "shadow")


_KINDS: tuple[Planted, ...] = ("none", "random", "drift", "turned", "side", "missing")


def grid_scene(seed: int, width_px: int = 2400) -> SheetScene:
    """A plausible photo of a pre-creased sheet, drawn at random: view, light, creases, and one kind of error in turn.

    width_px: of the photo, 4 : 3. A planted drift, turn or side is at least three times the lines' own scatter."""
    rng = np.random.default_rng([seed, 77])
    view: GridView = "backlit" if rng.random() < 0.5 else "front"
    kind = _KINDS[seed % len(_KINDS)]
    bright = view == "front" and bool(rng.random() < 0.25)
    paper, around = _tones(rng, view, bright)
    return SheetScene(
        seed=seed,
        view=view,
        errors=_errors(rng, kind),
        look=_look(rng, view),
        camera=_camera(rng, width_px),
        light=_light(rng),
        sensor=_sensor(rng, width_px),
        paper=paper,
        around=around,
        clouds=float(rng.uniform(0.01, 0.035)),
        clouds_mm=float(rng.uniform(4.0, 12.0)),
        lamp_deg=float(rng.uniform(0.0, 360.0)),
        shadow=float(rng.uniform(0.0, 0.4)) if view == "front" else 0.0,
    )


def _look(rng: np.random.Generator, view: GridView) -> CreaseLook:
    return CreaseLook(
        contrast=float(rng.uniform(0.05, 0.14)) if view == "backlit" else float(rng.uniform(0.12, 0.3)),
        uneven=float(rng.uniform(0.3, 0.6)),
        faint=float(rng.uniform(0.1, 0.35)),
        dark=float(rng.uniform(0.25, 0.75)),
        width_mm=float(rng.uniform(0.1, 0.22)),
        core=float(rng.uniform(-0.15, 0.15)),
        broad=float(rng.uniform(0.0, 0.2)),
        broad_mm=float(rng.uniform(0.8, 1.3)),
    )


def _camera(rng: np.random.Generator, width_px: int) -> Camera:
    return Camera(
        width_px=width_px,
        height_px=width_px * 3 // 4,
        focal_35mm=float(rng.choice([26.0, 35.0, 52.0, 77.0])),
        fill=float(rng.uniform(0.78, 0.92)),
        tilt_deg=float(rng.uniform(0.0, 12.0)),
        tilt_axis_deg=float(rng.uniform(0.0, 360.0)),
        roll_deg=float(rng.uniform(-14.0, 14.0)),
        k1=float(rng.choice([0.0, 0.0, rng.uniform(-0.05, 0.05)])),
    )


def _light(rng: np.random.Generator) -> Light:
    return Light(
        exposure=1.0,
        gradient=float(rng.uniform(-0.15, 0.15)),
        gradient_deg=float(rng.uniform(0, 360)),
        falloff=float(rng.uniform(0.0, 0.1)),
        vignette=float(rng.uniform(0.1, 0.4)),
    )


def _sensor(rng: np.random.Generator, width_px: int) -> Sensor:
    return Sensor(
        blur_px=float(rng.uniform(0.8, 1.4)) * width_px / 2400 + 0.3,
        full_well_e=float(rng.uniform(3500, 9000)),
        jpeg_quality=int(rng.integers(75, 96)),
    )


def _tones(rng: np.random.Generator, view: GridView, bright: bool) -> tuple[Rgb, Rgb]:
    warm = float(rng.uniform(0.85, 1.0))
    if view == "backlit":
        level = float(rng.uniform(0.35, 0.7))
        return (level, 0.98 * level, warm * level), (1.5, 1.5, 1.4)
    level = float(rng.uniform(0.45, 0.85)) if not bright else float(rng.uniform(0.25, 0.4))
    table = float(rng.uniform(0.05, 0.2)) if not bright else float(rng.uniform(0.6, 0.8))
    return (level, 0.95 * level, warm * 0.9 * level), (table, 1.05 * table, table)


def _errors(rng: np.random.Generator, kind: Planted) -> GridErrors:
    line = float(rng.uniform(0.015, 0.035))
    sign = float(rng.choice([-1.0, 1.0]))
    size = {"drift": rng.uniform(0.4, 1.2), "turned": rng.uniform(0.15, 0.4), "side": rng.uniform(0.6, 1.2)}.get(
        kind, 0.0
    )
    wild = kind == "random"
    return GridErrors(
        line_mm=float(rng.uniform(0.12, 0.18)) if wild else line,
        line_deg=float(rng.uniform(0.06, 0.1)) if wild else 0.5 * line,
        kind=kind,
        size=sign * float(size),
        family=int(rng.integers(3)),
        end=-1 if rng.random() < 0.5 else 1,
        side=int(rng.integers(6)),
        count=int(rng.integers(1, 4)) if kind == "missing" else 0,
    )

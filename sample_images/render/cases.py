"""The invented studio's pieces and how each is pictured. Everything drawn at random starts from the seeds here."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import surfaces
from camera import Camera
from develop import Develop
from honeycomb import Layout
from misfold import Errors
from scene import Lamp, PaperLook, Setting


@dataclass(frozen=True)
class Piece:
    """One folded piece. name: of the plan; waves: (height, length) mm of its slow waves; creases_share, clouds_share:
    of its paper, see `surfaces.paper`."""

    name: str
    layout: Layout
    errors: Errors
    look: PaperLook
    waves_mm: tuple[float, float]
    seed: int
    creases_share: float = 1.0
    clouds_share: float = 1.0


@dataclass(frozen=True)
class Case:
    """One picture of a piece. side: facing the camera; view: as foldtrue names it; samples per pixel, longest path."""

    piece: Piece
    side: str
    view: str
    setting: Setting
    camera: Camera
    develop: Develop
    samples: int
    depth: int
    about: str
    seed: int


IVORY = PaperLook(back=(0.485, 0.475, 0.45), through=(0.475, 0.465, 0.435))
BLUE = PaperLook(back=(0.30, 0.40, 0.49), through=(0.34, 0.41, 0.45))

LANTERN = Piece(
    "lantern panel of an invented studio",
    Layout(240.0, 16, 2, 2),
    Errors(loose={"t9": (0.25, -0.2, 1.8), "t16": (-0.3, 0.1, -1.2)}),
    IVORY,
    (0.16, 60.0),
    11,
)
PORCH = Piece(
    "porch panel of an invented studio",
    Layout(240.0, 24, 3, 2),
    Errors(turn_deg=0.6, loose={"t4": (0.3, 0.25, 2.0)}),
    BLUE,
    (0.2, 70.0),
    12,
)

WINDOW = Lamp((600.0, 900.0), 1500.0, 155.0, 20.0, (3.6, 3.67, 3.89))
DESK_LAMP = Lamp((110.0, 110.0), 520.0, 40.0, 38.0, (30.0, 26.5, 21.5))
OAK = ((0.46, 0.29, 0.15), (0.24, 0.13, 0.06))
WALNUT = ((0.20, 0.12, 0.07), (0.08, 0.045, 0.025))


def by_window(texture: np.ndarray, turn: float) -> Setting:
    return Setting("table", texture, 900.0, turn, 0.0, (0.13, 0.135, 0.15), (WINDOW,))


def by_lamp(texture: np.ndarray, turn: float) -> Setting:
    return Setting("table", texture, 900.0, turn, 0.0, (0.16, 0.15, 0.14), (DESK_LAMP,))


def camera(*view: float, aim_mm: tuple[float, float] = (0.0, 0.0)) -> Camera:
    """view: focal length, distance, tilt, its axis, roll."""
    return Camera(2400, 1800, *view, aim_mm=aim_mm)


def cases() -> dict[str, Case]:
    """Folder name -> picture."""
    return {**lantern_cases(), **porch_cases()}


def lantern_cases() -> dict[str, Case]:
    oak, grey = surfaces.wood(1, 2048, *OAK), surfaces.stone(2, 2048, (0.16, 0.165, 0.17))
    light_pad = Setting("glow", np.ones((8, 8, 3), np.float32), 330.0, 3.0, 0.05, (0.012, 0.012, 0.012))
    return {
        "lantern-front": Case(
            LANTERN, "front", "front", by_window(oak, 20.0), camera(52.0, 310.0, 6.0, 250.0, 9.0, aim_mm=(4.0, -3.0)),
            Develop(0.24, white=(1.0, 0.99, 0.96)), 6, 10, "by a window, on an oak table", 31,
        ),
        "lantern-back": Case(
            LANTERN, "back", "back", by_lamp(grey, 0.0), camera(48.0, 330.0, 4.5, 30.0, -7.0),
            Develop(0.50, white=(0.93, 1.0, 1.2), orientation=6), 6, 10, "under a desk lamp, on a grey worktop", 32,
        ),
        "lantern-backlit": Case(
            LANTERN, "front", "backlit", light_pad, camera(52.0, 320.0, 5.0, 120.0, 5.0, aim_mm=(-3.0, 2.0)),
            Develop(0.30), 24, 64, "on a light pad in a dim room", 33,
        ),
    }  # fmt: skip


def porch_cases() -> dict[str, Case]:
    walnut, pale = surfaces.wood(3, 2048, *WALNUT), surfaces.stone(4, 2048, (0.55, 0.54, 0.51))
    window = Setting("glow", surfaces.pane(22), 1200.0, 0.0, 15.0, (0.03, 0.03, 0.03))
    return {
        "porch-front": Case(
            PORCH, "front", "front", by_lamp(walnut, 75.0), camera(52.0, 400.0, 7.0, 310.0, -12.0, aim_mm=(2.0, 5.0)),
            Develop(0.40, white=(0.93, 1.0, 1.2)), 6, 10, "under a desk lamp, on a walnut table", 34,
        ),
        "porch-back": Case(
            PORCH, "back", "back", by_window(pale, 0.0), camera(46.0, 380.0, 5.5, 190.0, 14.0, aim_mm=(-4.0, 0.0)),
            Develop(0.20), 6, 10, "by a window, on a pale worktop", 35,
        ),
        "porch-backlit": Case(
            PORCH, "front", "backlit", window, camera(52.0, 420.0, 8.0, 60.0, -8.0, aim_mm=(3.0, -2.0)),
            Develop(0.46), 16, 64, "hung before a frosted window pane", 36,
        ),
    }  # fmt: skip

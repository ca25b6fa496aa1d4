"""How high the face of the piece stands: a level, a bulge and smooth random waves."""

from __future__ import annotations

import math

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import Nominal
from foldtrue.simulate.camera import Pinhole
from foldtrue.simulate.scene import Scene

_WAVES = 12
_LENGTHS = (0.3, 0.8)  # of the waves, in diameters of the piece


def level_mm(nominal: Nominal, scene: Scene) -> float:
    """Mean height of the face over the reference plane: as set, or mean number of layers x thickness of the paper."""
    if scene.lie.height_mm is not None:
        return scene.lie.height_mm
    return _area(nominal.sheet_outline_mm) / _area(nominal.outline_mm) * scene.paper.thickness_mm


def heights_mm(nominal: Nominal, vertices_mm: Array, scene: Scene) -> Array:
    """(V,) height of every vertex over the reference plane, towards the camera.

    All folds that meet at one place have one height: layers are not told apart.
    """
    lie = scene.lie
    height = np.full(len(vertices_mm), level_mm(nominal, scene), float)
    if lie.glass:
        return height
    arm = vertices_mm - nominal.outline_mm.mean(axis=0)
    reach = float(np.hypot(*arm.T).max())
    height += lie.bulge_mm * (1 - (arm**2).sum(axis=1) / reach**2)
    height += lie.wave_mm * _waves(arm / (2 * reach), np.random.default_rng([scene.piece_seed, 14]))
    return height


def as_seen(nominal: Nominal, vertices_mm: Array, pinhole: Pinhole, scene: Scene) -> Array:
    """(V, 2) places of the reference plane at which the camera sees the vertices: their parallax put on."""
    return pinhole.seen_at(vertices_mm, heights_mm(nominal, vertices_mm, scene))


def _waves(places: Array, rng: np.random.Generator) -> Array:
    """(N,) sum of plane waves of mean square 1; places (N, 2) in diameters."""
    length, heading = rng.uniform(*_LENGTHS, _WAVES), rng.uniform(0, 2 * math.pi, _WAVES)
    phase = rng.uniform(0, 2 * math.pi, _WAVES)
    along = places @ np.array([np.cos(heading), np.sin(heading)])
    return np.asarray(math.sqrt(2 / _WAVES) * np.sin(2 * math.pi * along / length + phase).sum(axis=1))


def _area(outline: Array) -> float:
    x, y = outline.T
    return abs(float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))) / 2

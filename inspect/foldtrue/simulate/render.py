"""Step 'simulate': a plan and a scene become a photo whose truth is known exactly.

It shares no code with the measuring steps beyond the types of handover.py and frames.py: it draws with a camera and a
geometry of its own, so that a mistake of the measuring side cannot cancel.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np

from foldtrue.errors import UsageError
from foldtrue.frames import Array
from foldtrue.handover import Nominal, Simulated, Truth
from foldtrue.simulate.arrangement import Pieces, cut_at_crossings, nudged
from foldtrue.simulate.backlight import light_through
from foldtrue.simulate.camera import Pinhole, camera_at
from foldtrue.simulate.daylight import light_back
from foldtrue.simulate.develop import photo_backlit, photo_lit
from foldtrue.simulate.heights import as_seen, level_mm
from foldtrue.simulate.piece import errors_applied
from foldtrue.simulate.references import references_truth
from foldtrue.simulate.rims import beyond_creases, split_at_creases
from foldtrue.simulate.scene import Scene
from foldtrue.simulate.scenery import thumb_in_photo
from foldtrue.simulate.sensor import Codes, as_photo, written

_Drawn = tuple[Nominal, Array, Pieces]
"""The plan with the facets that are drawn, where their corners are seen, and the arrangement of their edges."""


def simulate_photo(nominal: Nominal, scene: Scene) -> Simulated:
    """Draw the planned piece with the scene's errors and photograph it.

    The light is exact for flat, infinitely thin paper: backlit, every pixel holds the mean, over its area, of the
    Kubelka-Munk light of the layers above it; from the front or the back, the mean light of the facets on top.
    Thickness enters as scatter, shadows, rounded folds, and as the parallax of Scene.lie.

    Returns the photo as a reader would see it, the file (`jpeg`, whatever Sensor.file is), and the truth: vertices
    (V, 2) of the piece laid flat, all twists' tips in px of the upright photo where they are seen, the map of the
    reference plane mm -> px, and every setting together with what follows from them: distance_mm (None for a scanner),
    piece_height_mm, and where things of known size lie (references.references_truth).
    Same plan and scene, same bytes.
    Raises UsageError when the scene cannot be drawn (camera inside the piece, unknown twist, lens folding over).
    """
    pinhole = camera_at(scene, diameter(nominal.vertices_mm))
    vertices, seen, drawn = _piece(nominal, pinhole, scene)
    pixels = _photographed(*drawn, pinhole, scene)
    jpeg = written(pixels, scene.camera, scene.sensor)
    truth = Truth(
        vertices_mm=vertices,
        tips_px=tuple(pinhole.project(seen[list(twist.tips)]) for twist in nominal.twists),
        map=pinhole.plane_map(),
        settings=_settings(nominal, pinhole, scene),
    )
    return Simulated(photo=as_photo(jpeg, scene.camera, scene.sensor), jpeg=jpeg, truth=truth)


def _piece(nominal: Nominal, pinhole: Pinhole, scene: Scene) -> tuple[Array, Array, _Drawn]:
    """The vertices (V, 2) as they are and as they are seen, and what is drawn."""
    wanted = errors_applied(nominal, scene.errors, np.random.default_rng([scene.piece_seed, 1]))
    for attempt in range(5):
        vertices = nudged(wanted, scene.piece_seed, attempt)
        seen = as_seen(nominal, vertices, pinhole, scene)
        try:
            return vertices, seen, _drawn(nominal, seen, scene, attempt)
        except ValueError:  # two crossings nearer than rounding: a larger nudge parts them
            continue
    raise UsageError("Scene: the piece's edges cannot be told apart.", "Use smaller errors or another seed.")


def _drawn(nominal: Nominal, seen: Array, scene: Scene, attempt: int) -> _Drawn:
    if not any(scene.paper.rim_mm):
        return nominal, seen, cut_at_crossings(seen, nominal.facets)
    beyond = beyond_creases(nominal, scene.paper.rim_mm)
    return split_at_creases(nominal, seen, beyond, scene.piece_seed, attempt)


def _photographed(nominal: Nominal, vertices_mm: Array, pieces: Pieces, pinhole: Pinhole, scene: Scene) -> Codes:
    """(H, W, 3) codes of the upright photo."""
    if scene.view == "backlit":
        window, channels = light_through(nominal, vertices_mm, pieces, pinhole, scene)
        return photo_backlit(window, channels, pinhole, scene)
    thumb = None if scene.thumb is None else thumb_in_photo(scene.thumb, nominal.outline_mm, pinhole, scene)
    return photo_lit(light_back(nominal, vertices_mm, pieces, pinhole, scene), thumb, pinhole, scene)


def _settings(nominal: Nominal, pinhole: Pinhole, scene: Scene) -> dict[str, Any]:
    """Every setting of the scene, and what follows from them."""
    settings = dataclasses.asdict(scene)
    settings["camera"]["side"] = scene.side
    settings["distance_mm"] = pinhole.distance_mm if math.isfinite(pinhole.distance_mm) else None
    settings["piece_height_mm"] = level_mm(nominal, scene)
    return settings | references_truth(pinhole, scene)


def diameter(points: Array) -> float:
    """Largest distance across (V, 2) points, to within the spacing of 180 directions."""
    angle = np.radians(np.arange(180))
    reach = points @ np.array([np.cos(angle), np.sin(angle)])
    return float(np.ptp(reach, axis=0).max())

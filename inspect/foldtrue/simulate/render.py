"""Step 'simulate': a plan and a scene become a photo whose truth is known exactly.

It shares no code with the measuring steps beyond the types of handover.py and frames.py: it draws with a camera and a
geometry of its own, so that a mistake of the measuring side cannot cancel.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from foldtrue.errors import UsageError
from foldtrue.frames import Array
from foldtrue.handover import Nominal, Simulated, Truth
from foldtrue.simulate.arrangement import Pieces, cut_at_crossings, nudged
from foldtrue.simulate.backlight import light_through
from foldtrue.simulate.camera import Pinhole
from foldtrue.simulate.daylight import light_back
from foldtrue.simulate.develop import photo_backlit, photo_lit
from foldtrue.simulate.piece import errors_applied
from foldtrue.simulate.scene import Scene
from foldtrue.simulate.scenery import reference_corners, thumb_in_photo
from foldtrue.simulate.sensor import Codes, as_photo, written


def simulate_photo(nominal: Nominal, scene: Scene) -> Simulated:
    """Draw the planned piece with the scene's errors and photograph it.

    The light is exact for flat, infinitely thin paper: backlit, every pixel holds the mean, over its area, of the
    Kubelka-Munk light of the layers above it; from the front or the back, the mean light of the facets on top.
    Thickness enters as scatter, shadows and rounded folds only; parallax is left out.

    Returns the photo as a reader would see it, the JPEG file, and the truth: vertices (V, 2) as drawn, all twists' tips
    in px of the upright photo, the map mm -> px and every setting (with reference_corners_px, counter-clockwise in the
    piece's plane from the sheet's lower left corner, where a sheet lies under the piece).
    Same plan and scene, same bytes.
    Raises UsageError when the scene cannot be drawn (camera inside the piece, unknown twist, lens folding over).
    """
    pinhole = Pinhole(scene.camera, _diameter(nominal.vertices_mm), scene.side)
    vertices, pieces = _piece(nominal, scene)
    pixels = _photographed(nominal, vertices, pieces, pinhole, scene)
    jpeg = written(pixels, scene.camera, scene.sensor)
    truth = Truth(
        vertices_mm=vertices,
        tips_px=tuple(pinhole.project(vertices[list(twist.tips)]) for twist in nominal.twists),
        map=pinhole.plane_map(),
        settings=_settings(scene, pinhole),
    )
    return Simulated(photo=as_photo(jpeg, scene.camera, scene.sensor), jpeg=jpeg, truth=truth)


def _piece(nominal: Nominal, scene: Scene) -> tuple[Array, Pieces]:
    """The vertices (V, 2) as drawn and the arrangement of the edges between them."""
    wanted = errors_applied(nominal, scene.errors, np.random.default_rng([scene.piece_seed, 1]))
    for attempt in range(5):
        vertices = nudged(wanted, scene.piece_seed, attempt)
        try:
            return vertices, cut_at_crossings(vertices, nominal.facets)
        except ValueError:  # two crossings nearer than rounding: a larger nudge parts them
            continue
    raise UsageError("Scene: the piece's edges cannot be told apart.", "Use smaller errors or another seed.")


def _photographed(nominal: Nominal, vertices_mm: Array, pieces: Pieces, pinhole: Pinhole, scene: Scene) -> Codes:
    """(H, W, 3) codes of the upright photo."""
    if scene.view == "backlit":
        window, channels = light_through(nominal, vertices_mm, pieces, pinhole, scene)
        return photo_backlit(window, channels, pinhole, scene)
    thumb = None if scene.thumb is None else thumb_in_photo(scene.thumb, nominal.outline_mm, pinhole, scene)
    return photo_lit(light_back(nominal, vertices_mm, pieces, pinhole, scene), thumb, pinhole, scene)


def _settings(scene: Scene, pinhole: Pinhole) -> dict[str, Any]:
    """Every setting of the scene, and what follows from them: distance, side, corners of the sheet under the piece."""
    settings = dataclasses.asdict(scene)
    settings["camera"]["side"] = scene.side
    settings["distance_mm"] = pinhole.distance_mm
    if scene.view != "backlit" and scene.reference is not None:
        corners = pinhole.project(reference_corners(scene.reference))
        settings["reference_corners_px"] = tuple((float(x), float(y)) for x, y in corners)
    return settings


def _diameter(points: Array) -> float:
    """Largest distance across (V, 2) points, to within the spacing of 180 directions."""
    angle = np.radians(np.arange(180))
    reach = points @ np.array([np.cos(angle), np.sin(angle)])
    return float(np.ptp(reach, axis=0).max())

"""Step 'simulate': a plan and a scene become a photo whose truth is known exactly.

It shares no code with the measuring steps beyond the types of handover.py and frames.py: it draws with a camera and a
geometry of its own, so that a mistake of the measuring side cannot cancel.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from foldtrue.errors import UsageError
from foldtrue.frames import Array, rotation
from foldtrue.handover import Nominal, Simulated, Truth
from foldtrue.simulate.arrangement import Pieces, cut_at_crossings, nudged
from foldtrue.simulate.backlight import light_through
from foldtrue.simulate.camera import Pinhole
from foldtrue.simulate.light import illumination
from foldtrue.simulate.piece import errors_applied
from foldtrue.simulate.raster import Image, Window, cells_of
from foldtrue.simulate.scene import Light, Scene
from foldtrue.simulate.sensor import Codes, as_photo, encoded, exposed, written

_STRIP_ROWS = 256  # part of the noise's seeding: changing it changes the pictures


def simulate_photo(nominal: Nominal, scene: Scene) -> Simulated:
    """Draw the planned piece with the scene's errors and photograph it.

    The light is exact for flat, infinitely thin paper: every pixel holds the mean, over its area, of the Kubelka-Munk
    light of the layers above it. Thickness enters as scatter only; relief and parallax are left out.

    Returns the photo as a reader would see it, the JPEG file, and the truth: vertices (V, 2) as drawn, all twists' tips
    in px of the upright photo, the map mm -> px and every setting. Same plan and scene, same bytes.
    Raises UsageError when the scene cannot be drawn (camera inside the piece, unknown twist, lens folding over).
    """
    pinhole = Pinhole(scene.camera, _diameter(nominal.vertices_mm))
    vertices, pieces = _piece(nominal, scene)
    window, channels = light_through(nominal, vertices, pieces, pinhole, scene)
    pixels = _photographed(window, channels, pinhole, scene)
    jpeg = written(pixels, scene.camera, scene.sensor)
    truth = Truth(
        vertices_mm=vertices,
        tips_px=tuple(pinhole.project(vertices[list(twist.tips)]) for twist in nominal.twists),
        map=pinhole.plane_map(),
        settings={**dataclasses.asdict(scene), "distance_mm": pinhole.distance_mm},
    )
    return Simulated(photo=as_photo(jpeg, scene.camera, scene.sensor), jpeg=jpeg, truth=truth)


def _piece(nominal: Nominal, scene: Scene) -> tuple[Array, Pieces]:
    """The vertices (V, 2) as drawn and the arrangement of the edges between them."""
    seed = scene.seed if scene.errors.seed is None else scene.errors.seed
    wanted = errors_applied(nominal, scene.errors, np.random.default_rng([seed, 1]))
    for attempt in range(5):
        vertices = nudged(wanted, seed, attempt)
        try:
            return vertices, cut_at_crossings(vertices, nominal.facets)
        except ValueError:  # two crossings nearer than rounding: a larger nudge parts them
            continue
    raise UsageError("Scene: the piece's edges cannot be told apart.", "Use smaller errors or another seed.")


def _photographed(window: Window, channels: list[Image], pinhole: Pinhole, scene: Scene) -> Codes:
    """(H, W, 3) codes of the whole photo, strip by strip: table, illumination, exposure, noise, tone curve."""
    width, height = scene.camera.width_px, scene.camera.height_px
    x0, x1 = max(window.x, 0), min(window.x + window.width, width)
    y0, y1 = max(window.y, 0), min(window.y + window.height, height)
    colour = np.asarray(scene.light.tint, np.float32) * np.float32(scene.light.exposure)
    mean = _mean_light(channels, width * height)
    rng = np.random.default_rng([scene.seed, 2])
    pixels = np.empty((height, width, 3), np.uint8)
    for top in range(0, height, _STRIP_ROWS):
        rows = (top, min(top + _STRIP_ROWS, height))
        even = illumination(scene.camera, scene.light, rows) * _table(pinhole, scene, rows)
        a, b = max(rows[0], y0), min(rows[1], y1)
        for k in range(3):
            channel = channels[min(k, len(channels) - 1)]
            light = np.ones((rows[1] - rows[0], width), np.float32)
            if a < b and x0 < x1:
                part = channel[a - window.y : b - window.y, x0 - window.x : x1 - window.x]
                light[a - rows[0] : b - rows[0], x0:x1] = part
            light *= even
            if scene.light.glare > 0:
                light += np.float32(scene.light.glare) * (mean[min(k, len(mean) - 1)] - light)
            pixels[rows[0] : rows[1], :, k] = encoded(exposed(light * colour[k], scene.sensor, rng), scene.sensor.tone)
    return pixels


def _mean_light(channels: list[Image], area_px: int) -> list[np.float32]:
    """Mean light of the photo by channel, the table outside the piece's window taken as 1."""
    return [np.float32(1 + (float(np.mean(c)) - 1) * min(1.0, c.size / area_px)) for c in channels]


def _table(pinhole: Pinhole, scene: Scene, rows: tuple[int, int]) -> Image:
    """(rows, width) 1 on the lit table, the room's light outside, its edge blurred by the optics."""
    import cv2

    light, width = scene.light, scene.camera.width_px
    if light.table_mm is None:
        return np.ones((1, 1), np.float32)
    reach = int(5 * scene.sensor.blur_px) + 2
    window = Window(-reach, rows[0] - reach, width + 2 * reach, rows[1] - rows[0] + 2 * reach)
    corners = window.corner_coordinates(pinhole.project(_table_rim(light)))
    start, end = corners, np.roll(corners, -1, axis=0)
    inside = cells_of(start, end, window.height, window.width)
    weight = np.full(len(start), float(-pinhole.handedness))
    lit = inside.accumulated(weight, (0, window.height), window.width)
    blurred = cv2.GaussianBlur(lit, (0, 0), scene.sensor.blur_px)[reach:-reach, reach:-reach]
    return np.asarray(light.room + (1 - light.room) * blurred, dtype=np.float32)


def _table_rim(light: Light) -> Array:
    """(N, 2) mm along the lit table's rim, counter-clockwise, in steps short enough for the lens to bend."""
    half = 0.5 * np.array(light.table_mm)
    corners = half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    a, b = corners, np.roll(corners, -1, axis=0)
    at = (np.arange(64) / 64)[None, :, None]
    rim = (a[:, None] + at * (b - a)[:, None]).reshape(-1, 2)
    return np.asarray(rim @ rotation(light.table_deg).T + light.table_centre_mm)


def _diameter(points: Array) -> float:
    """Largest distance across (V, 2) points, to within the spacing of 180 directions."""
    angle = np.radians(np.arange(180))
    reach = points @ np.array([np.cos(angle), np.sin(angle)])
    return float(np.ptp(reach, axis=0).max())

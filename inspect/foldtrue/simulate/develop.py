"""From the piece's light to the photo's pixels, strip by strip: surroundings, lens, exposure, noise, tone curve."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from foldtrue.frames import Array, rotation
from foldtrue.simulate.camera import Pinhole
from foldtrue.simulate.daylight import LitPiece
from foldtrue.simulate.light import illumination
from foldtrue.simulate.raster import Image, Window
from foldtrue.simulate.references import mat_against_light, things_on_table
from foldtrue.simulate.scene import Light, Scene
from foldtrue.simulate.scenery import ThumbInPhoto, covered, ground_texture, reference_seen_at
from foldtrue.simulate.sensor import Codes, encoded, exposed
from foldtrue.simulate.shapes import laid_over, pasted

_STRIP_ROWS = 256  # part of the noise's seeding: changing it changes the pictures

Rows = tuple[int, int]
Strip = Callable[[Rows], list[Image]]


def photo_backlit(window: Window, channels: list[Image], pinhole: Pinhole, scene: Scene) -> Codes:
    """(H, W, 3) codes of the whole photo: the piece's channels (height, width) in the window, the lit table around."""
    frame = [] if scene.mat is None else [mat_against_light(scene.mat, pinhole, scene)]

    def strip(rows: Rows) -> list[Image]:
        even = _lit_table(pinhole, scene, rows)
        around = laid_over([np.ones((1, 1), np.float32)], frame, rows, scene.camera.width_px)[0]
        seen = [pasted(channel, window, rows, scene.camera.width_px) for channel in channels]
        return [seen[min(k, len(seen) - 1)] * (even * around) for k in range(3)]

    exposure = np.asarray(scene.light.tint, np.float32) * np.float32(scene.light.exposure)
    area = scene.camera.width_px * scene.camera.height_px
    mean = [np.float32(1 + (float(np.mean(c)) - 1) * min(1.0, c.size / area)) for c in channels]
    return _developed(strip, exposure, [mean[min(k, len(mean) - 1)] for k in range(3)], scene)


def photo_lit(piece: LitPiece, thumb: ThumbInPhoto | None, pinhole: Pinhole, scene: Scene) -> Codes:
    """(H, W, 3) codes of the whole photo: the piece on its table, a sheet under it and a thumb over it, if any."""
    texture = ground_texture(scene, pinhole, np.random.default_rng([scene.seed, 12]))
    width, reference = scene.camera.width_px, scene.reference
    corners = None if reference is None else reference_seen_at(reference, pinhole)
    lying = things_on_table(pinhole, scene)

    def strip(rows: Rows) -> list[Image]:
        even = texture[rows[0] : rows[1]] if len(texture) > 1 else texture
        sheet = None if corners is None else covered(corners, pinhole, scene, rows)
        table = pasted(piece.table, piece.window, rows, width)
        papers = [(colour, pasted(light, piece.window, rows, width, 0.0)) for colour, light in piece.papers]
        grounds = []
        for k in range(3):
            ground = even * np.float32(scene.ground.colour[k])
            if sheet is not None and reference is not None:
                ground = ground + sheet * (np.float32(reference.colour[k]) - ground)
            grounds.append(ground)
        channels = [
            sum((light * np.float32(c[k]) for c, light in papers), start=ground * table)
            for k, ground in enumerate(laid_over(grounds, lying, rows, width))
        ]
        return channels if thumb is None else thumb.laid_over(channels, rows)

    exposure = np.asarray(scene.lamp.tint, np.float32) * np.float32(scene.lamp.exposure)
    return _developed(strip, exposure, _mean_lit(piece, scene), scene)


def _developed(strip: Strip, exposure: Image, mean: list[np.float32], scene: Scene) -> Codes:
    """Codes of all strips. exposure, mean: by channel, what the sensor makes of light 1 and the photo's mean light."""
    width, height = scene.camera.width_px, scene.camera.height_px
    rng = np.random.default_rng([scene.seed, 2])
    pixels = np.empty((height, width, 3), np.uint8)
    for top in range(0, height, _STRIP_ROWS):
        rows = (top, min(top + _STRIP_ROWS, height))
        even = illumination(scene.camera, scene.light, rows)
        for k, light in enumerate(strip(rows)):
            light *= even
            if scene.light.glare > 0:
                light += np.float32(scene.light.glare) * (mean[k] - light)
            pixels[rows[0] : rows[1], :, k] = encoded(
                exposed(light * exposure[k], scene.sensor, rng), scene.sensor.tone
            )
    return pixels


def _mean_lit(piece: LitPiece, scene: Scene) -> list[np.float32]:
    """Mean light of the photo by channel: the piece in its window, the plain table elsewhere."""
    share = min(1.0, piece.table.size / (scene.camera.width_px * scene.camera.height_px))
    table = 1 + (float(np.mean(piece.table)) - 1) * share
    mean = [c * table for c in scene.ground.colour]
    for colour, light in piece.papers:
        mean = [m + c * share * float(np.mean(light)) for m, c in zip(mean, colour, strict=True)]
    return [np.float32(m) for m in mean]


def _lit_table(pinhole: Pinhole, scene: Scene, rows: Rows) -> Image:
    """(rows, width) 1 on the lit table, the room's light outside, its edge blurred by the optics."""
    light = scene.light
    if light.table_mm is None:
        return np.ones((1, 1), np.float32)
    lit = covered(_table_corners(light), pinhole, scene, rows)
    return np.asarray(light.room + (1 - light.room) * lit, dtype=np.float32)


def _table_corners(light: Light) -> Array:
    """(4, 2) mm of the lit table, counter-clockwise."""
    half = 0.5 * np.array(light.table_mm)
    corners = half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    return np.asarray(corners @ rotation(light.table_deg).T + light.table_centre_mm)

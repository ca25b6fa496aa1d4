"""What lies around the piece in front and back views: the table, a sheet of standard size under it, a thumb."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array, rotation
from foldtrue.simulate.camera import Pinhole
from foldtrue.simulate.lit import Ground, Reference, Thumb
from foldtrue.simulate.paper import clouds
from foldtrue.simulate.raster import Image, Window, cells_of
from foldtrue.simulate.scene import Scene
from foldtrue.simulate.shading import towards_lamp

_DRAWN_OUT = 9.0  # how much longer than wide the grain of wood is
_THUMB_HEIGHT_MM = 6.0


def ground_texture(scene: Scene, pinhole: Pinhole, rng: np.random.Generator) -> Image:
    """(H, W) factor on the table's colour; (1, 1) where it is even. Drawn at half the photo's resolution."""
    import cv2

    ground, camera = scene.ground, scene.camera
    if ground.kind == "plain" or ground.contrast == 0:
        return np.ones((1, 1), np.float32)
    width, height = (camera.width_px + 1) // 2, (camera.height_px + 1) // 2
    coarsest = max(0.5 * ground.grain_mm * pinhole.scale_px_mm, 2.0)
    if ground.kind == "clouds":
        field = clouds((height, width), coarsest, 1.0, rng)
    else:
        field = _grain(ground, (height, width), coarsest, rng)
    full = cv2.resize(field, (camera.width_px, camera.height_px), interpolation=cv2.INTER_LINEAR)
    return np.asarray(np.maximum(1 + ground.contrast * full, 0.05), dtype=np.float32)


def _grain(ground: Ground, shape: tuple[int, int], coarsest_px: float, rng: np.random.Generator) -> Image:
    """Clouds drawn out along one direction."""
    import cv2

    height, width = shape
    reach = math.hypot(height, width)
    field = clouds((math.ceil(reach), math.ceil(reach / _DRAWN_OUT) + 8), coarsest_px, 1.0, rng)
    a = math.radians(ground.grain_deg)
    along = np.array([math.cos(a), -math.sin(a)]) / _DRAWN_OUT  # y runs down in the picture
    across = np.array([math.sin(a), math.cos(a)])
    centre = np.array([width, height]) / 2
    source = np.array([field.shape[1], field.shape[0]]) / 2
    matrix = np.vstack([along, across])
    shift = source - matrix @ centre
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    whole = np.column_stack([matrix, shift])
    drawn = cv2.warpAffine(field, whole, (width, height), flags=flags, borderMode=cv2.BORDER_REFLECT)
    return np.asarray(drawn, dtype=np.float32)


def reference_corners(reference: Reference) -> Array:
    """(4, 2) mm corners of the sheet in the piece's plane, counter-clockwise from its lower left one."""
    half = 0.5 * np.array(reference.size_mm)
    corners = half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    return np.asarray(corners @ rotation(reference.turn_deg).T + reference.centre_mm)


def reference_seen_at(reference: Reference, pinhole: Pinhole) -> Array:
    """(4, 2) mm where its corners are seen: sides that curl up stand nearer to the camera than the piece's plane."""
    corners = reference_corners(reference)
    return pinhole.seen_at(corners, np.full(len(corners), reference.curl_mm))


def covered(corners_mm: Array, pinhole: Pinhole, scene: Scene, rows: tuple[int, int]) -> Image:
    """(rows, width) share of each pixel that a polygon (K, 2) mm, counter-clockwise in plan axes, covers.

    Blurred by the optics. Sides are cut into 64 parts for the lens to bend.
    """
    import cv2

    a, b = corners_mm, np.roll(corners_mm, -1, axis=0)
    at = (np.arange(64) / 64)[None, :, None]
    rim = (a[:, None] + at * (b - a)[:, None]).reshape(-1, 2)
    rim_px = pinhole.project(rim)
    reach = int(5 * scene.sensor.blur_px) + 2
    result = np.zeros((rows[1] - rows[0], scene.camera.width_px), np.float32)
    columns = _span(rim_px[:, 0], reach, scene.camera.width_px)
    if columns[0] == columns[1] or rim_px[:, 1].min() > rows[1] + reach or rim_px[:, 1].max() < rows[0] - reach:
        return result
    size = (columns[1] - columns[0] + 2 * reach, rows[1] - rows[0] + 2 * reach)
    window = Window(columns[0] - reach, rows[0] - reach, *size)
    start = window.corner_coordinates(rim_px)
    inside = cells_of(start, np.roll(start, -1, axis=0), window.height, window.width)
    weight = np.full(len(start), float(-pinhole.handedness))
    lit = inside.accumulated(weight, (0, window.height), window.width)
    blurred = cv2.GaussianBlur(lit, (0, 0), scene.sensor.blur_px)
    result[:, columns[0] : columns[1]] = blurred[reach:-reach, reach:-reach]
    return result


def _span(places: Array, reach: float, size: int) -> tuple[int, int]:
    """First and last but one of the pixels 0 to size that lie within reach of any of the places."""
    low, high = np.clip([math.floor(places.min() - reach), math.ceil(places.max() + reach) + 1], 0, size)
    return int(low), int(high)


@dataclass(frozen=True)
class ThumbInPhoto:
    """The thumb as a stroke with a round end: tip and base (2,) px, radius_px, shadow_px (2,) how far its shadow falls.

    softness_px: half the width of its outline, which is out of focus; of its shadow, four times that.
    """

    thumb: Thumb
    tip: Array
    base: Array
    radius_px: float
    shadow_px: Array
    softness_px: float

    def laid_over(self, light: list[Image], rows: tuple[int, int]) -> list[Image]:
        """Channels (rows, width) with the thumb and its shadow laid over; 1 = a white flat surface."""
        ends = np.stack([self.tip, self.base, self.tip + self.shadow_px, self.base + self.shadow_px])
        reach = self.radius_px + 4 * self.softness_px + 1
        left, right = _span(ends[:, 0], reach, light[0].shape[1])
        top, bottom = _span(ends[:, 1] - rows[0], reach, rows[1] - rows[0])
        if left == right or top == bottom:
            return light
        x = np.arange(left, right, dtype=np.float32)
        y = np.arange(rows[0] + top, rows[0] + bottom, dtype=np.float32)[:, None]
        shadow, _ = self._stroke(x, y, self.shadow_px, 4 * self.softness_px)
        cover, off = self._stroke(x, y, np.zeros(2), self.softness_px)
        dimmed = (1 - np.float32(0.55) * shadow * (1 - cover)) * (1 - cover)
        shade = (np.float32(0.45) + np.float32(0.55) * np.sqrt(np.maximum(1 - off**2, 0))) * cover
        for channel, skin in zip(light, self.thumb.colour, strict=True):
            part = channel[top:bottom, left:right]
            part *= dimmed
            part += np.float32(skin) * shade
        return light

    def _stroke(self, x: Image, y: Image, shift: Array, softness: float) -> tuple[Image, Image]:
        """Cover (rows, width) of the shifted stroke, and the distance from its axis in units of its radius."""
        tip, base = (np.asarray(p + shift, np.float32) for p in (self.tip, self.base))
        axis = base - tip
        t = np.clip(((x - tip[0]) * axis[0] + (y - tip[1]) * axis[1]) / np.float32(axis @ axis), 0, 1)
        distance = np.hypot(x - tip[0] - t * axis[0], y - tip[1] - t * axis[1])
        ramp = np.clip((self.radius_px - distance) / np.float32(2 * softness) + 0.5, 0, 1)
        return ramp * ramp * (3 - 2 * ramp), np.minimum(distance / np.float32(self.radius_px), 1)


def thumb_in_photo(thumb: Thumb, outline_mm: Array, pinhole: Pinhole, scene: Scene) -> ThumbInPhoto:
    """Place a thumb on the rim of the piece: its axis runs through the outline's middle."""
    a = math.radians(thumb.rim_deg - scene.camera.roll_deg)
    out = np.array([math.cos(a) if scene.side == "front" else -math.cos(a), math.sin(a)])
    middle = outline_mm.mean(axis=0)
    rim = middle + float(((outline_mm - middle) @ out).max()) * out
    tip_mm = rim - (thumb.reach_mm - thumb.width_mm / 2) * out
    throw = -_THUMB_HEIGHT_MM / math.tan(math.radians(scene.lamp.elevation_deg)) * towards_lamp(scene)
    tip, base, shadow = pinhole.project(np.stack([tip_mm, tip_mm + 70.0 * out, tip_mm + throw]))
    radius = thumb.width_mm / 2 * pinhole.scale_px_mm
    return ThumbInPhoto(thumb, tip, base, radius, shadow - tip, max(0.04 * radius, 1.5 * scene.sensor.blur_px))

"""A card of ID-1 size laid into a simulated photo: projected and drawn here, apart from what measures it.

The card stands on the table as a slab with rounded corners, has a wall, throws a shadow, and carries an invented print.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from foldtrue.handover import Photo
from foldtrue.simulate.camera import Pinhole


@dataclass(frozen=True, kw_only=True)
class DrawnCard:
    """size_mm: as cut. centre_mm: (x, y) in the piece's plane; turn_deg: of its long side. table_mm: how far the table
    lies below the piece's face. lean_deg: how far the card leans out of the plane about its long side. colour,
    wall: linear light of the face and of the wall. printed: with an invented print. covered: how far (mm)
    something round lies over one of its ends. strap_mm: width of a strap across its middle."""

    size_mm: tuple[float, float] = (85.60, 53.98)
    radius_mm: float = 3.18
    thickness_mm: float = 0.76
    centre_mm: tuple[float, float] = (115.0, 20.0)
    turn_deg: float = 78.0
    table_mm: float = 0.64
    lean_deg: float = 0.0
    colour: tuple[float, float, float] = (0.62, 0.60, 0.55)
    wall: tuple[float, float, float] = (0.45, 0.45, 0.42)
    printed: bool = True
    covered: float = 0.0
    strap_mm: float = 0.0
    shadow_mm: tuple[float, float] = (0.5, -0.3)
    noise: float = 0.004
    seed: int = 0

    def corners(self) -> np.ndarray:
        """(4, 3) mm of the upper face's corners, prolonged; z towards the camera, 0 the piece's face."""
        w, h = np.array(self.size_mm) / 2
        return self.place(np.array([[-w, -h], [w, -h], [w, h], [-w, h]]), self.thickness_mm)

    def place(self, uv: np.ndarray, height: float) -> np.ndarray:
        origin, axes, _ = self.frame(height)
        return origin + uv @ axes

    def frame(self, height: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        a, b = math.radians(self.turn_deg), math.radians(self.lean_deg)
        along = np.array([math.cos(a), math.sin(a), 0])
        flat = np.array([-math.sin(a), math.cos(a), 0])
        up = np.array([0, 0, 1.0])
        across = math.cos(b) * flat + math.sin(b) * up
        normal = math.cos(b) * up - math.sin(b) * flat
        origin = np.array([*self.centre_mm, -self.table_mm + 0.5 * self.size_mm[1] * abs(math.sin(b))])
        return origin + height * normal, np.stack([along, across]), normal


def lay_card(made, scene, card: DrawnCard, diameter_mm: float = 120.0) -> tuple[Photo, np.ndarray]:
    """The photo with the card in it, and where the prolonged corners (4, 2) px of its face are."""
    pinhole = Pinhole(scene.camera, diameter_mm, scene.side)
    sides = np.array([1.0, 1.0, 1.0 if scene.side == "front" else -1.0])  # z towards the camera
    photo = made.photo
    corners_px = _project(pinhole, card.corners() * sides)
    low = np.maximum(np.floor(corners_px.min(0) - 25), 0).astype(int)
    high = np.minimum(np.ceil(corners_px.max(0) + 25), np.array(photo.pixels.shape[1::-1])).astype(int)
    assert (high > low).all()
    fine = 4
    y, x = np.mgrid[low[1] * fine : high[1] * fine, low[0] * fine : high[0] * fine]
    px = (np.stack([x.ravel(), y.ravel()], 1) + 0.5) / fine - 0.5
    eye, rays = _rays(pinhole, px)
    eye, rays = eye * sides, rays * sides
    colour, cover, shade = _laid(card, eye, rays)
    shape = ((high - low)[1], fine, (high - low)[0], fine)
    blur = scene.sensor.blur_px

    def pooled(values):
        import cv2

        small = values.reshape(*shape, -1).mean((1, 3)).astype(np.float32)
        return cv2.GaussianBlur(small, (0, 0), blur).reshape(*small.shape)

    # What lies under the card sheds no light past its edge, however blurred.
    paint, kept, cover = pooled(colour), pooled(shade * (1 - cover)), pooled(cover)
    linear = photo.linear[photo.pixels[low[1] : high[1], low[0] : high[0]]]
    light = linear * kept + paint
    rng = np.random.default_rng(card.seed)
    light = light + rng.normal(0, card.noise, light.shape) * cover
    pixels = photo.pixels.copy()
    pixels[low[1] : high[1], low[0] : high[0]] = _coded(light)
    return replace(photo, pixels=pixels), corners_px


def _laid(card: DrawnCard, eye: np.ndarray, rays: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Colour (N, 3) and cover (N,) of the card and what lies on it, and what its shadow leaves of the table's light."""
    colour = np.zeros((len(rays), 3))
    cover = np.zeros(len(rays))
    shade = np.ones(len(rays))
    foot_uv = _seen_at(card, 0.0, eye, rays)
    throw = np.array(card.shadow_mm)
    shade[_inside(card, foot_uv - throw)] = 0.45
    for height in np.linspace(0.0, card.thickness_mm, 6)[:-1]:
        hit = _inside(card, _seen_at(card, height, eye, rays))
        colour[hit], cover[hit] = card.wall, 1
    top = _seen_at(card, card.thickness_mm, eye, rays)
    hit = _inside(card, top)
    colour[hit], cover[hit] = _face(card, top[hit]), 1
    if card.covered:
        hit = np.hypot(top[:, 0] + card.size_mm[0] / 2 + 15 - card.covered, top[:, 1]) < 15 + 0.6 * card.size_mm[1]
        colour[hit], cover[hit] = (0.3, 0.2, 0.15), 1
    if card.strap_mm:
        hit = (np.abs(top[:, 0]) < card.strap_mm / 2) & (np.abs(top[:, 1]) < card.size_mm[1])
        colour[hit], cover[hit] = (0.3, 0.2, 0.15), 1
    return colour, cover, shade


def _coded(light):
    light = np.clip(light, 0, 1)
    code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.rint(255 * code).astype(np.uint8)


def _project(pinhole, points):
    camera = points @ pinhole.rotation.T + pinhole.shift
    ray = camera[:, :2] / camera[:, 2:]
    return pinhole.centre_px + pinhole.focal_px * ray * (1 + pinhole.k1 * np.sum(ray**2, 1))[:, None]


def _rays(pinhole, px):
    """Camera's place (3,) and directions (N, 3) in piece coordinates."""
    distorted = (px - pinhole.centre_px) / pinhole.focal_px
    ray = distorted.copy()
    for _ in range(20):
        ray = distorted / (1 + pinhole.k1 * np.sum(ray**2, 1))[:, None]
    direction = np.column_stack([ray, np.ones(len(ray))]) @ pinhole.rotation
    return -pinhole.rotation.T @ pinhole.shift, direction


def _seen_at(card, height, eye, rays):
    origin, axes, normal = card.frame(height)
    far = ((origin - eye) @ normal) / (rays @ normal)
    return (eye + rays * far[:, None] - origin) @ axes.T


def _inside(card, uv):
    over = np.abs(uv) - (np.array(card.size_mm) / 2 - card.radius_mm)
    return (over.max(1) < card.radius_mm) & (np.hypot(*np.maximum(over, 0).T) < card.radius_mm)


def _face(card, uv):
    """An invented print: a band, a block, a disc, rows of strokes."""
    light = np.tile(np.array(card.colour), (len(uv), 1))
    if not card.printed:
        return light
    u, v = uv.T
    light[np.abs(v - 14) < 5] *= 0.25
    light[(np.abs(u + 26) < 6) & (np.abs(v + 1) < 5)] = (0.6, 0.5, 0.1)
    light[np.hypot(u - 28, v + 12) < 8] = (0.5, 0.05, 0.05)
    light[(np.abs(v + 14) < 1.6) & (np.abs(u) < 30) & (np.sin(u * 2.6) > -0.2)] *= 0.3
    light[(u > 30) & (v > -2) & (v < 6)] *= 0.5  # runs to the edge
    return light

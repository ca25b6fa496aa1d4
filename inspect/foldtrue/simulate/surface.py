"""What a facet's surface adds to its light: grid creases, tilted patches, mottle, print and gloss."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import BoolArray, Facet, IntArray, Nominal
from foldtrue.precreases import grid_of, precreases
from foldtrue.simulate.camera import Pinhole
from foldtrue.simulate.lit import Lamp, Relief, Surface
from foldtrue.simulate.raster import Image
from foldtrue.simulate.scene import Scene
from foldtrue.simulate.shading import Bands, direct_light, towards_lamp

_LENS_ROUNDS = 5


@dataclass(frozen=True)
class Patches:
    """Tilt of every small grid triangle of the sheet. base, origin: the grid (precreases.grid_of).

    tilt: (N, N, 2, 2) by grid cell, lower or upper triangle, and axis: first towards the lamp; low: (2,) first cell.
    """

    base: Array
    origin: Array
    tilt: Array
    low: IntArray

    def at(self, x: Image, y: Image) -> Array:
        """(..., 2) tilt at sheet places in mm."""
        inverse = np.linalg.inv(self.base)
        u = (x - self.origin[0]) * inverse[0, 0] + (y - self.origin[1]) * inverse[1, 0] - self.low[0]
        v = (x - self.origin[0]) * inverse[0, 1] + (y - self.origin[1]) * inverse[1, 1] - self.low[1]
        i = np.clip(u.astype(np.int64), 0, self.tilt.shape[0] - 1)
        j = np.clip(v.astype(np.int64), 0, self.tilt.shape[1] - 1)
        upper = ((u - i) + (v - j) > 1).astype(np.int64)
        return np.asarray(self.tilt[i, j, upper])


def grid_patches(nominal: Nominal, relief: Relief, rng: np.random.Generator) -> Patches:
    """A random tilt for every small triangle of the grid that the sheet can hold."""
    base, origin = grid_of(nominal)
    place = (nominal.sheet_outline_mm - origin) @ np.linalg.inv(base)
    low = np.floor(place.min(axis=0)).astype(np.int64) - 1
    count = int((np.ceil(place.max(axis=0)) - low).max()) + 2
    tilt = math.tan(math.radians(relief.patch_tilt_deg)) * rng.standard_normal((count, count, 2, 2))
    return Patches(base, origin, tilt.astype(np.float32), low)


def facet_tilts(nominal: Nominal, relief: Relief, rng: np.random.Generator) -> Array:
    """(F + 1, 2) horizontal part of each facet's normal, in plan axes; the last one is the table's and 0."""
    tilt = math.tan(math.radians(relief.facet_tilt_deg)) * rng.standard_normal((len(nominal.facets) + 1, 2))
    tilt[-1] = 0.0
    return tilt


def crease_bands(nominal: Nominal, vertices_mm: Array, scene: Scene, shows_back: BoolArray) -> Bands:
    """Unused grid creases as pairs of bands: on a ridge the side facing the lamp is brighter, in a valley darker.

    shows_back: (F,) facets whose back is seen, where a mountain of the sheet is a valley. A slope s changes the lamp's
    light by s / tan(elevation) times the cosine between its direction and the lamp's.
    """
    relief, lamp, to_lamp = scene.relief, scene.lamp, towards_lamp(scene)
    unused = precreases(nominal)
    facet, line = unused.facet, unused.line
    strokes = _astray(unused.ends(vertices_mm), facet, nominal, scene)
    rng = np.random.default_rng([scene.piece_seed, 8])
    count = int(line.max(initial=-1)) + 1
    valley = rng.random(count) < relief.crease_valley
    strength = rng.uniform(0.2, 1.8, count)
    slope = math.tan(math.radians(relief.crease_deg)) * strength * np.where(valley, -1.0, 1.0)
    slope = slope[line] * np.where(shows_back[facet], -1.0, 1.0)
    along = strokes[:, 1] - strokes[:, 0]
    length = np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-12)[:, None]
    normal = np.column_stack([-along[:, 1], along[:, 0]]) / length
    sharpness = (1 - lamp.ambient) / math.tan(math.radians(lamp.elevation_deg))
    corners, change = [], []
    for side in (1.0, -1.0):
        shift = 0.5 * side * relief.crease_mm * normal
        corners.append(np.stack([strokes[:, 0], strokes[:, 1], strokes[:, 1] + shift, strokes[:, 0] + shift], axis=1))
        lit = np.clip(slope * side * (normal @ to_lamp) * sharpness, -0.9 * (1 - lamp.ambient), None)
        change.append(lit + relief.crease_wear * strength[line])
    return Bands(np.concatenate(corners), np.concatenate([facet, facet]), np.concatenate(change))


def _astray(strokes: Array, facet: IntArray, nominal: Nominal, scene: Scene) -> Array:
    """The creases' ends (N, 2, 2) mm moved by what each facet's folds have missed the grid by."""
    rng = np.random.default_rng([scene.piece_seed, 11])
    motion = scene.errors.astray_mm * rng.standard_normal((len(nominal.facets), 3))
    corners = [nominal.vertices_mm[list(f.vertices)] for f in nominal.facets]
    centre = np.array([c.mean(0) for c in corners])
    reach = np.array([np.sqrt(np.mean(np.sum((c - c.mean(0)) ** 2, 1))) for c in corners])
    arm = (strokes - centre[facet, None]) / reach[facet, None, None]
    turned = np.stack([-arm[:, :, 1], arm[:, :, 0]], 2) * motion[facet, 2][:, None, None]
    return np.asarray(strokes + motion[facet, None, :2] + turned)


class SheetPlaces:
    """Sheet coordinates of the pixels of a facet, by the affine map that fits the facet as it came out."""

    def __init__(self, nominal: Nominal, vertices_mm: Array, pinhole: Pinhole) -> None:
        self._sheet_mm, self._folded_mm = nominal.vertices_sheet_mm, vertices_mm
        self._homography = pinhole.plane_map().homography
        self._centre = pinhole.centre_px.astype(np.float32)
        self._lens = np.float32(pinhole.k1 / pinhole.focal_px**2)

    def inverse(self, facet: Facet) -> Array:
        """(3, 3) homography from undistorted px to sheet mm."""
        own = list(facet.vertices)
        sheet = np.column_stack([self._sheet_mm[own], np.ones(len(own))])
        affine = np.eye(3)
        affine[:2] = np.linalg.lstsq(sheet, self._folded_mm[own], rcond=None)[0].T
        return np.asarray(np.linalg.inv(self._homography @ affine))

    def undistorted(self, x: Image, y: Image) -> tuple[Image, Image]:
        """Pixel coordinates (h, w) freed of the lens term, to a small part of a pixel: print asks for no more."""
        if self._lens == 0:
            return x, y
        x, y = x - self._centre[0], y - self._centre[1]
        freed_x, freed_y = x, y
        for _ in range(_LENS_ROUNDS):
            stretch = 1 + self._lens * (freed_x * freed_x + freed_y * freed_y)
            freed_x, freed_y = x / stretch, y / stretch
        return freed_x + self._centre[0], freed_y + self._centre[1]


def mapped(inverse: Array, x: Image, y: Image) -> tuple[Image, Image]:
    """Undistorted px (h, w) through a homography."""
    a = inverse.astype(np.float32)
    w = a[2, 0] * x + a[2, 1] * y + a[2, 2]
    return (a[0, 0] * x + a[0, 1] * y + a[0, 2]) / w, (a[1, 0] * x + a[1, 1] * y + a[1, 2]) / w


def printed(surface: Surface, x: Image, y: Image, px_mm: float) -> Image:
    """Share of ink at sheet places in mm, its borders one pixel wide."""
    angle = math.radians(surface.pattern_deg)
    u = (math.cos(angle) * x + math.sin(angle) * y) / surface.pattern_mm
    from_middle = np.abs(u - np.rint(u)) * surface.pattern_mm
    if surface.pattern == "dots":
        v = (math.cos(angle) * y - math.sin(angle) * x) / surface.pattern_mm
        from_middle = np.hypot(from_middle, np.abs(v - np.rint(v)) * surface.pattern_mm)
    reach = 0.5 * surface.pattern_share * surface.pattern_mm
    return np.clip((reach - from_middle) * px_mm + 0.5, 0, 1)


def highlight(surface: Surface, lamp: Lamp, tilt: Array) -> Array:
    """Mirror-like light on surfaces with normals (tilt, 1), first axis to the lamp, in units of the paper's own.

    Seen from straight above, the lamp is mirrored by a surface that leans half-way towards it; the highlight falls off
    around that as a Gaussian of the angle.
    """
    half_way = math.radians(90 - lamp.elevation_deg) / 2
    off2 = (np.arctan(tilt[..., 0]) - half_way) ** 2 + np.arctan(tilt[..., 1]) ** 2
    mirrored = np.exp(-0.5 * off2 / math.radians(surface.roughness_deg) ** 2)
    return np.asarray(surface.gloss * (1 - lamp.ambient) * mirrored)


def patch_light(lamp: Lamp, facet_tilt: Array, patch_tilt: Array) -> Array:
    """Light of tilted patches relative to that of the facet they lie on (tilts in the lamp's axes)."""
    whole = lamp.ambient + direct_light(lamp, facet_tilt)
    return np.asarray((lamp.ambient + direct_light(lamp, facet_tilt + patch_tilt)) / whole)

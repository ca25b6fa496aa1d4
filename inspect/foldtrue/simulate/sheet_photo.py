"""Photos of pre-creased, unfolded sheets with known truth.

Every pixel is carried back to the sheet by the camera's own ray, and the light there is a formula: the paper's level
and clouds, the creases as Gaussian profiles (blurred by adding the optics' variance to their own), the cut edges as
blurred steps. Nothing of the measuring side is used.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import BoolArray
from foldtrue.handover_grid import GridTruth, PlannedGrid, SimulatedGrid
from foldtrue.simulate.camera import Pinhole
from foldtrue.simulate.light import illumination
from foldtrue.simulate.paper import clouds
from foldtrue.simulate.raster import Image
from foldtrue.simulate.sensor import as_photo, encoded, exposed, written
from foldtrue.simulate.sheet_scene import GridErrors, SheetScene

_STRIP_ROWS = 128  # part of the noise's seeding: changing it changes the pictures
_KNOTS = 24
"""Places along a line at which its strength is drawn."""


@dataclass(frozen=True)
class _Creases:
    """Lines as drawn: offset_mm, angle_rad, present (L,); sense (L,) +-1; strength (L, KNOTS) along each line."""

    offset_mm: Array
    angle_rad: Array
    present: BoolArray
    sense: Array
    strength: Array


def simulate_grid(grid: PlannedGrid, scene: SheetScene) -> SimulatedGrid:
    """Draw the sheet with the scene's errors and photograph it. Same grid and scene, same bytes.

    Raises UsageError when the scene cannot be drawn (the lens folds over)."""
    rng = np.random.default_rng([scene.seed, 31])
    creases, sides = _creases(grid, scene, rng), _sides(grid, scene.errors, rng)
    camera = scene.camera
    pinhole = Pinhole(camera, 2 * float(np.hypot(*grid.outline_mm.T).max()))
    pinhole.project(grid.outline_mm)  # refuses a lens that folds over the sheet
    shape = (camera.height_px, camera.width_px)
    px_mm = pinhole.scale_px_mm
    uneven = clouds(shape, scene.clouds_mm * px_mm, 0.2 * px_mm, np.random.default_rng([scene.seed, 32]))
    table = clouds(shape, 0.1 * shape[0], 3.0, np.random.default_rng([scene.seed, 33]))
    noise = np.random.default_rng([scene.seed, 34])
    pixels = np.empty((*shape, 3), np.uint8)
    for top in range(0, shape[0], _STRIP_ROWS):
        rows = slice(top, min(top + _STRIP_ROWS, shape[0]))
        xy = sheet_places(pinhole, rows.start, rows.stop, shape[1])
        inside = _coverage(grid, sides, xy, pinhole, scene)
        relief = 1 + scene.clouds * uneven[rows] + _crease_light(grid, creases, xy, pinhole, scene)
        ground = 1 + 0.04 * table[rows] * (scene.view == "front")
        ground = ground * (1 - scene.shadow * _shadow(grid, sides, xy, scene))
        even = illumination(camera, scene.light, (rows.start, rows.stop))
        for k in range(3):
            light = inside * relief * scene.paper[k] + (1 - inside) * ground * scene.around[k]
            pixels[rows, :, k] = encoded(
                exposed(np.asarray(light * even, np.float32), scene.sensor, noise), scene.sensor.tone
            )
    jpeg = written(pixels, camera, scene.sensor)
    truth = _truth(grid, creases, sides, pinhole, scene)
    return SimulatedGrid(as_photo(jpeg, camera, scene.sensor), jpeg, truth)


def _truth(grid: PlannedGrid, creases: _Creases, sides: Array, pinhole: Pinhole, scene: SheetScene) -> GridTruth:
    errors = scene.errors
    return GridTruth(
        creases.offset_mm,
        np.degrees(creases.angle_rad),
        creases.present,
        _heights(grid, creases, pinhole, scene),
        sides[:, 0],
        errors.code,
        errors.family if errors.kind in ("drift", "turned") else None,
        errors.side if errors.kind == "side" else None,
        dataclasses.asdict(scene),
    )


def sheet_places(pinhole: Pinhole, first: int, last: int, width: int) -> Array:
    """(rows, width, 2) mm of the sheet that the pixels of rows first..last-1 look at, by intersecting their rays."""
    x = (np.arange(width) - pinhole.centre_px[0]) / pinhole.focal_px
    y = (np.arange(first, last) - pinhole.centre_px[1]) / pinhole.focal_px
    seen = np.stack(np.meshgrid(x, y), 2)
    radius = np.hypot(seen[..., 0], seen[..., 1])
    ray = radius.copy()
    for _ in range(20):
        ray = ray - (ray * (1 + pinhole.k1 * ray**2) - radius) / (1 + 3 * pinhole.k1 * ray**2)
    direction = np.dstack([seen * (ray / np.maximum(radius, 1e-12))[..., None], np.ones_like(radius)])
    to_plane = np.linalg.inv(np.column_stack([pinhole.rotation[:, :2], pinhole.shift]))
    at = direction @ to_plane.T
    return np.asarray(at[..., :2] / at[..., 2:])


def _creases(grid: PlannedGrid, scene: SheetScene, rng: np.random.Generator) -> _Creases:
    errors, look, count = scene.errors, scene.look, len(grid.number)
    offset = errors.line_mm * rng.standard_normal(count)
    angle = np.deg2rad(errors.line_deg) * rng.standard_normal(count)
    own = grid.family == errors.family
    if errors.kind == "drift":
        start = grid.number[own].min() if errors.end == -1 else grid.number[own].max()
        offset[own] += errors.size * np.abs(grid.number[own] - start) / np.ptp(grid.number[own])
    if errors.kind == "turned":
        angle[own] += np.deg2rad(errors.size)
    present = np.ones(count, bool)
    if errors.kind == "missing":
        inner = np.flatnonzero(np.abs(grid.number) < 0.75 * np.abs(grid.number).max())
        present[rng.choice(inner, errors.count, replace=False)] = False
    height = look.contrast * np.exp(look.uneven * rng.standard_normal(count))
    sense = np.where(rng.random(count) < look.dark, -1.0, 1.0)
    return _Creases(
        offset, angle, present, sense, height[:, None] * _strength(look.faint, count, rng) * present[:, None]
    )


def _heights(grid: PlannedGrid, creases: _Creases, pinhole: Pinhole, scene: SheetScene) -> Array:
    """(L,) mean height of each line's look in the photo, relative to the paper's light."""
    sharp = scene.look.width_mm / np.hypot(scene.look.width_mm, _blur_mm(pinhole, scene))
    mean = creases.strength.mean(1)
    if scene.view == "backlit":
        return np.asarray(mean * sharp)
    return np.asarray(mean * np.maximum(_raking(grid.normals, scene) * sharp**2, abs(scene.look.core) * sharp))


def _raking(normals: Array, scene: SheetScene) -> Array:
    """(L,) share of the lamp's light that comes across lines with these normals (L, 2)."""
    lamp = np.deg2rad(scene.lamp_deg)
    return np.asarray(np.abs(normals @ [np.cos(lamp), np.sin(lamp)]))


def _blur_mm(pinhole: Pinhole, scene: SheetScene) -> float:
    """Gaussian width of optics and pixel together, on the sheet."""
    return float(np.hypot(scene.sensor.blur_px, 0.29)) / pinhole.scale_px_mm


def _strength(faint: float, count: int, rng: np.random.Generator) -> Array:
    """(L, KNOTS) how strongly each line shows along its way: uneven, and of some lines a long part hardly at all."""
    strength = np.exp(0.25 * np.cumsum(rng.standard_normal((count, _KNOTS)), 1) / np.sqrt(_KNOTS))
    length = (rng.uniform(0.2, 0.6, count) * _KNOTS).astype(int)
    start = rng.integers(0, _KNOTS, count)
    place = np.arange(_KNOTS)
    part = (place >= start[:, None]) & (place < (start + length)[:, None]) & (rng.random(count) < faint)[:, None]
    return np.asarray(np.where(part, 0.05 * strength, strength))


def _sides(grid: PlannedGrid, errors: GridErrors, rng: np.random.Generator) -> Array:
    """(K, 2) offset outward, mm, and ccw angle, rad, of every side."""
    count = len(grid.outline_mm)
    sides = errors.side_mm * rng.standard_normal((count, 2)) * [1.0, 0.01]
    if errors.kind == "side":
        sides[errors.side % count, 0] += errors.size
    return np.asarray(sides)


def _outward(grid: PlannedGrid, sides: Array) -> tuple[Array, Array]:
    """Unit outward normals (K, 2) and offsets (K,) mm of the sides as cut."""
    ahead = np.roll(grid.outline_mm, -1, 0) - grid.outline_mm
    normal = np.stack([ahead[:, 1], -ahead[:, 0]], 1) / np.hypot(*ahead.T)[:, None]
    offset = np.sum(normal * grid.outline_mm, 1) + sides[:, 0]
    angle = np.arctan2(normal[:, 1], normal[:, 0]) + sides[:, 1]
    return np.stack([np.cos(angle), np.sin(angle)], 1), offset * np.cos(sides[:, 1])


def _coverage(grid: PlannedGrid, sides: Array, xy: Array, pinhole: Pinhole, scene: SheetScene) -> Image:
    """How much of each pixel the sheet covers, edges blurred by the optics."""
    from scipy.special import ndtr

    blur = _blur_mm(pinhole, scene)
    inside = np.ones(xy.shape[:2])
    for normal, offset in zip(*_outward(grid, sides), strict=True):
        inside *= ndtr((offset - xy @ normal) / blur)
    return np.asarray(inside)


def _shadow(grid: PlannedGrid, sides: Array, xy: Array, scene: SheetScene) -> Image:
    """0..1 beside the sides that face away from the lamp, fading over a millimetre."""
    lamp = np.array([np.cos(np.deg2rad(scene.lamp_deg)), np.sin(np.deg2rad(scene.lamp_deg))])
    normals, offsets = _outward(grid, sides)
    beyond = xy @ normals.T - offsets
    outermost = beyond.max(2)
    dark: Array = np.zeros(outermost.shape)
    for k, normal in enumerate(normals):
        away = max(0.0, -float(normal @ lamp))
        dark = np.maximum(dark, away * np.exp(-np.abs(beyond[..., k]) - 4 * (outermost - beyond[..., k])))
    return dark


def _crease_light(grid: PlannedGrid, creases: _Creases, xy: Array, pinhole: Pinhole, scene: SheetScene) -> Image:
    """Relative change of light from the crease nearest to each pixel in each direction."""
    total = np.zeros(xy.shape[:2])
    look = scene.look
    blur = _blur_mm(pinhole, scene)
    for family in np.unique(grid.family):
        own = np.flatnonzero(grid.family == family)
        normal = grid.normals[own[0]]
        along = np.array([-normal[1], normal[0]])
        place, s = xy @ normal, xy @ along
        low = int(grid.number[own].min())
        k = own[np.clip(np.rint(place / grid.row_mm).astype(int) - low, 0, len(own) - 1)]
        across = place - grid.offset_mm[k] - creases.offset_mm[k] + creases.angle_rad[k] * s
        t = np.clip((s - grid.low_mm[k]) / (grid.high_mm - grid.low_mm)[k], 0, 1) * (_KNOTS - 1)
        knot = np.minimum(t.astype(int), _KNOTS - 2)
        height = creases.strength[k, knot] * (1 - t + knot) + creases.strength[k, knot + 1] * (t - knot)
        width = np.hypot(look.width_mm, blur)
        fine = np.exp(-0.5 * (across / width) ** 2)
        if scene.view == "backlit":
            total += creases.sense[k] * height * look.width_mm / width * fine
            continue
        lamp = np.deg2rad(scene.lamp_deg)
        raking = float(np.cos(lamp) * normal[0] + np.sin(lamp) * normal[1])
        # A bell's slope, blurred: its height falls with the square of the width.
        pair = across / width * fine * 1.65 * (look.width_mm / width) ** 2
        broad = across / look.broad_mm * np.exp(-0.5 * (across / look.broad_mm) ** 2) * 1.65
        core = look.core * fine * look.width_mm / width
        total += height * (creases.sense[k] * raking * (pair + look.broad * broad) + core)
    return np.asarray(total)

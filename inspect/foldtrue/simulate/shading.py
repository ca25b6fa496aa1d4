"""What light does at steps: cast shadows, dimmed light beside them, and the rounding of folds.

Light is counted in units of that on a flat surface: `ambient` of it from all around, the rest straight from the lamp.
Every effect is a set of bands along an edge, each with one change of light, on one facet (or on the table).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from itertools import pairwise

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import BoolArray, IntArray
from foldtrue.simulate.backlight import Chords
from foldtrue.simulate.lit import Lamp
from foldtrue.simulate.scene import Scene
from foldtrue.simulate.steps import Shown, Steps
from foldtrue.simulate.tops import TABLE

_BESIDE = (0.0, 0.4, 1.1, 2.5)  # heights away from a step at which its dimming changes


@dataclass(frozen=True)
class Bands:
    """Quadrilaterals (Q, 4, 2) mm, the facet each lies on (Q,) and what it adds to the light there (Q,)."""

    corners_mm: Array
    facet: IntArray
    change: Array

    def chosen(self, keep: BoolArray) -> Bands:
        return Bands(self.corners_mm[keep], self.facet[keep], self.change[keep])


@dataclass(frozen=True)
class Edges:
    """K straight parts of steps, as in steps.Steps. start, end, outward: (K, 2) mm; height_mm: (K, 2) at both ends.

    upper, lower, nearest: (K,) facets, TABLE where there is none. fold, groove: (K,).
    """

    start: Array
    end: Array
    outward: Array
    height_mm: Array
    upper: IntArray
    lower: IntArray
    nearest: IntArray
    fold: BoolArray
    groove: BoolArray

    def chosen(self, keep: BoolArray) -> Edges:
        return Edges(**{f.name: getattr(self, f.name)[keep] for f in fields(self)})

    def band(self, facet: IntArray, near: tuple[Array, Array], far: tuple[Array, Array], change: Array) -> Bands:
        """Bands from start + near[0], end + near[1] to start + far[0], end + far[1]."""
        corners = [self.start + near[0], self.end + near[1], self.end + far[1], self.start + far[0]]
        return Bands(np.stack(corners, axis=1), facet, np.broadcast_to(change, facet.shape))


def edges_of(shown: Shown, steps: Steps, chords: Chords) -> Edges:
    """The steps, cut where the chords are."""
    rank = np.full(len(shown.left), -1)
    rank[steps.piece] = np.arange(len(steps.piece))
    k = rank[chords.piece]
    share, k = chords.share[k >= 0], k[k >= 0]
    piece = steps.piece[k]
    start, end, height = shown.pieces.start[piece], shown.pieces.end[piece], steps.height_mm[k]
    along, rise = end - start, height[:, 1:] - height[:, :1]
    return Edges(
        start=start + share[:, :1] * along, end=start + share[:, 1:] * along, outward=steps.outward[k],
        height_mm=height[:, :1] + share * rise, upper=steps.upper[k], lower=steps.lower[k], nearest=steps.nearest[k],
        fold=steps.fold[k], groove=steps.groove[k],
    )  # fmt: skip


def step_bands(edges: Edges, scene: Scene, direct: Array, px_mm: float) -> Bands:
    """All bands beside and on the edges. direct: (F + 1,) the lamp's light on each facet, the table's last."""
    relief, lamp, to_lamp = scene.relief, scene.lamp, towards_lamp(scene)
    found = [Bands(np.zeros((0, 4, 2)), np.zeros(0, np.int64), np.zeros(0))]
    if relief.fold_radius_mm > 0:
        found.append(rounding_bands(edges.chosen(edges.fold), lamp, to_lamp, relief.fold_radius_mm, px_mm))
    between = (edges.nearest != edges.lower) & (edges.nearest != edges.upper) & (edges.nearest != TABLE)
    sliver = edges.chosen(between)
    for beside in (edges, replace(sliver, lower=sliver.nearest)):
        if relief.shadow > 0:
            found.append(shadow_bands(beside, lamp, to_lamp, relief.shadow * direct, px_mm))
        if relief.occlusion > 0:
            found.append(dimming_bands(beside, relief.occlusion * lamp.ambient, px_mm))
    return joined(found)


def towards_lamp(scene: Scene) -> Array:
    """(2,) unit vector in the piece's plane (plan axes) that points to where the lamp stands."""
    angle = math.radians(scene.lamp.azimuth_deg - scene.camera.roll_deg)
    x = math.cos(angle)
    return np.array([x if scene.side == "front" else -x, math.sin(angle)])


def direct_light(lamp: Lamp, tilt: Array) -> Array:
    """Light straight from the lamp on surfaces with normals (tilt, 1); tilt (..., 2), first axis to the lamp.

    Lambert's law; a flat surface gets 1 - ambient.
    """
    e = math.radians(lamp.elevation_deg)
    upright = math.cos(e) * tilt[..., 0] + math.sin(e)
    cosine = np.maximum(upright, 0) / np.sqrt(1 + np.sum(tilt**2, axis=-1))
    return np.asarray((1 - lamp.ambient) * cosine / math.sin(e))


def shadow_bands(edges: Edges, lamp: Lamp, to_lamp: Array, taken: Array, px_mm: float) -> Bands:
    """Shadows that steps cast on the lower facet, on the side away from the lamp. taken: (F + 1,) light lost in full
    shadow on each facet.

    A point at height h is thrown h / tan(elevation) far; the lamp's disc is cut into slices of equal area from the top
    down, and the shadow of each ends a little farther out: the penumbra.
    """
    away = -(edges.outward @ to_lamp) > 1e-6
    slices = lamp_slices(lamp, float(np.max(edges.height_mm, initial=0.0)), px_mm)
    inside = _overlap(edges, px_mm)
    found = []
    for elevation in slices:
        throw = edges.height_mm / math.tan(elevation)
        far = (-throw[:, :1] * to_lamp, -throw[:, 1:] * to_lamp)
        change = -taken[edges.lower] / len(slices)
        found.append(edges.band(edges.lower, (-inside, -inside), far, change).chosen(away))
    return joined(found)


def lamp_slices(lamp: Lamp, height_mm: float, px_mm: float) -> list[float]:
    """Elevations in radians of the lamp's slices, as many as the penumbra of a step has pixels, up to 5."""
    e, half = math.radians(lamp.elevation_deg), math.radians(lamp.size_deg) / 2
    width_mm = height_mm * (1 / math.tan(e - half) - 1 / math.tan(e + half))
    count = int(np.clip(math.ceil(width_mm * px_mm / 2), 1, 5)) if e + half < math.pi / 2 else 5
    x = np.linspace(-1, 1, 401)
    below = 0.5 + (x * np.sqrt(1 - x**2) + np.arcsin(x)) / math.pi  # share of a disc below height x
    quantile = np.interp((np.arange(count) + 0.5) / count, below, x)
    return [min(e + half * float(q), math.pi / 2 - 1e-3) for q in quantile]


def dimming_bands(edges: Edges, ambient: float, px_mm: float) -> Bands:
    """Light from all around that a step takes from the paper beside it: a wall of height h hides, at distance d, the
    share (1 - d / sqrt(d^2 + h^2)) / 2 of an evenly bright sky."""
    inside = _overlap(edges, px_mm)
    found = []
    for near, far in pairwise(_BESIDE):
        hidden = 0.5 * (1 - (math.hypot(far, 1) - math.hypot(near, 1)) / (far - near))
        shift = [(share * edges.height_mm[:, k, None]) * edges.outward for share in (near, far) for k in (0, 1)]
        start = (-inside, -inside) if near == 0 else (shift[0], shift[1])
        change = np.full(len(edges.lower), -ambient * hidden)
        found.append(edges.band(edges.lower, start, (shift[2], shift[3]), change))
    return joined(found)


def rounding_bands(edges: Edges, lamp: Lamp, to_lamp: Array, radius_mm: float, px_mm: float) -> Bands:
    """The quarter round by which a folded facet curves down at its edge, within radius_mm of it."""
    count = int(np.clip(round(radius_mm * px_mm / 1.5), 1, 4))
    facing = edges.outward @ to_lamp
    outside = _overlap(edges, px_mm)
    found = []
    for k in range(count):
        near, far = -k / count * radius_mm * edges.outward, -(k + 1) / count * radius_mm * edges.outward
        change = np.where(
            edges.groove, *(_round_light(lamp, facing, k / count, (k + 1) / count, g) for g in (True, False))
        )
        start = outside if k == 0 else near
        found.append(edges.band(edges.upper, (start, start), (far, far), change - 1))
    return joined(found)


def _round_light(lamp: Lamp, facing: Array, near: float, far: float, groove: bool) -> Array:
    """(K,) mean light on a quarter round between two shares of its radius from the edge.

    facing: cosine between the edge's outward side and the lamp's direction. In a groove a second quarter round stands
    opposite: it hides part of the sky, and the lamp where the ray meets it.
    """
    share = near + (far - near) * (np.arange(8)[:, None] + 0.5) / 8
    sine = 1 - share
    cosine = np.sqrt(1 - sine**2)
    e = math.radians(lamp.elevation_deg)
    across, up = math.cos(e) * facing[None, :], math.sin(e)
    lit = np.maximum(sine * across + cosine * up, 0) / up
    sky = cosine if groove else 0.5 * (1 + cosine)
    if groove:
        # In units of the radius: from the point (-share, cosine - 1) to the other round's centre at (1, -1).
        dx, dy = 1 + share, -cosine
        miss = np.abs(dx * up - dy * across) / np.hypot(across, up)
        lit = np.where((miss < 1) & (across > 0), 0.0, lit)
    return np.asarray(np.mean(lamp.ambient * sky + (1 - lamp.ambient) * lit, axis=0))


def _overlap(edges: Edges, px_mm: float) -> Array:
    """(K, 2) shift over the edge by two pixels: a facet's own border is what cuts its bands off there."""
    return 2.0 / px_mm * edges.outward


def joined(parts: list[Bands]) -> Bands:
    return Bands(
        np.concatenate([p.corners_mm for p in parts]).reshape(-1, 4, 2),
        np.concatenate([p.facet for p in parts]),
        np.concatenate([p.change for p in parts]),
    )

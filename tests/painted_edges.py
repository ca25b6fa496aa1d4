"""Pictures of a front or back with every edge drawn with a chosen look at a known place; how far off samples are."""

from __future__ import annotations

import numpy as np
from panels import folded_panel

from foldtrue.detect.edges import find_features, read_light
from foldtrue.frames import PlaneMap, rotation
from foldtrue.handover import Photo, Plane
from foldtrue.stretches import left_normals, lit_kinds, place_numbers

PX_PER_MM = 5.0
SHAPE = (980, 860)
LINEAR = np.linspace(0, 1, 65536).astype(np.float32)


def folded(spacing):
    return folded_panel(spacing, {2: 16, 3: 24}[spacing])


def plane_of(view):
    """5 px per mm, turned by 4 degrees; from behind x runs to the left."""
    turn = np.eye(3)
    turn[:2, :2] = rotation(4.0)
    side = PX_PER_MM if view == "front" else -PX_PER_MM
    place = np.array([[side, 0, SHAPE[1] / 2], [0, -PX_PER_MM, SHAPE[0] / 2], [0, 0, 1.0]])
    middle = (np.array([SHAPE[1], SHAPE[0]]) - 1) / 2
    return Plane(PlaneMap(place @ turn, 0.0, middle, 1200.0), view, view, 4.0, "none", (), "outline", 0.9, 0.1)


def shadow(x_mm):
    """Relative light x mm beyond the edge along its fall: a sharp border 0.15 mm wide, and a slow return."""
    return -0.25 / (1 + np.exp(-x_mm / 0.08)) * np.exp(-np.maximum(x_mm, 0) / 0.6)


def painted(spacing, view, displacement, strength, shift_mm=0.0, gain=0.5, noise=0.0, seed=0):
    """A photo with all the view's edges drawn as shadows where vertices moved by displacement (V, 2) mm put them.

    strength: (S,) of each stretch, 0 = not drawn. shift_mm: (S,) along the fall, what the light does to all edges of a
    kind. gain: linear light of the paper. noise: its relative standard deviation.
    """
    nominal, plane = folded(spacing), plane_of(view)
    s, ends = nominal.views[view], nominal.creases.ends
    moved = nominal.vertices_mm + displacement
    facing = lit_kinds(nominal, view).facing
    light = np.ones(SHAPE)
    strength, shift_mm = (np.broadcast_to(v, len(s.crease)) for v in (strength, shift_mm))
    for k in np.sort(np.unique(place_numbers(nominal, view), return_index=True)[1]):
        a, b = moved[ends[s.crease[k]]]
        along = (b - a) / np.hypot(*(b - a))
        fall = facing[k] * np.array([-along[1], along[0]])
        low, high = (a + (b - a) * t for t in (s.t0[k], s.t1[k]))
        corner = plane.map.to_px(np.array([low, high]))
        x0, y0 = np.maximum(np.floor(corner.min(0)).astype(int) - 18, 0)
        x1, y1 = np.ceil(corner.max(0)).astype(int) + 19
        y, x = np.mgrid[y0 : min(y1, SHAPE[0]), x0 : min(x1, SHAPE[1])]
        place = plane.map.to_mm(np.stack([x.ravel(), y.ravel()], 1).astype(float)) - low
        on = (place @ along > 0) & (place @ along < np.hypot(*(high - low)))
        value = np.where(on, strength[k] * shadow(place @ fall - shift_mm[k]), 0.0)
        light[y0:y1, x0:x1] += value.reshape(x.shape)
    light *= 1 + noise * np.random.default_rng(seed).normal(size=SHAPE)
    code = np.rint(np.clip(gain * light, 0, 1) * 65535).astype(np.uint16)
    return Photo(np.repeat(code[:, :, None], 3, axis=2), LINEAR, "0" * 64, "PNG", 1, None, None)


def piece(spacing, size_mm=0.1, seed=0):
    return np.random.default_rng(seed).normal(0, size_mm, folded(spacing).vertices_mm.shape)


def found_in(photo, spacing, view):
    return find_features(read_light(photo, plane_of(view), folded(spacing)), plane_of(view), folded(spacing))


def true_offsets(spacing, view, features, displacement):
    """Where the crease of every sample was drawn, along the plan's left normal."""
    nominal = folded(spacing)
    crease = nominal.views[view].crease[features.stretch]
    ends, t = nominal.creases.ends[crease], features.t[:, None]
    off = displacement[ends[:, 0]] * (1 - t) + displacement[ends[:, 1]] * t
    return np.sum(off * left_normals(nominal, crease), 1)


def misses(spacing, view, features, displacement):
    """(M,) measured minus drawn along the fall, less the mean of all samples of a kind, which is the look's zero; mm.
    Only of samples that are trusted."""
    kinds = lit_kinds(folded(spacing), view)
    facing, kind = kinds.facing[features.stretch], kinds.kind[features.stretch]
    miss = facing * (features.offset_mm - true_offsets(spacing, view, features, displacement))
    use = features.trust > 0
    mean = np.bincount(kind[use], miss[use]) / np.maximum(np.bincount(kind[use]), 1)
    return (miss[use] - mean[kind[use]]), use

"""The grid's unused creases of a front, painted or as samples, where known vertices and stray paper put them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from painted_edges import LINEAR, SHAPE, folded, plane_of

from foldtrue.detect.precreases import find_precreases
from foldtrue.handover import Photo
from foldtrue.handover_precreases import PrecreaseSamples


def strayed(nominal, creases, moved, motion_mm):
    """Ends (G, 2, 2) mm of creases where moved vertices (V, 2) have their facets and each facet's paper has moved by
    its own (F, 3): two shifts and a turn, the latter by what it moves the corners."""
    facets = np.unique(creases.facet)
    ends = creases.ends(moved).copy()
    for f in facets:
        corners = nominal.vertices_mm[list(nominal.facets[f].vertices)]
        reach = np.sqrt(np.mean(np.sum((corners - corners.mean(0)) ** 2, 1)))
        own = creases.facet == f
        arm = (ends[own] - corners.mean(0)) / reach
        turned = np.stack([-arm[:, :, 1], arm[:, :, 0]], 2) * motion_mm[f, 2]
        ends[own] += motion_mm[f, :2] + turned
    return ends


def motions(nominal, astray_mm, seed=0):
    return astray_mm * np.random.default_rng([seed, 5]).normal(size=(len(nominal.facets), 3))


def samples(nominal, displacement, motion_mm, noise_mm=0.005, seed=0, per_crease=20):
    """As if every crease had been measured."""
    wanted = find_precreases(nominal, "front")
    planned = wanted.creases.ends(nominal.vertices_mm)
    seen = strayed(nominal, wanted.creases, nominal.vertices_mm + displacement, motion_mm)
    off = np.einsum("gkj,gj->gk", seen - planned, wanted.creases.normals(nominal.vertices_mm))
    crease = np.repeat(np.arange(len(planned)), per_crease)
    t = np.tile((np.arange(per_crease) + 0.5) / per_crease, len(planned))
    noise = np.random.default_rng([seed, 6]).normal(0, noise_mm, len(t))
    value = off[crease, 0] * (1 - t) + off[crease, 1] * t + noise
    std = np.full(len(t), max(noise_mm, 1e-4))
    return PrecreaseSamples(wanted.creases, wanted.kind, crease, t, value, std, crease)


def ridge(across_mm):
    return np.exp(-0.5 * (across_mm / 0.25) ** 2)


def two_sides(across_mm):
    """Light on the side that faces the lamp, less dark on the other: a fold 0.5 mm wide to either side."""
    lit, away = (np.exp(-0.5 * ((across_mm - at) / 0.25) ** 2) for at in (0.3, -0.3))
    return lit - 0.4 * away


def painted(spacing, displacement, height=0.05, noise=0.01, look=ridge, seed=0):
    """A photo (5 px per mm) with nothing but the creases on its twists. look: light by mm across, along the left normal
    or against it, at random; a ridge is light or dark."""
    nominal, plane = folded(spacing), plane_of("front")
    creases = find_precreases(nominal, "front").creases
    rng = np.random.default_rng(seed)
    light = np.ones(SHAPE)
    for a, b in creases.ends(nominal.vertices_mm + displacement):
        corner = plane.map.to_px(np.array([a, b]))
        x0, y0 = np.maximum(np.floor(corner.min(0)).astype(int) - 12, 0)
        x1, y1 = np.ceil(corner.max(0)).astype(int) + 13
        y, x = np.mgrid[y0 : min(y1, SHAPE[0]), x0 : min(x1, SHAPE[1])]
        along = (b - a) / np.hypot(*(b - a))
        place = plane.map.to_mm(np.stack([x.ravel(), y.ravel()], 1).astype(float)) - a
        on = (place @ along > 0) & (place @ along < np.hypot(*(b - a)))
        across = place @ np.array([-along[1], along[0]])
        sense = rng.choice([-1, 1])
        value = height * on * (sense * ridge(across) if look is ridge else look(sense * across))
        light[y0:y1, x0:x1] += value.reshape(x.shape)
    light *= 1 + noise * rng.normal(size=SHAPE)
    code = np.rint(np.clip(0.5 * light, 0, 1) * 65535).astype(np.uint16)
    return Photo(np.repeat(code[:, :, None], 3, axis=2), LINEAR, "0" * 64, "PNG", 1, None, None)


def with_stray(samples_mm, rows, offset_mm):
    """The samples with those of some creases moved by offset_mm (len(rows),)."""
    more = np.zeros(len(samples_mm.found))
    more[rows] = offset_mm
    return replace(samples_mm, offset_mm=samples_mm.offset_mm + more[samples_mm.crease])

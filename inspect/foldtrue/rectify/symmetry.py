"""Motions that carry the folded plan onto itself: between them no photo can tell."""

from __future__ import annotations

import numpy as np

from foldtrue.frames import Array, apply_homography, rotation
from foldtrue.handover import Nominal


def same_looks(nominal: Nominal, view: str) -> list[Array]:
    """Motions (3, 3) of the folded frame, mm, that leave the piece looking the same, the one that does nothing first.

    Those of the plan's symmetry are turns about its origin. A list of twists need not be centred there: against the
    light, where only the number of layers shows, turns about the piece's own middle that carry every facet onto a
    facet count as well.
    """
    out = [motion(turn, np.zeros(2)) for turn in nominal.symmetry[view]]
    if view != "backlit":
        return out
    facets = _facets(nominal, nominal.vertices_mm)
    middle = np.average(facets[:, :2], axis=0, weights=facets[:, 2])
    if np.hypot(*middle) < 1e-6 * nominal.pitch_mm:
        return out
    for turn in np.arange(60.0, 360.0, 60.0):
        candidate = motion(float(turn), middle - rotation(float(turn)) @ middle)
        if _alike(facets, _facets(nominal, apply_homography(candidate, nominal.vertices_mm)), nominal.pitch_mm):
            out.append(candidate)
    return out


def turns_alike(start_mm: Array, end_mm: Array, pitch_mm: float) -> tuple[float, ...]:
    """Turns by 60 degrees about the origin that carry a drawing of segments (S, 2) onto itself, 0 first.

    More than `Nominal.symmetry` for a back whose cells tile it: there only which cell lies over which differs, and
    from the edges' places alone that cannot be told.
    """
    from scipy.spatial import cKDTree

    step, slack = 0.05 * pitch_mm, 0.06 * pitch_mm
    count = np.ceil(np.hypot(*(end_mm - start_mm).T) / step).astype(int) + 1
    points = np.concatenate([np.linspace(a, b, n) for a, b, n in zip(start_mm, end_mm, count, strict=True)])
    tree = cKDTree(points)
    turned = ((float(t), tree.query(points @ rotation(float(t)).T)[0].max()) for t in range(0, 360, 60))
    return tuple(t for t, off in turned if off < slack)


def motion(turn_deg: float, shift_mm: Array) -> Array:
    """3x3 matrix of a turn (deg, counter-clockwise) about the origin, then a shift (2,) mm."""
    matrix = np.eye(3)
    matrix[:2, :2], matrix[:2, 2] = rotation(turn_deg), shift_mm
    return matrix


def _facets(nominal: Nominal, vertices_mm: Array) -> Array:
    """(F, 5): centroid mm, area mm2, and second moment of the corners about their mean (2 parts) of every facet."""
    rows = np.empty((len(nominal.facets), 5))
    for k, facet in enumerate(nominal.facets):
        p = vertices_mm[list(facet.vertices)]
        z = p[:, 0] + 1j * p[:, 1]
        cross = (np.conj(z) * np.roll(z, -1)).imag
        area = cross.sum() / 2
        centre = np.sum((z + np.roll(z, -1)) * cross) / (6 * area)
        moment = np.sum((z - z.mean()) ** 2)
        rows[k] = centre.real, centre.imag, abs(area), moment.real, moment.imag
    return rows


def _alike(one: Array, other: Array, pitch_mm: float) -> bool:
    """Whether two lists of facets hold the same facets in any order, each as often."""
    from scipy.spatial import cKDTree

    scale = np.array([pitch_mm, pitch_mm, pitch_mm**2, pitch_mm**2, pitch_mm**2])
    a, b = one / scale, other / scale
    there = cKDTree(a).query_ball_point(b, 1e-6, return_length=True)
    own = cKDTree(b).query_ball_point(b, 1e-6, return_length=True)
    return bool((there == own).all())

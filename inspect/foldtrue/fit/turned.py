"""What the equations of a network leave out, being linear in the vertices' displacements: an edge that has turned shows
elsewhere once it has also slid along itself.

A twist that lies 2 mm off and is turned by 7 degrees moves its sides by 0.2 mm in this way. The surplus is worked out
where the last solution puts the vertices, and taken off what was seen before the next (Gauss-Newton). Of edges against
the light only: from the camera's side few vertices are known well enough along their edges; but unused creases, which
go with a whole facet, are.
"""

from __future__ import annotations

import numpy as np

from foldtrue.fit.lines import EdgeLines
from foldtrue.fit.silhouette import on_crease
from foldtrue.frames import Array
from foldtrue.handover import IntArray, Nominal

LEAST_COSINE = 0.5
"""An edge is not believed to have turned by more than this, 60 degrees, against the plan."""


def surplus(lines: EdgeLines, crease: IntArray, nominal: Nominal, displacement_mm: Array) -> Array:
    """By how much the offset and slope (E, 2) of the line through each crease's displaced vertices exceed what is
    linear in their displacements (V, 2), both as `EdgeLines` has them: along the normal of the crease that was scanned,
    at its t_mid, and per unit of its t."""
    t, ratio = on_crease(lines, crease, nominal)
    ends = nominal.creases.ends
    first, last = (nominal.vertices_mm[ends[lines.crease, k]] for k in (0, 1))
    way = last - first
    place = first + way * lines.t_mid[:, None]
    planned, moved = nominal.vertices_mm[ends[crease]], displacement_mm[ends[crease]]
    return _beyond_linear(planned, moved, (t, ratio), place, way, lines.normal)


def line_surplus(planned_mm: Array, moved_mm: Array, normal: Array, t: Array) -> Array:
    """The same (E, 2) for lines with planned ends (E, 2, 2) mm which these have moved by (E, 2, 2) mm: along their
    planned normals (E, 2), at t (E,) between the ends and per unit of it."""
    way = planned_mm[:, 1] - planned_mm[:, 0]
    place = planned_mm[:, 0] + way * t[:, None]
    return _beyond_linear(planned_mm, moved_mm, (t, np.ones(len(t))), place, way, normal)


def _beyond_linear(
    planned: Array, moved: Array, at: tuple[Array, Array], place: Array, way: Array, normal: Array
) -> Array:
    """What offset from place along normal, and its growth along way, (E, 2), of lines with these ends (E, 2, 2) exceed
    the linear by; 0 where they have turned too far to be told. at: where place lies between the ends, and the ratio
    that turns growth between these into that along way."""
    (t, ratio), first, along = at, planned[:, 0] + moved[:, 0], np.diff(planned + moved, axis=1)[:, 0]
    steep = _cross(normal, along)
    usable = np.abs(steep) > LEAST_COSINE * np.hypot(*along.T)
    steep = np.where(usable, steep, 1.0)
    exact = np.stack([_cross(first - place, along), -_cross(way, along)], 1) / steep[:, None]
    near, far = (np.sum(moved[:, k] * normal, 1) for k in (0, 1))
    linear = np.stack([(1 - t) * near + t * far, ratio * (far - near)], 1)
    return np.asarray(np.where(usable[:, None], exact - linear, 0.0))


def _cross(a: Array, b: Array) -> Array:
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])

"""What a crease pattern must satisfy before it is folded: a clean drawing, and the local theorems at every vertex.

Sources: Kawasaki-Justin (alternate sectors add up to 180 degrees) and Maekawa (|M - V| = 2) as published for flat
vertices; a strictly smallest sector lies between creases of unlike sense, because its two neighbours would otherwise
have to pass through each other.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np

from foldtrue.errors import PlanError
from foldtrue.frames import Array
from foldtrue.handover import IntArray
from foldtrue.plan.planar import Points

# Angles are differences of directions known to about 1e-12; a misfit of the geometry is never this small.
ANGLE_TOLERANCE_DEG = 1e-7


def check_drawing(
    vertices: Points, ends: IntArray, owners: Sequence[tuple[str, ...]], faces: tuple[IntArray, IntArray, Array]
) -> None:
    """Refuse a drawing whose creases cross, touch or overlap.

    faces: face of each half-edge, next half-edge, area of each face (see planar.trace_faces). A drawing whose faces
    are all convex and obey Euler's formula has no crossings; only if that fails are pairs of creases searched.
    Raises PlanError with the twists at the first fault.
    """
    face, following, area = faces
    inner = area > 0
    if len(vertices) - len(ends) + len(area) == 2 and inner.sum() == len(area) - 1:
        step = vertices[ends[:, ::-1].reshape(-1)] - vertices[ends.reshape(-1)]
        turn = np.angle(step[following] / step)
        total = np.bincount(face, turn, minlength=len(area))
        if (turn[inner[face]] > -1e-7).all() and np.allclose(total[inner], 2 * np.pi, atol=1e-6):
            return
    pair = next(conflicts(vertices, ends), None)
    if pair is None:
        return
    names = tuple(sorted({name for k in pair for name in owners[k]}, key=lambda name: (name[0] == "p", int(name[1:]))))
    raise PlanError(
        f"The creases of {' and '.join(names)} run into each other.", "Move the twists apart or leave one out.", names
    )


def conflicts(vertices: Points, ends: IntArray) -> Iterator[tuple[int, int]]:
    """Every two segments that meet anywhere but in a common end, or lie on each other."""
    a, b = vertices[ends[:, 0]], vertices[ends[:, 1]]
    near = 1e-9 * np.abs(vertices).max()
    for k in range(len(ends) - 1):
        rest = slice(k + 1, None)
        along = (b[k] - a[k]) / abs(b[k] - a[k])
        p, q = (a[rest] - a[k]) * along.conjugate(), (b[rest] - a[k]) * along.conjugate()
        length = abs(b[k] - a[k])
        parallel = (np.abs(p.imag) <= near) & (np.abs(q.imag) <= near)
        overlap = np.minimum(np.maximum(p.real, q.real), length) - np.maximum(np.minimum(p.real, q.real), 0)
        across = (np.minimum(p.imag, q.imag) <= near) & (np.maximum(p.imag, q.imag) >= -near) & ~parallel
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.clip(np.where(across, p.imag / (p.imag - q.imag), 0.0), 0.0, 1.0)
        meet = p.real + share * (q.real - p.real)
        in_common = (ends[rest, :, None] == ends[k]).any((1, 2))
        crossing = across & (meet >= -near) & (meet <= length + near) & ~in_common
        for hit in np.flatnonzero(crossing | (parallel & (overlap > near))).tolist():
            yield k, k + 1 + hit


def check_vertices(vertices: Points, ends: IntArray, kind: Sequence[str], owners: Sequence[tuple[str, ...]]) -> None:
    """Kawasaki-Justin, Maekawa and the smallest-sector rule at every vertex inside the sheet.

    Raises PlanError with the twists at the first vertex that fails.
    """
    on_rim = {int(v) for pair, sense in zip(ends, kind, strict=True) if sense == "R" for v in pair}
    start = ends.reshape(-1)
    direction = np.rad2deg(np.angle(vertices[ends[:, ::-1].reshape(-1)] - vertices[start]))
    order = np.lexsort((direction, start))
    bounds = np.searchsorted(start[order], np.arange(len(vertices) + 1)).tolist()
    for v, (low, high) in enumerate(pairwise(bounds)):
        if v in on_rim:
            continue
        around = order[low:high]
        fault = local_fault(direction[around], [kind[h // 2] for h in around.tolist()])
        if fault:
            names = tuple(dict.fromkeys(name for h in around.tolist() for name in owners[h // 2]))
            place = f"({vertices[v].real:.4g}, {vertices[v].imag:.4g}) mm"
            raise PlanError(
                f"It does not fold flat at {' and '.join(names)}, {place} from the sheet's centre: {fault}.",
                "Move the twists apart or change a hand.",
                names,
            )


def local_fault(direction_deg: Array, kind: Sequence[str]) -> str:
    """What is wrong with one flat vertex, in words; empty when nothing is.

    direction_deg: (n,) ascending directions of its creases. kind: 'M' or 'V' of each.
    """
    n = len(kind)
    sector = np.diff(direction_deg, append=direction_deg[0] + 360)
    if n % 2 or n < 4:
        return f"{n} creases meet, an even number of at least four is needed"
    if abs(sector[::2].sum() - 180) > ANGLE_TOLERANCE_DEG:
        return f"alternate angles add up to {sector[::2].sum():.4g} degrees, not 180 (Kawasaki-Justin)"
    mountains = sum(sense == "M" for sense in kind)
    if abs(2 * mountains - n) != 2:
        return f"{mountains} mountains and {n - mountains} valleys meet, the numbers must differ by two (Maekawa)"
    for k in range(n):
        if sector[k] < min(sector[k - 1], sector[(k + 1) % n]) - ANGLE_TOLERANCE_DEG and kind[k] == kind[(k + 1) % n]:
            return f"the smallest angle, {sector[k]:.4g} degrees, lies between creases of one sense"
    return ""

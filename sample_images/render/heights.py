"""How high every facet lies: thin elastic plates under a light pressure that may not pass through each other.

Each facet's height is a smooth surface (uniform cubic B-splines over the planned folded plane). It bends like paper,
its folds pull its edges together, gravity and pressing push it down, and wherever two facets overlap the upper one
stays at least a paper's thickness above. Cyclic orders come out by themselves: facets tilt and bend past each other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from honeycomb import Folding
from scipy import sparse
from scipy.sparse.linalg import splu
from stacking import depth_inside, outlines, stacks

KNOT_MM = 5.0


@dataclass(frozen=True)
class Paper:
    """thickness_mm; clearance: least distance of layers' middles in thicknesses (lowest, highest; drawn pair by pair);
    stiffness N mm; pressure N/mm2 (weight and pressing); curl_per_mm: random curvature left in a facet."""

    thickness_mm: float = 0.10
    clearance: tuple[float, float] = (1.10, 1.45)
    stiffness: float = 0.25
    pressure: float = 2.0e-5
    curl_per_mm: float = 5.0e-4
    contact: float = 0.3
    hinge: float = 2.0e-3


class Surfaces:
    """Heights of all facets: coefficients (C,) of B-splines, a block of them for each facet."""

    def __init__(self, folding: Folding) -> None:
        self.blocks, self.size = [], 0
        for outline in outlines(folding):
            low = np.floor(outline.min(0) / KNOT_MM).astype(int) - 1
            count = np.ceil(outline.max(0) / KNOT_MM).astype(int) - low + 2
            self.blocks.append((self.size, low, count))
            self.size += int(count[0] * count[1])
        self.coefficients = np.zeros(self.size)

    def rows(self, facet: np.ndarray, points: np.ndarray, dx: int = 0, dy: int = 0) -> sparse.csr_matrix:
        """(N, C) matrix that gives the height (or its derivative, per mm) of facet[i] at points[i], (N, 2) mm."""
        first = np.array([b[0] for b in self.blocks])[facet]
        low = np.array([b[1] for b in self.blocks])[facet]
        count = np.array([b[2] for b in self.blocks])[facet]
        u = points / KNOT_MM
        cell = np.clip(np.floor(u).astype(int), low + 1, low + count - 3)
        bx, by = basis(u[:, 0] - cell[:, 0], dx), basis(u[:, 1] - cell[:, 1], dy)
        i = cell[:, 0, None] - 1 - low[:, 0, None] + np.arange(4)
        j = cell[:, 1, None] - 1 - low[:, 1, None] + np.arange(4)
        column = first[:, None, None] + i[:, :, None] * count[:, 1, None, None] + j[:, None, :]
        row = np.broadcast_to(np.arange(len(points))[:, None, None], column.shape)
        value = bx[:, :, None] * by[:, None, :]
        return sparse.csr_matrix((value.ravel(), (row.ravel(), column.ravel())), (len(points), self.size))

    def at(self, facet: np.ndarray, points: np.ndarray) -> np.ndarray:
        """Height (N,) mm of the middle of the paper."""
        return self.rows(facet, points) @ self.coefficients


def basis(t: np.ndarray, order: int) -> np.ndarray:
    """(N, 4) uniform cubic B-splines, or their derivative of this order per mm, at t in 0..1 between knots."""
    polynomials = np.array([[-1, 3, -3, 1], [3, -6, 0, 4], [-3, 3, 3, 1], [1, 0, 0, 0]]) / 6
    return np.stack([np.polyval(np.polyder(p, order) if order else p, t) for p in polynomials], axis=1) / KNOT_MM**order


def grid(low: np.ndarray, high: np.ndarray, step: float) -> np.ndarray:
    """(N, 2) points of a square grid, off the lattice's own lines."""
    x, y = (np.arange(low[k] + 0.37 * step, high[k], step) for k in (0, 1))
    return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)


def contact_pairs(folding: Folding) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Upper facet (M,), lower facet (M,), place (M, 2) mm: neighbours in the stack over a grid and along all edges, and
    the lowest facet above the support (lower = -1)."""
    shapes = outlines(folding)
    points = [grid(folding.folded_mm.min(0), folding.folded_mm.max(0), 1.7)]
    for shape in shapes:
        centre = shape.mean(0)
        for p, q in zip(shape, np.roll(shape, -1, axis=0), strict=True):
            t = np.arange(0.4, np.hypot(*(q - p)) - 0.4, 1.3)[:, None] / np.hypot(*(q - p))
            edge = p + (q - p) * t
            points.append(edge + 0.15 * (centre - edge) / np.hypot(*(centre - edge).T)[:, None])
    where = np.concatenate(points)
    upper, lower, at = [], [], []
    for point, stack in zip(where, stacks(folding, where), strict=True):
        for up, low in zip(stack, [*stack, -1][1:], strict=True):
            upper.append(up)
            lower.append(low)
            at.append(point)
    return np.array(upper), np.array(lower), np.array(at)


def bending(
    surfaces: Surfaces, folding: Folding, paper: Paper, rng: np.random.Generator
) -> tuple[sparse.csr_matrix, np.ndarray]:
    """Stiffness matrix (C, C) and load (C,) of bending, left-over curl and pressure."""
    step = 2.0
    facet, at = [], []
    for f, shape in enumerate(outlines(folding)):
        points = grid(shape.min(0), shape.max(0), step)
        points = points[depth_inside(shape, points) > -0.3 * step]
        facet.append(np.full(len(points), f))
        at.append(points)
    which, where, area = np.concatenate(facet), np.concatenate(at), step**2
    curl = rng.normal(0, paper.curl_per_mm, (len(folding.facets), 3))
    stiffness, load = sparse.csr_matrix((surfaces.size, surfaces.size)), np.zeros(surfaces.size)
    for k, (dx, dy, weight) in enumerate(((2, 0, 1), (1, 1, 2), (0, 2, 1))):
        rows = surfaces.rows(which, where, dx, dy)
        stiffness = stiffness + paper.stiffness * weight * area * rows.T @ rows
        load += paper.stiffness * weight * area * (rows.T @ curl[which, k])
    load -= paper.pressure * area * np.asarray(surfaces.rows(which, where).sum(axis=0)).ravel()
    return stiffness + 1e-9 * sparse.eye(surfaces.size), load


def hinges(surfaces: Surfaces, folding: Folding, paper: Paper) -> tuple[sparse.csr_matrix, np.ndarray]:
    """Stiffness and load of the folds: they pull the two edges to 1.3 thicknesses from each other."""
    over, under, at = [], [], []
    for crease in folding.creases:
        p, q = folding.folded_mm[list(crease.ends)]
        t = np.arange(0.5, np.hypot(*(q - p)), 1.0)[:, None] / np.hypot(*(q - p))
        over += [crease.over] * len(t)
        under += [crease.under] * len(t)
        at.append(p + (q - p) * t)
    where = np.concatenate(at)
    rows = surfaces.rows(np.array(over), where) - surfaces.rows(np.array(under), where)
    target = np.full(rows.shape[0], 1.3 * paper.thickness_mm)
    return paper.hinge * rows.T @ rows, paper.hinge * (rows.T @ target)


def settle(folding: Folding, paper: Paper, seed: int) -> tuple[Surfaces, float]:
    """The facets at rest, and the deepest overlap left (mm, small against the thickness). Contacts are stiff springs
    that only push; Newton steps with the set of those that push, until it no longer changes."""
    rng = np.random.default_rng(seed)
    surfaces = Surfaces(folding)
    stiffness, load = bending(surfaces, folding, paper, rng)
    k, f = hinges(surfaces, folding, paper)
    stiffness, load = stiffness + k, load + f
    upper, lower, at = contact_pairs(folding)
    least = paper.thickness_mm * rng.uniform(*paper.clearance, (len(folding.facets), len(folding.facets)))
    rows = surfaces.rows(upper, at)
    inner = lower >= 0
    below = surfaces.rows(np.where(inner, lower, 0), at)
    rows = rows - sparse.diags(inner.astype(float)) @ below
    gap = np.where(inner, least[upper, lower], 0.5 * paper.thickness_mm)
    z = surfaces.coefficients
    pushing = np.ones(len(gap), bool)
    for _ in range(60):
        c = rows[pushing]
        z = splu((stiffness + paper.contact * c.T @ c).tocsc()).solve(load + paper.contact * (c.T @ gap[pushing]))
        now = rows @ z < gap
        if (now == pushing).mean() > 0.9995:
            break
        pushing = now
    surfaces.coefficients = z
    return surfaces, float(np.max(gap - rows @ z))

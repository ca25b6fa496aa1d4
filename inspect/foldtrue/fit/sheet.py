"""The shape of a cut sheet from its sides: lengths, angles, heights, and the largest true sheet inside it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import Reference
from foldtrue.handover_grid import SheetShape, SheetSides

DRAWS, BEST_DRAWS = 200, 24
"""Draws of the sides for the uncertainties (JCGM 101, with its own seed): of the plain figures, and of the best sheet,
which takes a search each."""
MOST_TURN_DEG = 4.0
"""How far the best sheet may be turned against the cut one."""
SPARE = 1e-4
REACH = 0.6
"""A side is carried by the points at this share of its half length."""


@dataclass(frozen=True)
class _Lines:
    """Sides as lines normal . p = offset: normal (..., K, 2) outward, offset (..., K) mm."""

    normal: Array
    offset: Array


def sheet_shape(
    outline_mm: Array, sides: SheetSides, cov: Array, plane: PlaneMap | None = None, reference: Reference | None = None
) -> SheetShape:
    """Figures of the sheet. sides: measured in a frame whose mm are known, cov (K, 2, 2) of them; reference with its
    plane: what made them known, whose own uncertainty then counts too.

    A side that was not seen is taken as planned; callers see to it that all are."""
    rng = np.random.default_rng(7)
    planned = _planned(outline_mm)
    figures = np.stack([sides.offset_error_mm, np.deg2rad(sides.angle_error_deg)], 1)
    root = np.linalg.cholesky(cov + 1e-14 * np.eye(2))
    drawn = figures + np.einsum("kij,dkj->dki", root, rng.standard_normal((DRAWS, len(figures), 2)))
    here, clouds = _lines(planned, figures), _lines(planned, drawn)
    if reference is not None and plane is not None:
        clouds = _with_reference(clouds, outline_mm, plane, reference, rng)
    value, spread = _plain(here), _plain(clouds)
    best = _best_inside(outline_mm, here)
    many = [_best_inside(outline_mm, _Lines(clouds.normal[k], clouds.offset[k])) for k in range(min(BEST_DRAWS, DRAWS))]
    # A trim is told against the best sheet where it lies: what is uncertain is where the side lies.
    trims = np.array(
        [_trims(outline_mm, _Lines(*pair), best) for pair in zip(clouds.normal, clouds.offset, strict=True)]
    )
    corners, side, angle, height = value
    return SheetShape(
        "reference" if reference is not None else "grid",
        None if reference is None else reference.kind,
        corners,
        side,
        spread[1].std(0),
        angle,
        spread[2].std(0),
        height,
        spread[3].std(0),
        best[1:3],
        float(best[0]),
        float(np.std([b[0] for b in many])),
        float(np.degrees(best[3])),
        _trims(outline_mm, here, best),
        trims.std(0),
    )


def _planned(outline: Array) -> _Lines:
    ahead = np.roll(outline, -1, 0) - outline
    normal = np.stack([ahead[:, 1], -ahead[:, 0]], 1) / np.hypot(*ahead.T)[:, None]
    return _Lines(normal, np.sum(normal * outline, 1))


def _lines(planned: _Lines, figures: Array) -> _Lines:
    """Planned lines moved out and turned by figures (..., K, 2), mm and rad, about their foot points."""
    angle = np.arctan2(planned.normal[:, 1], planned.normal[:, 0]) + figures[..., 1]
    normal = np.stack([np.cos(angle), np.sin(angle)], -1)
    foot = (planned.offset + figures[..., 0])[..., None] * planned.normal
    return _Lines(normal, np.sum(normal * foot, -1))


def _with_reference(
    lines: _Lines, outline: Array, plane: PlaneMap, reference: Reference, rng: np.random.Generator
) -> _Lines:
    """The draws of the lines seen through draws of the reference's map and of its own size.

    plane: sheet mm -> px; it and the reference's map differ by a similarity of mm."""
    normal, offset = lines.normal.copy(), lines.offset.copy()
    factor = np.linalg.cholesky(reference.map_cov + 1e-18 * np.diag(np.maximum(np.diag(reference.map_cov), 1e-30)))
    to_reference = np.linalg.inv(reference.map.homography) @ plane.homography
    places = np.concatenate([outline, 0.5 * (outline + np.roll(outline, -1, 0))])
    px = plane.to_px(places)
    linear = to_reference[:2, :2] / to_reference[2, 2]
    grow = float(np.sqrt(abs(np.linalg.det(linear))))
    for d in range(len(offset)):
        change = factor @ rng.standard_normal(9)
        matrix = reference.map.homography + np.append(change[:8], 0.0).reshape(3, 3) * reference.map.homography[2, 2]
        map_d = PlaneMap(matrix, reference.map.k1 + change[8], reference.map.centre_px, reference.map.focal_px)
        size = 1 + rng.standard_normal(2) * reference.size_std + rng.standard_normal() * reference.common_std
        moved = (map_d.to_mm(px) - reference.map.to_mm(px)) + reference.map.to_mm(px) * (size - 1)
        shift = moved @ linear / grow**2
        k = len(outline)
        ends = shift[:k], np.roll(shift[:k], -1, 0)
        out = [np.sum(e * normal[d], 1) for e in ends]
        length = np.hypot(*(np.roll(outline, -1, 0) - outline).T)
        turn = (out[0] - out[1]) / length
        middle = 0.5 * (out[0] + out[1])
        angle = np.arctan2(normal[d, :, 1], normal[d, :, 0]) + turn
        at = offset[d][:, None] * normal[d] + middle[:, None] * normal[d]
        normal[d] = np.stack([np.cos(angle), np.sin(angle)], 1)
        offset[d] = np.sum(normal[d] * at, 1)
    return _Lines(normal, offset)


def _plain(lines: _Lines) -> tuple[Array, Array, Array, Array]:
    """Corners (..., K, 2), side lengths and inside angles (..., K), heights (..., K / 2)."""
    before = _Lines(np.roll(lines.normal, 1, -2), np.roll(lines.offset, 1, -1))
    pair = np.stack([before.normal, lines.normal], -2)
    corners = np.linalg.solve(pair, np.stack([before.offset, lines.offset], -1)[..., None])[..., 0]
    ahead = np.roll(corners, -1, -2) - corners
    side = np.hypot(ahead[..., 0], ahead[..., 1])
    cross = before.normal[..., 0] * lines.normal[..., 1] - before.normal[..., 1] * lines.normal[..., 0]
    angle = 180.0 - np.degrees(np.arctan2(cross, np.sum(before.normal * lines.normal, -1)))
    count = side.shape[-1]
    if count % 2:
        return corners, side, angle, side[..., :0]
    middle = corners + 0.5 * ahead
    apart = middle[..., : count // 2, :] - middle[..., count // 2 :, :]
    across = lines.normal[..., : count // 2, :] - lines.normal[..., count // 2 :, :]
    across = across / np.hypot(across[..., 0], across[..., 1])[..., None]
    return corners, side, angle, np.sum(apart * across, -1)


def _best_inside(outline: Array, lines: _Lines) -> Array:
    """(size, centre x, y, turn rad) of the largest sheet of the planned shape inside the lines.

    For a given turn a linear program: every planned corner, scaled and shifted, inside every side; the turn by search.
    Given up SPARE of its size, it lies so that the most that must be cut off anywhere is least: where two sides are
    nearly parallel the very largest sheet may lie anywhere between them."""
    from scipy.optimize import linprog, minimize_scalar

    free, positive = (None, None), (0, None)

    def reach(turn: float) -> Array:
        c, s = np.cos(turn), np.sin(turn)
        return np.asarray((outline @ np.array([[c, s], [-s, c]]) @ lines.normal.T).max(0))

    def size(turn: float) -> float:
        bounds = np.column_stack([reach(turn), lines.normal])
        found = linprog([-1.0, 0, 0], A_ub=bounds, b_ub=lines.offset, bounds=[positive, free, free])
        return float(found.x[0])

    limit = np.deg2rad(MOST_TURN_DEG)
    search = minimize_scalar(
        lambda turn: -size(turn), bounds=(-limit, limit), method="bounded", options={"xatol": 1e-6}
    )
    turn = float(search.x)
    best = size(turn) * (1 - SPARE)
    room = lines.offset - best * reach(turn)
    none = np.zeros((len(room), 1))
    inside, shallow = np.hstack([lines.normal, none]), np.hstack([-lines.normal, none - 1.0])
    placed = linprog(
        [0, 0, 1.0], A_ub=np.vstack([inside, shallow]), b_ub=np.concatenate([room, -room]), bounds=[free, free, free]
    )
    return np.array([best, placed.x[0], placed.x[1], turn])


def _trims(outline: Array, lines: _Lines, best: Array) -> Array:
    """(K, 2) mm that the lines lie outside of the best sheet's sides, at the start and the end of each side."""
    c, s = np.cos(best[3]), np.sin(best[3])
    corners = best[0] * outline @ np.array([[c, s], [-s, c]]) + best[1:3]
    ends = np.stack([corners, np.roll(corners, -1, 0)], 1)
    return np.asarray(lines.offset[:, None] - np.einsum("kej,kj->ke", ends, lines.normal))


def least_out_of_true(sides: SheetSides, design: Array) -> tuple[float, float]:
    """RMS distance mm of the sides' carrying points from the planned sides in the perspective that suits them best, and
    its standard uncertainty. design: (2K, 8) effect of a homography on those points (REACH)."""
    half = sides.half_mm[sides.seen] * REACH
    angle = np.deg2rad(sides.angle_error_deg[sides.seen])
    value = np.concatenate([sides.offset_error_mm[sides.seen] - sign * half * angle for sign in (-1.0, 1.0)])
    left = np.eye(len(value)) - design @ np.linalg.pinv(design)
    lever = np.stack([np.ones_like(half), half], 1)
    std = np.sqrt(np.einsum("ki,kij,kj->k", lever, sides.cov[sides.seen], lever))
    rest = left @ value
    noise = (left * np.tile(std, 2) ** 2) @ left.T
    rms = float(np.sqrt(np.mean(rest**2)))
    return rms, float(np.sqrt(rest @ noise @ rest)) / (len(value) * max(rms, 1e-12))

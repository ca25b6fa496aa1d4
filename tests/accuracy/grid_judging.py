"""Compare a measured grid with the truth: lines found and invented, errors after the similarity, intervals, causes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.handover_grid import GridFit, PlannedGrid

VISIBLE = 0.02
"""Least mean height of a line's look, relative to the paper's light, that one sees (common practice, no source)."""


@dataclass(frozen=True)
class GridScore:
    """One photo. found, visible: lines present; found_visible: of the visible ones; invented: found but not there;
    named_missing: right and wrong. Errors over the found lines after the best similarity of their difference is taken
    out: offset_mm, angle_deg (n,); held_offset, held_angle (n,) whether inside their own 95 % interval."""

    present: int
    found: int
    visible: int
    found_visible: int
    invented: int
    missing_right: int
    missing_wrong: int
    missing: int
    offset_mm: np.ndarray
    angle_deg: np.ndarray
    held_offset: np.ndarray
    held_angle: np.ndarray
    code: str
    true_code: str
    guilty: bool


def without_similarity(grid: PlannedGrid, offset, angle):
    """Offsets and angles (n,) of lines grid less the shift and scale (least squares on offsets) and the mean turn.
    `grid` is (normals, offsets) of the same n lines."""
    normals, places = grid
    design = np.stack([normals[:, 0], normals[:, 1], places], 1)
    return offset - design @ np.linalg.lstsq(design, offset, rcond=None)[0], angle - angle.mean()


def score(grid: PlannedGrid, fit: GridFit, cause, truth) -> GridScore:
    """truth: offset_mm, angle_deg, present, contrast (L,), code, family, side, as in GridTruth."""
    found = np.array([status == "measured" for status in fit.status])
    named = np.array([status == "missing" for status in fit.status])
    visible = truth.present & (truth.contrast >= VISIBLE)
    both = found & truth.present
    rows = (grid.normals[both], grid.offset_mm[both])
    offset, angle = without_similarity(
        rows, (fit.offset_error_mm - truth.offset_mm)[both], (fit.angle_error_deg - truth.angle_deg)[both]
    )
    effect = cause.effect
    guilty = (
        effect is None
        or (truth.family is not None and effect.family == truth.family)
        or (truth.side is not None and effect.side == truth.side)
    )
    return GridScore(
        int(truth.present.sum()), int(both.sum()), int(visible.sum()), int((both & visible).sum()),
        int((found & ~truth.present).sum()), int((named & ~truth.present).sum()), int((named & truth.present).sum()),
        int((~truth.present).sum()), offset, angle,
        np.abs(offset) <= fit.offset_u95_mm[both], np.abs(angle) <= fit.angle_u95_deg[both],
        cause.code, truth.code, guilty,
    )  # fmt: skip


def cause_is_right(one: GridScore) -> bool:
    """The planted cause and what it concerns; random errors may be called random or none."""
    if one.true_code == "random_line_errors":
        return one.code in ("random_line_errors", "none")
    return one.code == one.true_code and one.guilty

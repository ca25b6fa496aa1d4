"""The reduced accuracy gate of pre-creased sheets: one simulated photo of every kind of error, and outside pictures.

Limits are the project's targets: at least 95 % of the visible lines found, none invented, offset RMS 0.05 mm, angle RMS
0.03 deg after the similarity, the planted cause right. The photos here are smaller than the 12 megapixels the targets
are meant for, and so are the sheets.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from grid_judging import cause_is_right, score
from grids import picture
from sheets import photographed, small_plan

from foldtrue.inspection_grid import inspect_grid
from foldtrue.simulate.sheet_scene import GridErrors

PICTURES = Path(os.environ.get("FOLDTRUE_PHOTOS", "nowhere"), "grids")
KINDS = {
    "clean": GridErrors(),
    "random": GridErrors(kind="random", line_mm=0.12, line_deg=0.06),
    "drift": GridErrors(kind="drift", family=0, end=-1, size=0.6),
    "turned": GridErrors(kind="turned", family=1, size=0.25),
    "side": GridErrors(kind="side", side=4, size=0.8),
    "missing": GridErrors(kind="missing", count=2),
}


def check(one):
    assert one.found_visible >= 0.95 * one.visible
    assert one.invented == 0
    assert one.missing_wrong == 0
    assert np.sqrt(np.mean(one.offset_mm**2)) <= 0.05
    assert np.sqrt(np.mean(one.angle_deg**2)) <= 0.03
    assert cause_is_right(one)


@pytest.mark.parametrize("view", ["backlit", "front"])
@pytest.mark.parametrize("kind", KINDS)
def test_simulated_sheets(kind, view, tmp_path):
    made = photographed(view, KINDS[kind])
    (tmp_path / "sheet.jpg").write_bytes(made.jpeg)
    found = inspect_grid(tmp_path / "sheet.jpg", small_plan())
    check(score(found.grid, found.fit, found.cause, made.truth))


@pytest.mark.skipif(not PICTURES.is_dir(), reason="FOLDTRUE_PHOTOS names no folder with grids/")
@pytest.mark.parametrize("path", sorted(PICTURES.glob("*.json")), ids=lambda path: path.stem)
def test_outside_pictures(path):
    check(picture(path))

"""A hexagon twist among triangles: against the light two folds lie on each of its sides, so its pleats have to tell."""

from __future__ import annotations

import numpy as np
import pytest

from foldtrue.alignment import fit_globally
from foldtrue.frames import apply_homography
from foldtrue.plan.file import parse_plan


@pytest.fixture
def mixed():
    """Seven twists, pleats two rows wide, eight pitches apart: half the sheet's size (published ratio 1 - 4a/D)."""
    around = ((8, 0), (0, 8), (-8, 8), (-8, 0), (0, -8), (8, -8))
    triangles = [
        {"grid": list(place), "kind": "triangle", "turn": (k + 1) % 2, "hand": "cw", "width_rows": 2}
        for k, place in enumerate(around)
    ]
    reach = 2 / np.sqrt(3) * 1.5 * np.sqrt(3) / 2 * 8 * 6.0
    corners = [[reach * np.cos(a), reach * np.sin(a)] for a in np.arange(6) * np.pi / 3]
    return parse_plan(
        {
            "format": "foldtrue-plan",
            "version": 1,
            "name": "hexagon among triangles (invented)",
            "sheet": {"shape": "polygon", "corners_mm": corners},
            "grid": {"kind": "pitch", "pitch_mm": 6.0},
            "twists": [{"grid": [0, 0], "kind": "hexagon", "hand": "ccw", "width_rows": 2}, *triangles],
        }
    )


def test_a_hexagon_whose_sides_cancel_is_measured_by_its_pleats(shoot, mixed):
    shot = shoot(mixed)
    found = shot.measure()
    assert found.fit.measured.all()
    planned = np.array([t.planned_mm for t in shot.nominal.twists])
    whole = fit_globally(planned, planned + shot.poses.position_error_mm, "homography", np.ones(7))
    wanted = apply_homography(np.linalg.inv(whole.matrix), planned + shot.poses.position_error_mm) - planned
    assert np.hypot(*(found.fit.position_error_mm - wanted).T).max() < 0.03

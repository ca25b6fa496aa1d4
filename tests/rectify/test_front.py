"""Front and back views under a lamp: where the plan's edges lie against a simulated photo's own camera."""

from __future__ import annotations

import numpy as np
import pytest

from foldtrue.plan.file import parse_plan
from foldtrue.plan.fold import fold_plan
from foldtrue.rectify.by_edges import visible_edges
from foldtrue.rectify.piece import RectifyOptions, rectify_photo
from foldtrue.rectify.symmetry import motion, turns_alike
from foldtrue.simulate import Camera, Errors, Scene, simulate_photo


def honeycomb(height_mm, divisions, spacing, rings):
    return fold_plan(
        parse_plan(
            {
                "format": "foldtrue-plan",
                "version": 1,
                "name": "window panel (invented)",
                "sheet": {"shape": "hexagon", "height_mm": height_mm},
                "grid": {"kind": "point-to-point", "divisions": divisions},
                "twists": {"recipe": "honeycomb", "spacing": spacing, "rings": rings},
            }
        )
    )


PLANS = {2: (240, 16, 2, 2), 3: (198, 24, 3, 2), 4: (208, 32, 4, 2)}


@pytest.fixture(scope="module", params=PLANS)
def plan(request):
    return honeycomb(*PLANS[request.param])


def scene(view, seed, **camera):
    lens = {"width_px": 1400, "height_px": 1100} | camera
    return Scene(seed=seed, view=view, camera=Camera(**lens), errors=Errors(position_mm=0.1, angle_deg=0.3))


def off_pitches(nominal, plane, truth):
    """Largest distance of any vertex from its planned place, in pitches, in the best of the turns that look alike."""
    edges = visible_edges(nominal, plane.view)
    turns = turns_alike(edges.start_mm, edges.end_mm, nominal.pitch_mm)
    pitch_px = nominal.pitch_mm * np.hypot(*truth.map.jacobian(np.zeros((1, 2)))[0, :, 0])
    there = truth.map.to_px(nominal.vertices_mm)
    moved = (plane.map.to_px(nominal.vertices_mm @ motion(t, np.zeros(2))[:2, :2].T) for t in turns)
    return min(np.hypot(*(m - there).T).max() for m in moved) / pitch_px


@pytest.mark.parametrize("view", ["front", "back"])
@pytest.mark.parametrize(("roll_deg", "tilt_deg"), [(0.0, 0.0), (17.0, 12.0), (-25.0, 20.0)])
def test_the_edges_lie_on_the_edges(plan, view, roll_deg, tilt_deg):
    shot = simulate_photo(plan, scene(view, 3, roll_deg=roll_deg, tilt_deg=tilt_deg, tilt_axis_deg=50.0))
    plane = rectify_photo(shot.photo, plan, RectifyOptions(view=view))
    assert (plane.view, plane.side, plane.method) == (view, view, "outline")
    assert off_pitches(plan, plane, shot.truth) < 0.1
    assert plane.turn_deg == pytest.approx(roll_deg, abs=4.0)

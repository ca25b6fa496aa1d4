"""The reduced accuracy gate: a few simulated photos of every kind of trouble, against limits set beforehand.

The limits are those a useful tool must keep on pictures of about 5 px per millimetre: position RMS 0.04 mm, angle RMS
(common overturn taken out) 0.1 deg, a quarter of the error of an answer of zero, and 98 % of the twists measured.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from foldtrue.inspection import inspect_photo
from foldtrue.plan.file import parse_plan
from foldtrue.plan.fold import fold_plan
from foldtrue.report.result import result_record
from foldtrue.simulate import Camera, Errors, Light, Outlier, Paper, Scene, Sensor, simulate_photo, truth_poses

_spec = importlib.util.spec_from_file_location("judging", Path(__file__).with_name("judging.py"))
judging = importlib.util.module_from_spec(_spec)
import sys  # noqa: E402

sys.modules["judging"] = judging
_spec.loader.exec_module(judging)

LOOSE = Outlier(twist="t5", x_mm=1.0, y_mm=0.7, angle_deg=-3.0)
CASES = {
    "spacing 2, plain": (2, 16, {}, {}, {}, {}),
    "spacing 3, tilt 20 deg, fibres": (3, 24, {}, {"tilt_deg": 20.0, "roll_deg": 15.0}, {}, {"fibres_per_cm2": 2.0}),
    "spacing 2, lens, old creases": (2, 16, {}, {"k1": -0.08, "focal_35mm": 28.0}, {}, {"crease_contrast": 0.03}),
    "spacing 3, blur 2.5 px, uneven light": (3, 24, {}, {}, {"gradient": 0.3, "vignette": 0.3}, {}),
    "spacing 3, a loose twist, over-exposed": (3, 24, {"outliers": (LOOSE,)}, {}, {"exposure": 2.4}, {}),
}


@pytest.mark.parametrize("case", CASES)
def test_figures_stay_within_the_limits(case, tmp_path):
    spacing, divisions, errors, camera, light, paper = CASES[case]
    plan = parse_plan(
        {
            "format": "foldtrue-plan",
            "version": 1,
            "name": "window panel (invented)",
            "sheet": {"shape": "hexagon", "height_mm": 240},
            "grid": {"kind": "point-to-point", "divisions": divisions},
            "twists": {"recipe": "honeycomb", "spacing": spacing, "rings": 2},
        }
    )
    nominal = fold_plan(plan)
    scene = Scene(
        seed=list(CASES).index(case) + 40,
        errors=Errors(position_mm=0.2, angle_deg=0.6, vertex_mm=0.06, **errors),
        camera=Camera(**{"width_px": 1300, "height_px": 980, "focal_35mm": 50.0, **camera}),
        light=Light(**light),
        paper=Paper(**paper),
        sensor=Sensor(blur_px=2.5 if "blur" in case else 1.0),
    )
    photo = simulate_photo(nominal, scene)
    (tmp_path / "photo.jpg").write_bytes(photo.jpeg)
    found = inspect_photo(tmp_path / "photo.jpg", plan)
    poses = truth_poses(nominal, photo.truth)
    truth = judging.Truth(
        planned_mm=np.array([t.planned_mm for t in nominal.twists]),
        error_mm=poses.position_error_mm,
        turn_deg=poses.angle_error_deg,
        hand=np.array([t.hand for t in nominal.twists], float),
        px=np.array([t.mean(0) for t in photo.truth.tips_px]),
        seen=np.ones(len(nominal.twists), bool),
        mm_per_px=1 / float(np.hypot(*photo.truth.map.jacobian(np.zeros((1, 2)))[0, :, 0])),
    )
    result = judging.score(truth, result_record(found)["twists"], tuple(nominal.symmetry["backlit"]))
    assert result.wrong == 0
    assert result.upright
    assert result.share >= 0.98
    assert result.position_rms_mm <= 0.04
    assert result.gain <= 0.25
    assert result.angle_rms_deg <= 0.1

"""The reduced accuracy gate: a few simulated photos of every kind of trouble, against limits set beforehand.

The limits are the project's targets for a backlit piece that fills a 12-megapixel photo (3024 px high): position RMS
0.010 mm, angle RMS 0.02 deg after the mean overturn, 99 % of the twists measured, a quarter of the error that an answer
of zero would have. A smaller photo of the same piece is granted the same part of a pixel, so limits grow with the size
of a pixel; a blurred one the root of the blur, as in the Cramer-Rao bound of a blurred step (foldtrue/subpixel.py).
"""

from __future__ import annotations

import pytest
from judging import score
from simulated import measure, plan_of

from foldtrue.plan.fold import fold_plan
from foldtrue.simulate import Camera, Errors, Light, Outlier, Paper, Scene, Sensor, simulate_photo

HEIGHT_PX, BLUR_PX = 980, 1.0
LOOSE = Outlier(twist="t5", x_mm=1.0, y_mm=0.7, angle_deg=-3.0)
CASES = {
    "spacing 2, plain": (2, 16, {}),
    "spacing 3, plain": (3, 24, {}),
    "spacing 3, tilt 20 deg, fibres": (
        3, 24, {"camera": {"tilt_deg": 20.0, "roll_deg": 15.0}, "paper": {"fibres_per_cm2": 2.0}},
    ),
    "spacing 2, lens, old creases": (
        2, 16, {"camera": {"k1": -0.08, "focal_35mm": 28.0}, "paper": {"crease_contrast": 0.03}},
    ),
    "spacing 3, blur 2.5 px, uneven light": (
        3, 24, {"sensor": {"blur_px": 2.5}, "light": {"gradient": 0.3, "vignette": 0.3}},
    ),
    "spacing 2, a loose twist": (2, 16, {"errors": {"outliers": (LOOSE,)}}),
    "spacing 3, a loose twist": (3, 24, {"errors": {"outliers": (LOOSE,)}}),
    "spacing 3, over-exposed": (3, 24, {"light": {"exposure": 2.4}}),
}  # fmt: skip


@pytest.fixture(scope="module", params=CASES)
def judged(request, tmp_path_factory):
    """(score, what the limits are multiplied by) of one photo."""
    spacing, divisions, special = CASES[request.param]
    plan = plan_of(spacing, divisions)
    nominal = fold_plan(plan)
    sensor = Sensor(**{"blur_px": BLUR_PX, **special.get("sensor", {})})
    made = simulate_photo(
        nominal,
        Scene(
            seed=40 + list(CASES).index(request.param),
            errors=Errors(position_mm=0.2, angle_deg=0.6, vertex_mm=0.06, **special.get("errors", {})),
            camera=Camera(
                **{"width_px": 1300, "height_px": HEIGHT_PX, "focal_35mm": 50.0, **special.get("camera", {})}
            ),
            light=Light(**special.get("light", {})),
            paper=Paper(**special.get("paper", {})),
            sensor=sensor,
        ),
    )
    _, truth, found = measure(made, nominal, plan, tmp_path_factory.mktemp("gate") / "photo.jpg")
    return score(truth, found), 3024 / HEIGHT_PX * (sensor.blur_px / BLUR_PX) ** 0.5


def test_every_twist_is_measured_and_none_taken_for_another(judged):
    result, _ = judged
    assert result.wrong == 0
    assert result.upright
    assert result.share >= 0.99


def test_positions_are_right(judged):
    result, grant = judged
    assert result.position_rms_mm <= 0.010 * grant
    assert result.gain <= 0.25


def test_angles_are_right(judged):
    result, grant = judged
    assert result.angle_rms_deg <= 0.02 * grant

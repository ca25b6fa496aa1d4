"""The reduced accuracy gate for the front and back: six simulated photos under a lamp or by a window.

Required for now of a front drawn flat: position RMS 0.08 mm and angle RMS 0.25 deg after the mean overturn; aimed at:
0.03 mm and 0.10 deg. The photos have 0.15 to 0.20 mm per pixel, as the smaller of the outside pictures, and the limits
are not widened for it: what the figures lack is edges that show, not pixels (docs/accuracy.md). For the back nothing is
required yet, so the same limits stand. What is not kept is named in LACKS with its figure.
"""

from __future__ import annotations

import numpy as np
import pytest
from judging import score
from simulated import measure, plan_of

from foldtrue.errors import FoldtrueError
from foldtrue.inspection import InspectOptions
from foldtrue.plan.fold import fold_plan
from foldtrue.simulate import Camera, Errors, Lamp, Relief, Scene, Sensor, simulate_photo

DIVISIONS = {2: 16, 3: 24}
LOW, HIGH = Lamp(elevation_deg=30.0, azimuth_deg=120.0), Lamp(elevation_deg=55.0, azimuth_deg=200.0)
WINDOW = Lamp(elevation_deg=35.0, azimuth_deg=60.0, size_deg=20.0, ambient=0.6)
OLD = Relief(crease_deg=4.0)
CASES = {
    "front, spacing 2, low lamp": (2, "front", LOW, Relief(), "front"),
    "front, spacing 2, window": (2, "front", WINDOW, Relief(), "auto"),
    "front, spacing 3, high lamp": (3, "front", HIGH, Relief(), "auto"),
    "front, spacing 3, old creases": (3, "front", LOW, OLD, "front"),
    "back, spacing 2, high lamp": (2, "back", HIGH, Relief(), "back"),
    "back, spacing 3, low lamp": (3, "back", LOW, Relief(), "back"),
}


GROOVES = "of a groove's two edges only the upper shows, so that spacing 2 leaves a twist little to be held by"
LACKS = {
    ("position", "front, spacing 2, low lamp"): f"0.107 mm: {GROOVES}",
    ("angle", "front, spacing 2, low lamp"): f"0.255 deg: {GROOVES}",
    ("position", "front, spacing 2, window"): f"0.114 mm: {GROOVES}",
}


def photo_and_plan(name):
    """The simulated photo of this case, its folded plan, the plan."""
    spacing, view, lamp, relief, _ = CASES[name]
    plan = plan_of(spacing, DIVISIONS[spacing])
    nominal = fold_plan(plan)
    scene = Scene(
        seed=70 + list(CASES).index(name),
        view=view,
        errors=Errors(position_mm=0.2, angle_deg=0.6, vertex_mm=0.03),
        camera=Camera(width_px=1500, height_px=1130, focal_35mm=50.0, tilt_deg=3.0, roll_deg=5.0),
        lamp=lamp,
        relief=relief,
        sensor=Sensor(blur_px=1.0),
    )
    return simulate_photo(nominal, scene), nominal, plan


@pytest.fixture(scope="module")
def judged(tmp_path_factory):
    """case -> (Score, Misses), or None where the photo was declined; each photo is measured once."""
    path, done = tmp_path_factory.mktemp("gate") / "photo.jpg", {}
    for name, (*_, said) in CASES.items():
        try:
            _, truth, found = measure(*photo_and_plan(name), path, InspectOptions(view=said))
            done[name] = score(truth, found), found
        except FoldtrueError:
            done[name] = None
    return done


@pytest.fixture(params=CASES)
def case(request, judged):
    """One photo's Score and Misses; what it is known to lack is expected to fail."""
    asked = request.function.__name__.split("_")[1]
    reason = LACKS.get((asked, request.param))
    if reason is not None:
        request.applymarker(pytest.mark.xfail(reason=reason))
    if judged[request.param] is None and asked != "measured":
        pytest.skip("declined")
    return judged[request.param]


def test_measured_is_nearly_every_twist_and_none_taken_for_another(case):
    assert case is not None
    result, _ = case
    assert result.wrong == 0
    assert result.upright
    assert result.share >= 0.9


def test_position_is_within_what_is_required(case):
    assert case[0].position_rms_mm <= 0.08


def test_angle_is_within_what_is_required(case):
    assert case[0].angle_rms_deg <= 0.25


def test_zero_for_every_twist_would_be_a_worse_answer(case):
    assert case[0].gain < 1


@pytest.mark.parametrize(("figure", "limit"), [("position_rms_mm", 0.03), ("angle_rms_deg", 0.10)])
def test_fronts_meet_what_is_aimed_at(judged, request, figure, limit):
    request.applymarker(pytest.mark.xfail(reason="0.08 mm and 0.16 deg over the four fronts; spacing 3 alone meets it"))
    each = [getattr(judged[name][0], figure) for name in CASES if name.startswith("front")]
    assert np.sqrt(np.mean(np.square(each))) <= limit


@pytest.mark.parametrize("figure", ["miss_mm", "relative_deg"])
def test_stated_intervals_hold_the_truth(judged, figure):
    """Of a photo's 24 errors about ten are independent: 95 % less two standard deviations of the share."""
    done = [m for _, m in filter(None, judged.values())]
    limits = {"miss_mm": "limit_mm", "relative_deg": "limit_relative_deg"}
    held = []
    for m in done:
        error = np.hypot(*m.miss_mm.T) if figure == "miss_mm" else np.abs(m.relative_deg)
        held.append(np.mean(error <= getattr(m, limits[figure])))
    assert np.mean(held) >= 0.95 - 2 * np.sqrt(0.95 * 0.05 / (10 * len(done)))

"""What each cause of uncertainty does to the errors, against what its term of the budget says.

    .venv/bin/python tests/accuracy/terms.py [--photos N]

Simulated photos in which nothing but one cause comes and goes, its strength drawn anew for each; per cause the variance
of the places' errors (mm2 per axis, after the fit of the whole piece), what is stated, and what its term states. A term
is as it should be where the errors grow with their cause as the stated sum grows. Which terms follow a cause is written
beside it: a scene is never so clean that only one does. In short, and term by term: tests/fit/test_budget.py.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from simulated import plan_of

from foldtrue.alignment import freedoms
from foldtrue.handover_figures import BUDGET_TERMS
from foldtrue.inspection import InspectOptions, inspect_photo
from foldtrue.plan.fold import fold_plan
from foldtrue.simulate import Camera, Errors, Lie, Paper, Scene, Sensor, simulate_photo, truth_poses

CLEAN = Scene(
    camera=Camera(width_px=960, height_px=720, distance_mm=400, focal_35mm=60),
    errors=Errors(position_mm=0.1, angle_deg=0.4),
    paper=Paper(formation=0.0),
    sensor=Sensor(file="PNG"),
)


@dataclass(frozen=True)
class Cause:
    """One cause, the scene that has it (of a seed), and the terms in which it ought to show. Scenes
    but those of waves are flat: what is stated of them is looked at without the term of waves."""

    name: str
    scene: Callable[[int], Scene]
    terms: tuple[str, ...]
    spacing: int = 3


def _lens(seed: int) -> Scene:
    k1 = float(np.random.default_rng(seed).uniform(-0.12, 0.12))
    return replace(CLEAN, camera=replace(CLEAN.camera, k1=k1))


def _near(seed: int, distance_mm: float) -> Scene:
    """As the budget has it, a bulge with them."""
    camera = replace(CLEAN.camera, distance_mm=distance_mm, focal_35mm=0.15 * distance_mm)
    return replace(
        CLEAN, camera=camera, lie=Lie(wave_mm=0.2, bulge_mm=float(np.random.default_rng(seed).normal(0, 0.3)))
    )


NOISY = Sensor(file="PNG", full_well_e=1000, read_noise_e=12)
CAUSES = (
    Cause("nothing", lambda seed: CLEAN, ()),
    Cause("noise of the pixels", lambda seed: replace(CLEAN, sensor=NOISY), ("pixel_noise",)),
    Cause("clouds in the paper", lambda seed: replace(CLEAN, paper=Paper(formation=0.04)), ("paper_texture",)),
    Cause("scatter", lambda seed: replace(CLEAN, paper=Paper(formation=0.0, scatter=4.0)), ("light_shift",)),
    Cause("lens", _lens, ("lens",)),
    Cause("spacing 2: tips and edges on one line", lambda seed: CLEAN, ("which_edge", "unseen"), 2),
    Cause("waves of 0.2 mm from 300 mm", lambda seed: _near(seed, 300.0), ("waves",)),
    Cause("waves of 0.2 mm from 600 mm", lambda seed: _near(seed, 600.0), ("waves",)),
)  # fmt: skip


def variances(cause: Cause, photos: int, folder: Path) -> tuple[float, float, np.ndarray]:
    """Per axis mm2: of the errors, what is stated, and by term (G,); means over the photos."""
    plan = plan_of(cause.spacing, 8 * cause.spacing)
    nominal = fold_plan(plan)
    design = freedoms(np.array([t.planned_mm for t in nominal.twists]), "homography")[0]
    errors, terms = [], []
    at_all = np.array([name != "waves" or name in cause.terms for name in BUDGET_TERMS])
    for seed in range(photos):
        scene = cause.scene(seed)
        made = simulate_photo(nominal, replace(scene, seed=seed, errors=replace(scene.errors, seed=seed)))
        path = folder / "photo.png"
        path.write_bytes(made.jpeg)
        fit = inspect_photo(path, plan, InspectOptions(view="backlit", side="front")).fit
        apart = (fit.position_error_mm - truth_poses(nominal, made.truth).position_error_mm)[fit.measured].ravel()
        free = design[np.repeat(fit.measured, 2)]
        apart = apart - free @ np.linalg.lstsq(free, apart, rcond=None)[0]
        errors.append(np.mean(apart**2))
        by_twist = np.trace(fit.budget.position_cov_mm2[:, fit.measured], axis1=2, axis2=3) / 2
        terms.append(at_all * by_twist.mean(1))
    by_term = np.mean(terms, axis=0)
    return float(np.mean(errors)), float(by_term.sum()), by_term


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--photos", type=int, default=12, help="photos of each cause")
    photos = parser.parse_args().photos
    print(f"{'cause':38s} {'errors, um':>10s} {'stated, um':>10s}  its terms, um")
    with tempfile.TemporaryDirectory() as folder:
        for cause in CAUSES:
            error, stated, by_term = variances(cause, photos, Path(folder))
            own = {name: float(by_term[BUDGET_TERMS.index(name)]) for name in cause.terms}
            own = own or {"largest: " + BUDGET_TERMS[int(by_term.argmax())]: float(by_term.max())}
            said = ", ".join(f"{name} {1000 * np.sqrt(value):.1f}" for name, value in own.items())
            print(f"{cause.name:38s} {1000 * np.sqrt(error):10.1f} {1000 * np.sqrt(stated):10.1f}  {said}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())

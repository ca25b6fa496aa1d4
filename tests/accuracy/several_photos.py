"""What several photos of one piece bring: errors against exact truth, single and pooled, and how many intervals hold.

Simulated pieces, each photographed three times: from the front with the lamp on three sides, or against the light; and
the path-traced sample pictures of two pieces, each from the front, from behind and against the light. Run with
`.venv/bin/python tests/accuracy/several_photos.py [PIECES]`; prints the tables of docs/several-photos.md.
"""

from __future__ import annotations

import json
import sys
import tempfile
from itertools import combinations
from pathlib import Path

import cv2
import numpy as np

sys.path[:0] = [str(Path(__file__).parents[2] / "inspect"), str(Path(__file__).parents[1])]

from lamplight import DIVISIONS, left_after_fit, nominal_of  # noqa: E402
from panels import panel_plan  # noqa: E402

from foldtrue.alignment import fit_globally  # noqa: E402
from foldtrue.errors import FoldtrueError  # noqa: E402
from foldtrue.frames import homography_jacobian  # noqa: E402
from foldtrue.inspection import InspectOptions, inspect_photo  # noqa: E402
from foldtrue.measured import COVERAGE_95, radius95  # noqa: E402
from foldtrue.plan.file import read_plan  # noqa: E402
from foldtrue.pool import pool_photos  # noqa: E402
from foldtrue.simulate import Camera, Errors, Lamp, Scene, simulate_photo, truth_poses  # noqa: E402

LAMPS_DEG = (120.0, 240.0, 0.0)
FIRST_PIECE = 300
SAMPLES = Path(__file__).parents[2] / "sample_images"


def shoot(folder, spacing, view, piece, k):
    """(truth, inspection or refusal) of photo k of the piece."""
    camera = Camera(width_px=1400, height_px=1060, focal_35mm=50.0, roll_deg=(-6.0, 9.0, -2.0)[k], tilt_deg=4.0)
    errors = Errors(position_mm=0.3, angle_deg=1.0, vertex_mm=0.03, seed=piece)
    scene = Scene(seed=10 * piece + k, view=view, errors=errors, camera=camera, lamp=Lamp(azimuth_deg=LAMPS_DEG[k]))
    shot = simulate_photo(nominal_of(spacing), scene)
    path = folder / f"{spacing}{view}{piece}{k}.png"
    cv2.imwrite(str(path), np.ascontiguousarray(shot.photo.pixels[:, :, ::-1]))
    options = InspectOptions(view=view, side="front" if view == "backlit" else None)
    try:
        return shot.truth, inspect_photo(path, panel_plan(spacing, DIVISIONS[spacing]), options)
    except FoldtrueError as refusal:
        return shot.truth, refusal


def judged(nominal, truth, fit):
    """Position misses (n,) mm and whether each lies in its circle; turn misses (n,) deg less the common overturn, and
    whether each lies in its interval."""
    poses, seen = truth_poses(nominal, truth), fit.measured
    miss = np.hypot(*(fit.position_error_mm - left_after_fit(nominal, poses.position_error_mm))[seen].T)
    hand = np.array([t.hand for t in nominal.twists])[seen]
    turn = (fit.angle_error_deg - poses.angle_error_deg)[seen]
    turn = turn + fitted_turn(nominal, poses.position_error_mm)[seen]
    turn = turn - hand * np.mean(hand * turn)
    held = np.abs(turn) < COVERAGE_95 * fit.angle_std_deg[seen]
    return miss, miss < radius95(fit.position_cov_mm2[seen]), np.abs(turn), held


def fitted_turn(nominal, error):
    """Turn (T,) deg that the best homography of the whole piece takes out of each twist."""
    planned = np.array([t.planned_mm for t in nominal.twists])
    fit = fit_globally(planned, planned + error, "homography", np.ones(len(planned)))
    j = homography_jacobian(fit.matrix, planned)
    return np.degrees(np.arctan2(j[:, 1, 0] - j[:, 0, 1], j[:, 0, 0] + j[:, 1, 1]))


def table(pieces):
    """Rows of the table: for each kind of photo the figures of single photos and of three pooled."""
    rows = []
    with tempfile.TemporaryDirectory() as name:
        for spacing, view in ((2, "front"), (3, "front"), (2, "backlit"), (3, "backlit")):
            nominal = nominal_of(spacing)
            single, pooled, p_values, none = [], [], [], 0
            for piece in range(FIRST_PIECE, FIRST_PIECE + pieces):
                shots = [shoot(Path(name), spacing, view, piece, k) for k in range(3)]
                single += [judged(nominal, t, f.fit) for t, f in shots if not isinstance(f, FoldtrueError)]
                done = pool_photos({f"{k}": f for k, (_, f) in enumerate(shots)})
                if done.inspection is None or done.repeatability is None:
                    none += 1
                    continue
                p_values.append(done.repeatability.p_value)
                pooled.append(judged(nominal, shots[0][0], done.inspection.fit))
            rows.append((spacing, view, *summary(single), *summary(pooled), none, p_values))
    return rows


def samples():
    """Rows of the second table: photos, what is used of them, RMS mm, share held."""
    rows = []
    for piece in ("lantern", "porch"):
        folders = {view: SAMPLES / f"{piece}-{view}" for view in ("front", "back", "backlit")}
        plan = read_plan(folders["front"] / "plan.json")
        found = {view: inspect_photo(folder / "photo.jpg", plan) for view, folder in folders.items()}
        truth = json.loads((folders["front"] / "truth.json").read_text())
        error = np.array([twist["position_error_mm"] for twist in truth["twists"]])
        wanted = left_after_fit(found["front"].nominal, error)
        for count in (1, 2, 3):
            for views in combinations(found, count):
                pooled = pool_photos({view: found[view] for view in views})
                used = ", ".join(p.name for p in pooled.photos if p.status == "used") or "none"
                cells = "" if pooled.inspection is None else against(wanted, pooled.inspection.fit)
                rows.append(f"| {piece}: {', '.join(views)} | {used} | {cells} |")
    return rows


def against(wanted, fit):
    miss = np.hypot(*(fit.position_error_mm - wanted)[fit.measured].T)
    held = miss < radius95(fit.position_cov_mm2[fit.measured])
    return f"{np.sqrt(np.mean(miss**2)):.4f}, {100 * np.mean(held):.0f} %"


def summary(found):
    """RMS mm, share held, RMS deg, share held."""
    miss, held, turn, turn_held = (np.concatenate(part) for part in zip(*found, strict=True))
    return np.sqrt(np.mean(miss**2)), np.mean(held), np.sqrt(np.mean(turn**2)), np.mean(turn_held)


def main():
    pieces = int(sys.argv[1]) if len(sys.argv) > 1 else 6
    print(f"Pieces {FIRST_PIECE} to {FIRST_PIECE + pieces - 1}, three photos each.\n")
    print("| photos | one photo: mm, held | three: mm, held | one photo: deg, held | three: deg, held | not combined |")
    print("|---|---|---|---|---|---|")
    for spacing, view, mm, held, deg, deg_held, mm3, held3, deg3, deg_held3, none, p_values in table(pieces):
        print(
            f"| {view}, spacing {spacing} | {mm:.4f}, {100 * held:.0f} % | {mm3:.4f}, {100 * held3:.0f} % | "
            f"{deg:.3f}, {100 * deg_held:.0f} % | {deg3:.3f}, {100 * deg_held3:.0f} % | {none} of {pieces} |"
        )
        print(f"<!-- p of found against claimed spread: {', '.join(f'{p:.3f}' for p in p_values)} -->")
    print("\n| sample photos | used | mm, held |")
    print("|---|---|---|")
    print("\n".join(samples()))


if __name__ == "__main__":
    main()

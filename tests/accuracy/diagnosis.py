"""Habits planted in hundreds of pieces, some through the pixels of a simulated photo: which are named.

    python tests/accuracy/diagnosis.py [--pieces 30] [--photos 50] [--doc]

--pieces: for each habit and size. A pattern's size is given in multiples of the random scatter, both as root mean
squares over the twists of what the fit of the whole piece leaves of them.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections import Counter
from pathlib import Path

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2] / "inspect")]

import numpy as np  # noqa: E402
from panels import folded_panel, panel_plan  # noqa: E402
from planted import planted  # noqa: E402
from tables import DOCUMENT, put, table  # noqa: E402

from foldtrue.alignment import freedoms  # noqa: E402
from foldtrue.inspection import InspectOptions, inspect_photo  # noqa: E402
from foldtrue.judge.diagnose import diagnose_fit  # noqa: E402
from foldtrue.simulate import Camera, Errors, Scene, simulate_photo  # noqa: E402

PANELS = {"24 twists, spacing 2": (2, 16, 240.0, 2), "54 twists, spacing 2": (2, 24, 240.0, 3)}
HABITS = ("drift", "rows", "hand_shift", "turn_alike", "border", "ring", "single")
PAIRS = (("drift", "turn_alike"), ("hand_shift", "border"), ("rows", "single"))
TIMES = (0.5, 1.0, 2.0, 4.0)
HEAD = ("planted", "twists", "0.5 x", "1 x", "2 x", "4 x")


def first_named(nominal, habits, times, pieces):
    """Share of pieces whose first finding is one planted, and of those that name all planted; a rival counts half."""
    first = every = 0.0
    for seed in range(pieces):
        fit, _ = planted(nominal, habits, times, [seed, int(10 * times), len(habits)])
        findings = diagnose_fit(nominal, fit).findings
        if findings:
            first += 1.0 if findings[0].code in habits else 0.5 * (findings[0].rival in habits)
        every += set(habits) <= {finding.code for finding in findings}
    return first / pieces, every / pieces


def rows(pieces):
    for name, panel in PANELS.items():
        nominal = folded_panel(*panel)
        called = sum(
            bool(diagnose_fit(nominal, planted(nominal, (), 0, [s, 0])[0]).findings) for s in range(4 * pieces)
        )
        yield ("nothing: called a habit", name, *[f"{100 * called / (4 * pieces):.0f} %"] * 4)
        for habits in [(habit,) for habit in HABITS] + list(PAIRS):
            if "ring" in habits and panel[3] < 3:
                continue
            shares = [first_named(nominal, habits, times, pieces) for times in TIMES]
            both = len(habits) > 1
            cells = [f"{100 * f:.0f} %" + (f", both {100 * e:.0f} %" if both else "") for f, e in shares]
            yield (" and ".join(habits), name, *cells)


def through_pixels(photos):
    """Pieces photographed against the light: nothing planted, a drift, a loose twist, in turn; counts of what came
    first."""
    plan = panel_plan(2, 16)
    nominal = folded_panel(2, 16)
    counts = {kind: Counter() for kind in ("nothing", "drift", "single")}
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(photos):
            kind = tuple(counts)[seed % 3]
            path = Path(folder) / "photo.jpg"
            path.write_bytes(simulate_photo(nominal, _scene(nominal, kind, seed)).jpeg)
            fit = inspect_photo(path, plan, InspectOptions(view="backlit", side="front")).fit
            findings = [f for f in diagnose_fit(nominal, fit).findings if f.code != "overturn"]
            counts[kind][findings[0].code if findings else "nothing"] += 1
    return counts


def _scene(nominal, kind, seed):
    scatter_mm = 0.12
    errors = {"position_mm": scatter_mm, "angle_deg": 0.4, "vertex_mm": 0.02}
    if kind == "drift":
        errors |= {"drift_mm": 2 * scatter_mm / _left_of_drift(nominal), "drift_deg": 30.0, "drift_power": 2.0}
    if kind == "single":
        errors |= {"random_outliers": 1, "outlier_mm": 6 * scatter_mm, "outlier_deg": 2.4}
    camera = Camera(width_px=1600, height_px=1200, focal_35mm=50.0, roll_deg=float(seed % 20 - 10))
    return Scene(seed=seed, errors=Errors(**errors), camera=camera)


def _left_of_drift(nominal):
    """Root mean square per axis of what the fit leaves of a drift of 1 mm."""
    places = np.array([twist.planned_mm for twist in nominal.twists])
    along = np.array([np.cos(np.pi / 6), np.sin(np.pi / 6)])
    s = nominal.vertices_mm @ along
    pattern = np.kron(((places @ along - s.min()) / np.ptp(s)) ** 2, along)
    basis = np.linalg.qr(freedoms(places, "homography")[0])[0]
    return float(np.sqrt(np.mean((pattern - basis @ (basis.T @ pattern)) ** 2)))


def main():
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--pieces", type=int, default=30)
    asked.add_argument("--photos", type=int, default=51)
    asked.add_argument("--doc", action="store_true", help="renew the table of docs/accuracy.md")
    args = asked.parse_args()
    lines = table(HEAD, list(rows(args.pieces)))
    lines += ["", "Through pixels (1600 x 1200, against the light, 24 twists, twice the scatter), what came first:", ""]
    for kind, counts in through_pixels(args.photos).items():
        named = ", ".join(f"{code} {count}" for code, count in counts.most_common())
        lines.append(f"- {kind} planted in {sum(counts.values())}: {named}")
    print("\n".join(lines))
    if args.doc:
        put("diagnosis", lines, DOCUMENT.with_name("habits.md"))


if __name__ == "__main__":
    main()

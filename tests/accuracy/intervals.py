"""Whether the stated 95 % intervals hold the truth: hundreds of simulated photos of a spread of pieces and scenes.

    .venv/bin/python tests/accuracy/intervals.py [--count N] [--store FILE] [--doc]

Every photo is one line of the store, so that an interrupted run goes on where it stopped; the store's default name
holds a digest of the package, since other code gives other figures. Photos and pieces are drawn from seeds: the same
count gives the same table. Every photo counts alike, however many twists it holds. Intervals of the table's own shares:
bootstrap over photos (the twists of one photo are not independent of each other), percentile method, 2000 draws; Efron
and Tibshirani, An Introduction to the Bootstrap, 1993.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
from judging import left_over
from simulated import measure, plan_of
from tables import cell, put, table

import foldtrue
from foldtrue.errors import FoldtrueError
from foldtrue.inspection import InspectOptions
from foldtrue.plan.fold import fold_plan
from foldtrue.simulate import practice_scene, simulate_photo

LAYOUTS = ((2, 16, 2), (3, 24, 2), (2, 32, 4), (4, 32, 2))
SIZES_PX = ((960, 720), (1264, 948), (1632, 1224))
CARE = ("easy", "medium", "hard")
HEAD = (
    "photos", "number", "declined", "twists", "pos RMS mm", "angle RMS deg", "position held %", "angle held %",
    "relative held %", "position held but for the lens %", "overturn bias", "pull of position %", "of angle %",
)  # fmt: skip
STRATA = (
    ("all", lambda r: True),
    *((f"spacing {n}", lambda r, n=n: r["spacing"] == n) for n in (2, 3, 4)),
    ("24 twists", lambda r: r["rings"] == 2),
    ("96 twists", lambda r: r["rings"] == 4),
    *((f"{w * h / 1e6:.1f} Mpx", lambda r, w=w: r["width_px"] == w) for w, h in SIZES_PX),
    ("under 30 px per pitch", lambda r: r["pitch_px"] < 30),
    ("30 to 60 px per pitch", lambda r: 30 <= r["pitch_px"] < 60),
    ("over 60 px per pitch", lambda r: r["pitch_px"] >= 60),
    ("blur under 1 px", lambda r: r["blur_px"] < 1.0),
    ("blur 1 to 1.5 px", lambda r: 1.0 <= r["blur_px"] < 1.5),
    ("blur over 1.5 px", lambda r: r["blur_px"] >= 1.5),
    *((f"{side} faces the camera", lambda r, side=side: r["side"] == side) for side in ("front", "back")),
    *((f"{care} scenes", lambda r, care=care: r["care"] == care) for care in CARE),
)


def package_digest() -> str:
    """Ten hex digits of the package's sources."""
    digest = hashlib.sha256()
    for path in sorted(Path(foldtrue.__file__).parent.rglob("*.py")):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:10]


def one_photo(seed: int, folder: Path) -> dict:
    """Draw, simulate, measure and judge the photo of this seed; errors in sigmas' units are left to the reader."""
    rng = np.random.default_rng([seed, 77])
    spacing, divisions, rings = LAYOUTS[seed % len(LAYOUTS)]
    width, height = SIZES_PX[rng.integers(len(SIZES_PX))]
    care = CARE[rng.integers(len(CARE))]
    side = "back" if rng.random() < 0.3 else "front"
    plan = plan_of(spacing, divisions, rings)
    nominal = fold_plan(plan)
    scene = practice_scene(seed, care)
    scene = replace(scene, camera=replace(scene.camera, width_px=width, height_px=height, side=side))
    made = simulate_photo(nominal, scene)
    scale = float(np.hypot(*made.truth.map.jacobian(np.zeros((1, 2)))[0, :, 0]))
    row = {
        "seed": seed, "spacing": spacing, "rings": rings, "width_px": width, "care": care, "side": side,
        "blur_px": scene.sensor.blur_px, "pitch_px": scale * nominal.pitch_mm, "declined": "",
    }  # fmt: skip
    try:
        _, truth, found = measure(made, nominal, plan, folder / "photo.jpg", InspectOptions(side=side))
    except FoldtrueError as error:
        return row | {"declined": f"{type(error).__name__}: {error.what}"}
    if found is None or found.wrong:
        return row | {"declined": "WRONG SITES"}
    return row | {
        "but_lens_mm": but_lens(made.truth.map, truth.planned_mm[found.site], found.miss_mm).tolist(),
        "overturn_deg": float(np.mean(truth.hand[found.site] * found.angle_deg)),
        "pull": [pull(found.miss_mm, found.true_mm), pull(found.relative_deg, found.true_deg)],
        "miss_mm": found.miss_mm.tolist(),
        "angle_deg": found.angle_deg.tolist(),
        "relative_deg": found.relative_deg.tolist(),
        "limit_mm": found.limit_mm.tolist(),
        "limit_deg": found.limit_deg.tolist(),
        "limit_relative_deg": found.limit_relative_deg.tolist(),
    }


def default_store() -> Path:
    return Path(tempfile.gettempdir()) / f"foldtrue-intervals-{package_digest()}.jsonl"


def photos(count: int, store: Path) -> list[dict]:
    """The first `count` photos' rows, those that the store lacks measured now."""
    rows = {r["seed"]: r for r in map(json.loads, store.read_text().splitlines())} if store.exists() else {}
    with tempfile.TemporaryDirectory() as folder, store.open("a") as file:
        for seed in range(count):
            if seed not in rows:
                rows[seed] = one_photo(seed, Path(folder))
                file.write(json.dumps(rows[seed]) + "\n")
                file.flush()
    return [rows[seed] for seed in range(count)]


def held(row: dict) -> np.ndarray:
    """(T, 4): whether each twist's position, angle, relative angle, and position but for the lens lie within the stated
    limits."""
    miss, rest = (np.hypot(*np.array(row[name]).T) for name in ("miss_mm", "but_lens_mm"))
    return np.stack(
        [
            miss <= np.array(row["limit_mm"]),
            np.abs(row["angle_deg"]) <= np.array(row["limit_deg"]),
            np.abs(row["relative_deg"]) <= np.array(row["limit_relative_deg"]),
            rest <= np.array(row["limit_mm"]),
        ],
        1,
    )


def but_lens(plane, planned, miss):
    """Misses (N, 2) mm less the best multiple of what a wrong radial lens term would do to these places."""
    away = (plane.to_px(planned) - plane.centre_px) / plane.focal_px
    shift_px = away * np.sum(away * away, 1)[:, None] * plane.focal_px
    shift = np.linalg.solve(plane.jacobian(planned), shift_px[:, :, None])[:, :, 0]
    small = 1e-3 / np.abs(shift).max()
    pattern, _ = left_over(planned, small * shift, np.zeros(len(planned)), "homography")
    return miss - pattern * float(np.sum(miss * pattern) / np.sum(pattern * pattern))


def pull(miss, true) -> list[float]:
    """Sums whose ratio tells how far results are drawn to the plan: sum of miss times truth, sum of truth squared."""
    return [float(np.sum(miss * true)), float(np.sum(true * true))]


def share_text(shares: list[float], seed: int = 1) -> str:
    """Mean share (%) and its 95 % interval, photos drawn again with replacement."""
    each = np.array(shares) * 100
    draws = np.random.default_rng(seed).integers(len(each), size=(2000, len(each)))
    low, high = np.percentile(each[draws].mean(1), [2.5, 97.5])
    return f"{each.mean():.1f} ({low:.0f} to {high:.0f})"


def bias_text(values: list[float]) -> str:
    """Mean and its standard error."""
    return f"{np.mean(values):+.3f} ± {np.std(values, ddof=1) / np.sqrt(len(values)):.3f}" if len(values) > 1 else "-"


def stratum(name: str, rows: list[dict]) -> tuple:
    done = [r for r in rows if not r["declined"]]
    if not done:
        return name, len(rows), len(rows) - len(done), *["-"] * (len(HEAD) - 3)
    inside = np.array([held(r).mean(0) for r in done])
    miss = [np.mean(np.sum(np.square(r["miss_mm"]), 1)) for r in done]
    turn = [np.mean(np.square(r["relative_deg"])) for r in done]
    drawn = np.sum([r["pull"] for r in done], axis=0)
    return (
        name,
        len(rows),
        len(rows) - len(done),
        sum(len(r["miss_mm"]) for r in done),
        cell(float(np.sqrt(np.mean(miss)))),
        cell(float(np.sqrt(np.mean(turn)))),
        *(share_text(inside[:, k].tolist()) for k in range(4)),
        bias_text([r["overturn_deg"] for r in done]),
        *(cell(100 * float(p[0] / p[1]), "+.1f") for p in drawn),
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=240)
    parser.add_argument("--store", type=Path)
    parser.add_argument("--doc", action="store_true", help="renew the table in docs/accuracy.md")
    options = parser.parse_args()
    kept = photos(options.count, options.store or default_store())
    lines = table(HEAD, [stratum(name, mine) for name, rule in STRATA if (mine := [r for r in kept if rule(r)])])
    reasons = sorted({r["declined"] for r in kept if r["declined"]})
    lines += ["", *(f"- Declined {sum(r['declined'] == x for r in kept)}: {x}" for x in reasons)]
    print("\n".join(lines))
    if options.doc:
        put("coverage", lines)
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""Half-done pieces: whether the stage is told right or not at all, and whether the stated intervals hold.

    .venv/bin/python tests/accuracy/ring.py [--count N] [--store FILE] [--doc]

Simulated photos against the light and under a lamp, from both sides, of pieces with one to all rings folded, of which
nothing is said, or with ring 1 and some twists of ring 2: these are named in two cases of three, and must be declined
in the third, since no number of whole rings is the truth. Every photo is one line of the store, so that an interrupted
run goes on where it stopped. Photos are drawn from seeds: the same count gives the same table.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
from intervals import held, package_digest, share_text
from judging import misses, turns_alike
from scenes import CARE, LAYOUTS, lens
from simulated import plan_of, truth_of
from tables import cell, put, table

from foldtrue.errors import FoldtrueError
from foldtrue.inspection import InspectOptions
from foldtrue.inspection_ring import RingOptions, inspect_ring
from foldtrue.plan.fold import fold_plan
from foldtrue.plan.stages import Stage, foldable_stages, stage_of_twists
from foldtrue.report.result import result_record
from foldtrue.simulate import practice_scene, simulate_photo
from foldtrue.simulate.half_done import half_done_scene

SIZES_PX = ((1264, 948), (1632, 1224))
VIEWS = ("backlit", "front", "backlit", "back")
BEYOND = (("t6",), ("t6", "t12"), ("t6", "t15"), ("t6", "t12", "t18"), ("t6", "t7", "t8", "t9"))
"""Twists of ring 2 that lie flat with ring 1 and without the others."""
HEAD = (
    "photos", "number", "stage right", "declined", "stage wrong", "measured photos", "twists", "pos RMS mm",
    "angle RMS deg", "position held %", "angle held %", "relative held %",
)  # fmt: skip
STRATA = (
    ("all", lambda r: True),
    ("against the light", lambda r: r["view"] == "backlit"),
    ("from the camera's side", lambda r: r["view"] != "backlit"),
    ("ring 1 of 6 twists", lambda r: r["twists"] == 6),
    ("more rings, half done", lambda r: r["stage"].startswith("rings")),
    ("part of ring 2, twists named", lambda r: r["said"]),
    ("part of ring 2, nothing said", lambda r: r["stage"].startswith("t") and not r["said"]),
    ("finished", lambda r: r["finished"]),
    *((f"{care} scenes", lambda r, care=care: r["care"] == care) for care in CARE),
)


def ring_photo(seed: int, folder: Path) -> dict:
    """One photo of a piece at a stage drawn at random, measured and judged, as one plain record."""
    rng = np.random.default_rng([seed, 79])
    plan = plan_of(*LAYOUTS[seed % len(LAYOUTS)])
    stage, said = _drawn_stage(plan, rng)
    view, care = VIEWS[rng.integers(len(VIEWS))], CARE[rng.integers(len(CARE))]
    side = "back" if view == "back" or (view == "backlit" and rng.random() < 0.3) else "front"
    width, height = SIZES_PX[rng.integers(len(SIZES_PX))]
    scene = half_done_scene(practice_scene(seed, care, view))
    k1 = lens(rng, scene.camera.focal_35mm) if view == "backlit" else scene.camera.k1
    camera = replace(scene.camera, width_px=width, height_px=height, k1=k1)
    scene = replace(scene, camera=replace(camera, side=side) if view == "backlit" else camera)
    made = simulate_photo(stage.nominal, scene)
    row = {
        "seed": seed, "layout": LAYOUTS[seed % len(LAYOUTS)], "view": view, "side": side, "care": care,
        "stage": stage.name, "twists": len(stage.nominal.twists), "finished": stage.finished, "said": said is not None,
        "declined": "", "wrong": "",
    }  # fmt: skip
    path = folder / "photo.jpg"
    path.write_bytes(made.jpeg)
    asked = InspectOptions(side=side) if view == "backlit" else InspectOptions()
    try:
        inspection = inspect_ring(path, plan, RingOptions(twists=said), asked)
    except FoldtrueError as error:
        return row | {"declined": f"{type(error).__name__}: {error.what}"}
    assert inspection.progress is not None
    if inspection.progress.name != stage.name or inspection.plane.side != side:
        return row | {"wrong": f"{inspection.progress.name}, {inspection.plane.view} {inspection.plane.side}"}
    record, truth = result_record(inspection), truth_of(stage.nominal, made)
    alike = turns_alike(stage.nominal.symmetry[inspection.plane.view], record["plane"]["assumed"])
    found = misses(truth, record["twists"], alike)
    if found is None or found.wrong or not found.upright:
        return row | {"wrong": "sites" if found is None or found.wrong else "turn"}
    figures = ("miss_mm", "angle_deg", "relative_deg", "limit_mm", "limit_deg", "limit_relative_deg")
    kept = {name: getattr(found, name).tolist() for name in figures}
    return row | kept | {"but_lens_mm": kept["miss_mm"]}


def _drawn_stage(plan, rng: np.random.Generator) -> tuple[Stage, tuple[str, ...] | None]:
    """A stage, and the ids to name of it: where it is no number of whole rings, in two cases of three."""
    whole = fold_plan(plan)
    kind = rng.random()
    if kind < 0.4:
        ids = tuple(f"t{k}" for k in range(6)) + BEYOND[rng.integers(len(BEYOND))]
        return stage_of_twists(plan, whole, ids), ids if kind < 0.27 else None
    stages = foldable_stages(plan, whole)
    return (stages[-1] if kind < 0.52 else stages[int(rng.integers(len(stages) - 1))]), None


def photos(count: int, store: Path) -> list[dict]:
    """The first `count` photos' rows, those that the store lacks measured now."""
    rows = {r["seed"]: r for r in map(json.loads, store.read_text().splitlines())} if store.exists() else {}
    with tempfile.TemporaryDirectory() as folder, store.open("a") as file:
        for seed in range(count):
            if seed not in rows:
                rows[seed] = ring_photo(seed, Path(folder))
                file.write(json.dumps(rows[seed]) + "\n")
                file.flush()
    return [rows[seed] for seed in range(count)]


def stratum(name: str, rows: list[dict]) -> tuple:
    done = [r for r in rows if not r["declined"] and not r["wrong"]]
    wrong = sum(bool(r["wrong"]) for r in rows)
    head = (name, len(rows), len(done), sum(bool(r["declined"]) for r in rows), wrong, len(done))
    if not done:
        return *head, *["-"] * (len(HEAD) - len(head))
    inside = np.array([held(r).mean(0) for r in done])
    miss = [np.mean(np.sum(np.square(r["miss_mm"]), 1)) for r in done]
    turn = [np.mean(np.square(r["relative_deg"])) for r in done]
    return (
        *head,
        sum(len(r["miss_mm"]) for r in done),
        cell(float(np.sqrt(np.mean(miss)))),
        cell(float(np.sqrt(np.mean(turn)))),
        *(share_text(inside[:, k].tolist()) for k in range(3)),
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=60)
    parser.add_argument("--store", type=Path)
    parser.add_argument("--doc", action="store_true", help="renew the table in docs/accuracy.md")
    options = parser.parse_args()
    store = options.store or Path(tempfile.gettempdir()) / f"foldtrue-ring-{package_digest()}.jsonl"
    kept = photos(options.count, store)
    lines = table(HEAD, [stratum(name, mine) for name, rule in STRATA if (mine := [r for r in kept if rule(r)])])
    for word in ("wrong", "declined"):
        reasons = sorted({r[word] for r in kept if r[word]})
        lines += ["", *(f"- {word.capitalize()} {sum(r[word] == x for r in kept)}: {x}" for x in reasons)]
    print("\n".join(lines))
    if options.doc:
        put("ring", lines)
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""Pre-creased sheets: lines found, their errors, stated intervals and causes, on simulated and on outside pictures.

    .venv/bin/python tests/accuracy/grids.py [--count N] [--first SEED] [--width PX] [--doc]
    FOLDTRUE_PHOTOS=FOLDER .venv/bin/python tests/accuracy/grids.py --pictures [--doc]

Simulated photos cycle through clean grids, random errors, a drift, a turned direction, a side cut off, and missing
lines; grids of 16, 24 and 32 divisions, point to point and edge to edge. FOLDER/grids holds pictures that were not made
by this project, with their truth; each picture's own plan is written from it.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np
from grid_judging import GridScore, cause_is_right, score
from tables import put, table

from foldtrue.errors import FoldtrueError
from foldtrue.inspection_grid import inspect_grid
from foldtrue.plan.file import parse_plan
from foldtrue.plan.grid_lines import plan_grid
from foldtrue.simulate.sheet_photo import simulate_grid
from foldtrue.simulate.sheet_scene import grid_scene

GRIDS = (
    ("point-to-point", 16),
    ("point-to-point", 32),
    ("edge-to-edge", 16),
    ("point-to-point", 24),
    ("edge-to-edge", 32),
)
HEAD = (
    "sheets", "number", "refused", "visible lines found %", "invented", "missing lines named", "wrongly",
    "offset RMS mm", "worst picture", "angle RMS deg", "worst picture", "offset held %", "angle held %", "cause right",
)  # fmt: skip


def plan_of(kind: str, divisions: int, height_mm: float):
    """A small honeycomb on this grid; invented."""
    return parse_plan(
        {
            "format": "foldtrue-plan",
            "version": 1,
            "name": "window panel (invented)",
            "sheet": {"shape": "hexagon", "height_mm": height_mm},
            "grid": {"kind": kind, "divisions": divisions},
            "twists": {"recipe": "honeycomb", "spacing": 2, "rings": 1},
        }
    )


def simulated(seed: int, width_px: int, folder: Path) -> tuple[str, GridScore | None]:
    """Group and score of one simulated sheet; None where it was refused."""
    kind, divisions = GRIDS[seed % len(GRIDS)]
    plan = plan_of(kind, divisions, 192.0 + 12 * (seed % 4))
    scene = grid_scene(seed, width_px)
    made = simulate_grid(plan_grid(plan), scene)
    path = folder / "photo.jpg"
    path.write_bytes(made.jpeg)
    try:
        found = inspect_grid(path, plan)
    except FoldtrueError as error:
        print(f"{seed}: refused: {error}")
        return scene.errors.kind, None
    one = score(found.grid, found.fit, found.cause, made.truth)
    if not cause_is_right(one) or one.invented or one.missing_wrong:
        print(
            f"{seed} {scene.view} {scene.errors.kind}: {one.code}, invented {one.invented}, wrong {one.missing_wrong}"
        )
    return scene.errors.kind, one


def picture(path: Path) -> GridScore | None:
    """Score of one outside picture; the plan's frame may be turned against the truth's, by the grid's own kind."""
    data = json.loads(path.read_text())
    of = data["plan"]
    plan = plan_of(of["grid_type"].replace("_", "-"), of["N"], of["sheet_height_mm"])
    try:
        found = inspect_grid(path.with_suffix(".jpg"), plan)
    except FoldtrueError as error:
        print(f"{path.stem}: refused: {error}")
        return None
    return score(found.grid, found.fit, found.cause, outside_truth(data, found))


def outside_truth(data, found):
    """The picture's truth in our frame: lines are matched by where their ends lie in the picture."""
    grid = found.grid
    count = len(grid.number)
    offset, angle, contrast = np.zeros(count), np.zeros(count), np.zeros(count)
    present, families = np.zeros(count, bool), {}
    for line in data["lines"]:
        k, sense = _matched(line, data, found)
        families[line["planned"]["normal_deg"]] = int(grid.family[k])
        present[k] = line["present"]
        if line["present"]:
            offset[k] = sense * line["truth"]["offset_error_mm"]
            angle[k] = line["truth"]["angle_error_deg"]
            contrast[k] = line["contrast"] * (1 - line["weak_fraction"])
    cause = data["expected_cause"]
    side = None
    if "side_normal_deg" in cause:
        shift = _turn(data, found)
        apart = (found.fit.sides.normal_deg - cause["side_normal_deg"] - shift + 180) % 360 - 180
        side = int(np.abs(apart).argmin())
    return SimpleNamespace(
        offset_mm=offset, angle_deg=angle, present=present, contrast=contrast, code=cause["code"],
        family=families.get(cause.get("normal_deg")), side=side,
    )  # fmt: skip


def _turn(data, found) -> float:
    """Degrees by which the truth's frame is turned in ours, a multiple of 30."""
    corners = found.fit.map.to_mm(np.array(data["sheet"]["corners_px"]))
    own = np.array(data["sheet"]["corners_mm"])
    turn = np.angle(np.sum((corners[:, 0] + 1j * corners[:, 1]) * (own[:, 0] - 1j * own[:, 1])), deg=True)
    return 30.0 * round(turn / 30.0)


def _matched(line, data, found) -> tuple[int, float]:
    """Our line that is this one, and +1 or -1: whether its normal points the same way."""
    grid = found.grid
    normal = (line["planned"]["normal_deg"] + _turn(data, found)) % 360
    sense = 1.0 if normal < 180 else -1.0
    apart = np.abs(grid.normal_deg - normal % 180) + np.abs(grid.offset_mm - sense * line["planned"]["offset_mm"])
    assert apart.min() < 1e-3
    return int(apart.argmin()), sense


def row(name: str, scores: list[GridScore | None]) -> tuple:
    """One line of the table."""
    got = [s for s in scores if s is not None]
    if not got:
        return (name, len(scores), len(scores), *["-"] * (len(HEAD) - 3))
    rms = {key: [np.sqrt(np.mean(getattr(s, key) ** 2)) for s in got] for key in ("offset_mm", "angle_deg")}
    pooled = {key: np.concatenate([getattr(s, key) for s in got]) for key in (*rms, "held_offset", "held_angle")}
    return (
        name, len(scores), len(scores) - len(got),
        f"{100 * sum(s.found_visible for s in got) / sum(s.visible for s in got):.1f}", sum(s.invented for s in got),
        f"{sum(s.missing_right for s in got)} of {sum(s.missing for s in got)}", sum(s.missing_wrong for s in got),
        float(np.sqrt(np.mean(pooled["offset_mm"] ** 2))), float(max(rms["offset_mm"])),
        float(np.sqrt(np.mean(pooled["angle_deg"] ** 2))), float(max(rms["angle_deg"])),
        f"{100 * pooled['held_offset'].mean():.1f}", f"{100 * pooled['held_angle'].mean():.1f}",
        f"{sum(cause_is_right(s) for s in got)} of {len(got)}",
    )  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=200, help="simulated sheets")
    parser.add_argument("--first", type=int, default=1000, help="seed of the first one")
    parser.add_argument("--width", type=int, default=2400, help="width of the simulated photos, px")
    parser.add_argument("--pictures", action="store_true", help="outside pictures instead")
    parser.add_argument("--doc", action="store_true", help="renew the table of docs/grid.md")
    options = parser.parse_args()
    start = time.perf_counter()
    groups: dict[str, list[GridScore | None]] = {}
    if options.pictures:
        for path in sorted(Path(os.environ["FOLDTRUE_PHOTOS"], "grids").glob("*.json")):
            groups[path.stem] = [picture(path)]
    else:
        with tempfile.TemporaryDirectory() as folder:
            for seed in range(options.first, options.first + options.count):
                kind, one = simulated(seed, options.width, Path(folder))
                groups.setdefault(kind, []).append(one)
    everything = [one for scores in groups.values() for one in scores]
    lines = table(HEAD, [row(name, scores) for name, scores in [*groups.items(), ("all", everything)]])
    print("\n".join(lines))
    print(f"{time.perf_counter() - start:.0f} s")
    if options.doc:
        put("pictures" if options.pictures else "simulated", lines, Path(__file__).parents[2] / "docs" / "grid.md")
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""Measure a folder of pictures with exact truth that this project did not make, and say how far off the figures are.

    FOLDTRUE_PHOTOS=FOLDER .venv/bin/python tests/accuracy/pictures.py [--kind KIND] [--markdown FILE] [NAME ...]

FOLDER/rendered holds NAME.jpg and NAME.json: the plan's layout, and for every twist where it is in the picture and how
far it is off. docs/accuracy.md describes the judging and keeps the table.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
import time
from dataclasses import asdict
from pathlib import Path

import numpy as np
from judging import Score, Truth, score

from foldtrue.errors import FoldtrueError
from foldtrue.inspection import inspect_photo
from foldtrue.plan.file import parse_plan
from foldtrue.report.result import result_record

COLUMNS = (
    ("share", "seen", "{:.2f}"),
    ("wrong", "wrong", "{:d}"),
    ("position_rms_mm", "pos mm", "{:.3f}"),
    ("position_max_mm", "max", "{:.3f}"),
    ("gain", "gain", "{:.2f}"),
    ("angle_rms_deg", "angle deg", "{:.3f}"),
    ("angle_max_deg", "max", "{:.3f}"),
    ("overturn_error_deg", "overturn", "{:+.3f}"),
    ("cover_position", "cover", "{:.2f}"),
    ("cover_angle", "angle", "{:.2f}"),
    ("cover_relative", "relative", "{:.2f}"),
)


def plan_of(layout: dict):
    return parse_plan(
        {
            "format": "foldtrue-plan",
            "version": 1,
            "name": "outside picture",
            "sheet": {"shape": "hexagon", "height_mm": layout["sheet_height_mm"]},
            "grid": {"kind": "point-to-point", "divisions": layout["N"]},
            "twists": {"recipe": "honeycomb", "spacing": layout["L"], "rings": layout["rings"]},
        }
    )


def truth_of(data: dict) -> Truth:
    twists = data["twists"]
    return Truth(
        planned_mm=np.array([t["ideal_xy_mm"] for t in twists]),
        error_mm=np.array([[t["abs"]["dx"], t["abs"]["dy"]] for t in twists]),
        turn_deg=np.array([t["abs"]["rot_deg"] for t in twists]),
        hand=np.array([t["hand"] for t in twists], float),
        px=np.array([t["px"] for t in twists], float),
        seen=np.array([t["in_frame"] for t in twists]),
        mm_per_px=data["mm_per_px"],
    )


def judge(folder: Path, name: str) -> tuple[dict, Score | None, str, float]:
    """(truth file, score, reason for refusing, seconds) of one picture."""
    data = json.loads((folder / f"{name}.json").read_text())
    start = time.perf_counter()
    try:
        inspection = inspect_photo(folder / f"{name}.jpg", plan_of(data["plan"]["layout"]))
    except FoldtrueError as error:
        return data, None, f"{type(error).__name__}: {error.what}", time.perf_counter() - start
    seconds = time.perf_counter() - start
    rows = result_record(inspection)["twists"]
    if data["expected"] != "measure":
        return data, None, "FALSE REPORT", seconds
    alike = inspection.nominal.symmetry[inspection.plane.view]
    return data, score(truth_of(data), rows, tuple(alike)), "", seconds


def row(name: str, result: Score) -> str:
    values = asdict(result)
    cells = [
        "-" if isinstance(values[key], float) and math.isnan(values[key]) else form.format(values[key])
        for key, _, form in COLUMNS
    ]
    return f"| {name} | " + " | ".join(cells) + ("" if result.upright else " TURN WRONG") + " |"


def summary(title: str, results: list[Score], expected: int) -> str:
    if not results:
        return f"{title}: none of {expected} measured"

    def rms(key: str) -> float:
        return math.sqrt(np.mean([getattr(r, key) ** 2 for r in results]))

    def mean(key: str) -> float:
        return float(np.mean([getattr(r, key) for r in results]))

    gains = [r.gain for r in results if not math.isnan(r.gain)]
    return (
        f"{title}: {len(results)} of {expected} measured, twists seen {mean('share'):.3f}, wrong sites "
        f"{sum(r.wrong for r in results)}, turns wrong {sum(not r.upright for r in results)}; position RMS "
        f"{rms('position_rms_mm'):.3f} mm, angle RMS {rms('angle_rms_deg'):.3f} deg, overturn RMS "
        f"{rms('overturn_error_deg'):.3f} deg; gain median {np.median(gains) if gains else math.nan:.2f}, worst "
        f"{max(gains, default=math.nan):.2f}; coverage {mean('cover_position'):.2f} / {mean('cover_angle'):.2f} / "
        f"{mean('cover_relative'):.2f}"
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kind", choices=["backlit", "front", "all"], default="backlit")
    parser.add_argument("--markdown", type=Path)
    parser.add_argument("names", nargs="*")
    options = parser.parse_args()
    root = os.environ.get("FOLDTRUE_PHOTOS")
    if not root:
        print("FOLDTRUE_PHOTOS is not set: nothing to measure.")
        return 0
    folder = Path(root) / "rendered"
    names = options.names or [f.stem for f in sorted(folder.glob("*.json"))]
    lines = ["| picture | " + " | ".join(c[1] for c in COLUMNS) + " |", "|---" * (len(COLUMNS) + 1) + "|"]
    print("\n".join(lines))
    groups: dict[str, list[Score]] = {}
    expected: dict[str, int] = {}
    declined, false = [], 0
    for name in names:
        head = json.loads((folder / f"{name}.json").read_text())
        other = {"backlit": "front", "front": "backlit"}.get(options.kind)
        if not options.names and head["kind"] == other and head["expected"] == "measure":
            continue
        data, result, reason, _ = judge(folder, name)
        group = f"{data['renderer']} {data['kind']}"
        if data["expected"] == "measure":
            expected[group] = expected.get(group, 0) + 1
        if result is None:
            false += reason == "FALSE REPORT"
            right = "right" if data["expected"] != "measure" and reason != "FALSE REPORT" else "NOT RIGHT"
            declined.append(f"{name}: {right}. {reason}")
            continue
        groups.setdefault(group, []).append(result)
        lines.append(row(name, result))
        print(lines[-1], flush=True)
    lines += (
        [""] + [summary(g, groups.get(g, []), n) for g, n in sorted(expected.items())] + ["", "Declined:"] + declined
    )
    print("\n".join(lines[-len(declined) - len(expected) - 3 :]))
    if options.markdown:
        options.markdown.write_text("\n".join(lines) + "\n")
    return 1 if false or any(r.wrong for g in groups.values() for r in g) else 0


if __name__ == "__main__":
    sys.exit(main())

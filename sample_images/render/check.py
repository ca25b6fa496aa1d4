"""Compare a result with a sample picture's truth, and the truth with foldtrue's own plan.

python sample_images/render/check.py FOLDER [RESULT.json]. Needs foldtrue importable for the plan's part only.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import least_squares


def mapped(h: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Points (N, 2) through a homography (3, 3)."""
    q = np.column_stack([points, np.ones(len(points))]) @ h.T
    return q[:, :2] / q[:, 2:]


def homography(source: np.ndarray, target: np.ndarray) -> np.ndarray:
    """Least-squares (3, 3) map source -> target, (N, 2) mm each."""
    size = np.abs(source).max()

    def matrix(p: np.ndarray) -> np.ndarray:
        return np.append(p, 1.0).reshape(3, 3) @ np.diag([1 / size, 1 / size, 1])

    start = np.array([size, 0, 0, 0, size, 0, 0, 0.0])
    return matrix(
        least_squares(lambda p: (mapped(matrix(p), source) - target).ravel(), start, xtol=1e-14, ftol=1e-14).x
    )


def aligned(planned: np.ndarray, error: np.ndarray, turn: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Position errors (N, 2) mm and turns (N,) deg after the best homography plan -> piece has been taken out."""
    back = np.linalg.inv(homography(planned, planned + error))
    at, e = planned + error, 1e-4
    jx = (mapped(back, at + np.array([e, 0])) - mapped(back, at - np.array([e, 0]))) / (2 * e)
    jy = (mapped(back, at + np.array([0, e])) - mapped(back, at - np.array([0, e]))) / (2 * e)
    local = np.degrees(np.arctan2(jx[:, 1] - jy[:, 0], jx[:, 0] + jy[:, 1]))
    return mapped(back, at) - planned, turn + local


def column(rows: list[dict[str, Any]], name: str) -> np.ndarray:
    return np.array([row[name] for row in rows], float)


def rms(values: np.ndarray) -> float:
    """Root mean square of the lengths of values (N,) or (N, 2)."""
    return float(np.sqrt(np.mean(np.sum(np.square(values).reshape(len(values), -1), axis=1))))


def compare(truth: dict[str, Any], result: dict[str, Any]) -> dict[str, float]:
    """RMS of what is left between result and truth, mm and deg, and of the truth itself (an answer of zero)."""
    found = {t["id"]: t for t in result["twists"] if t["status"] == "measured"}
    right = [t for t in truth["twists"] if t["id"] in found]
    rows = [found[t["id"]] for t in right]
    hand = np.array([1 if t["hand"] == "ccw" else -1 for t in right])
    planned = column(right, "planned_mm")
    true, true_turn = aligned(planned, column(right, "position_error_mm"), column(right, "angle_error_deg"))
    got, got_turn = aligned(planned, column(rows, "position_error_mm"), column(rows, "angle_error_deg"))
    over = float(np.median(hand * (got_turn - true_turn)))
    return {
        "measured": len(rows),
        "of": len(truth["twists"]),
        "position_rms_mm": rms(got - true),
        "zero_rms_mm": rms(true),
        "position_max_mm": float(np.hypot(*(got - true).T).max()),
        "angle_rms_deg": rms(got_turn - true_turn - over * hand),
        "zero_angle_rms_deg": rms(true_turn),
        "overturn_deg": over,
        "centre_px_median": float(np.median(np.hypot(*(column(rows, "centre_px") - column(right, "centre_px")).T))),
    }


def plan_mismatch(folder: Path) -> float:
    """Largest distance (mm) of the truth's planned centres from those of foldtrue's plan; ids, hands, rings equal."""
    from foldtrue.plan import fold_plan, read_plan  # only this comparison needs the package

    nominal = fold_plan(read_plan(folder / "plan.json"))
    truth = json.loads((folder / "truth.json").read_text())
    for ours, theirs in zip(truth["twists"], nominal.twists, strict=True):
        same = (ours["id"], ours["ring"], ours["border"], 1 if ours["hand"] == "ccw" else -1)
        if same != (theirs.id, theirs.ring, theirs.border, theirs.hand):
            raise ValueError(f"{same} differs from the plan's {theirs.id}")
    planned = np.array([t.planned_mm for t in nominal.twists])
    return float(np.abs(planned - column(truth["twists"], "planned_mm")).max())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("result", type=Path, nargs="?")
    options = parser.parse_args()
    print("plan mismatch, mm:", plan_mismatch(options.folder))
    if options.result:
        truth = json.loads((options.folder / "truth.json").read_text())
        for name, value in compare(truth, json.loads(options.result.read_text())).items():
            print(f"{name:20s} {value:.4f}")


if __name__ == "__main__":
    main()

r"""How much better fronts would be measured if the lines that were found lay where the truth has them.

    FOLDTRUE_PHOTOS=FOLDER .venv/bin/python tests/accuracy/told.py [--doc] [NAME ...]

Pictures and judging as in pictures.py. Between the reading of the photo and the fit, the lines of all twists' sides
and pleats that were found are moved to the truth: their directions alone, then their places too. In a groove that
gapes the line becomes the middle of both edges, else the nearer of the two, as the photo shows it; which it is, and
all that was not found, stays unknown, and edges that hardly show stay as they were read. What error is left is not
the reading's: it lies in what the photo does not show, and in a fit that weighs these lines as it would those it
read.
"""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from unittest.mock import patch

import numpy as np
from judging import Score
from pictures import judge
from tables import cell, put, table

from foldtrue.fit import lattice
from foldtrue.fit.lines import EdgeLines, edge_lines
from foldtrue.frames import PlaneMap
from foldtrue.handover import Features, Nominal
from foldtrue.stretches import left_normals
from foldtrue.subpixel import group_median

MARK = "told"
HEAD = ("pictures", "number", "pos RMS mm", "directions told", "places too", "angle RMS deg", "told", "places too")
GROUPS = (
    ("flat, spacing 2", lambda name: name.startswith("fr_L2")),
    ("flat, spacing 3 and 4", lambda name: name.startswith("fr_L")),
    ("path-traced, spacing 2", lambda name: "_L2" in name),
    ("path-traced, spacing 3 and 4", lambda name: True),
)


def true_tips(nominal: Nominal, plane: PlaneMap, tips_px: np.ndarray) -> np.ndarray:
    """Displacement (V, 2) mm of the vertices that are tips of a twist, as this plane has them; nan elsewhere."""
    found = plane.to_mm(tips_px.reshape(-1, 2)).reshape(tips_px.shape)
    total, count = np.zeros((2, len(nominal.vertices_mm), 2))
    for twist in nominal.twists:
        planned = nominal.vertices_mm[list(twist.tips)]
        mine = found[np.hypot(*(found.mean(1) - planned.mean(0)).T).argmin()]
        for vertex, place in zip(twist.tips, planned, strict=True):
            total[vertex] += mine[np.hypot(*(mine - place).T).argmin()] - place
            count[vertex] += 1
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def across(nominal: Nominal, moved: np.ndarray, crease: np.ndarray, line: np.ndarray) -> np.ndarray:
    """Offset of the creases (E,) from their planned lines at t = 0 and t = 1 of `line` (E,), on the left of that."""
    ends = nominal.creases.ends
    same = np.hypot(*(nominal.vertices_mm[ends[crease, 0]] - nominal.vertices_mm[ends[line, 0]]).T) < 1e-6
    order = np.where(same[:, None], ends[crease], ends[crease][:, ::-1])
    return np.einsum("ekj,ej->ek", moved[order], left_normals(nominal, line))


def told(lines: EdgeLines, nominal: Nominal, moved: np.ndarray, places: bool) -> EdgeLines:
    """The lines moved to where the tips' displacements (V, 2) have their edges; those of which no truth is told, by as
    much as their kind."""
    own = across(nominal, moved, lines.crease, lines.crease)
    paired = lines.pair >= 0
    other = across(nominal, moved, np.where(paired, lines.pair, lines.crease), lines.crease)
    gapes = (lines.paper_side * (own - other).sum(1) > 0) & paired
    (first, second), half = (np.diff(each, axis=1)[:, 0] for each in (own, other)), 0.5 * (own + other)
    nearer = np.abs(second - lines.slope_mm) < np.abs(first - lines.slope_mm)
    edge = np.where(gapes[:, None], half, np.where((nearer & paired)[:, None], other, own))
    slope = edge[:, 1] - edge[:, 0]
    known = np.isfinite(edge).all(1) & ~lines.on_table
    offset = np.where(known & places, edge[:, 0] + slope * lines.t_mid, lines.offset_mm)
    # Of lines that run to the rim nobody tells the truth: light has shifted them as it has the others of their kind.
    shift = group_median(((offset - lines.offset_mm) * lines.dark)[known], lines.kind[known], int(lines.kind.max()) + 1)
    offset = np.where(known | lines.on_table, offset, offset + lines.dark * shift[lines.kind])
    return replace(lines, offset_mm=offset, slope_mm=np.where(known, slope, lines.slope_mm))


def measured(folder: Path, name: str, places: bool | None) -> Score | None:
    """The picture's score with its lines as found (None), their directions told, or (True) their places too."""
    if places is None:
        return judge(folder, name, "front").score
    tips_px = np.array([t["tips_px"] for t in json.loads((folder / f"{name}.json").read_text())["twists"]])
    with patch.object(lattice, "_solve_lines", solver(lattice._solve_lines, tips_px, places)):
        return judge(folder, name, "front").score


def solver(solve: Callable, tips_px: np.ndarray, places: bool) -> Callable:
    def solve_told(features: Features, plane, nominal: Nominal, options, lens, rounds):
        truth = true_tips(nominal, replace(plane.map, k1=plane.map.k1 + lens[0]), tips_px)

        def lines_told(*args):
            return told(edge_lines(*args), nominal, truth, places)

        with patch.object(lattice, "edge_lines", lines_told):
            return solve(features, plane, nominal, options, lens, rounds)

    return solve_told


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--doc", action="store_true", help="renew the table in docs/accuracy.md")
    parser.add_argument("names", nargs="*")
    options = parser.parse_args()
    root = os.environ.get("FOLDTRUE_PHOTOS")
    if not root:
        print("FOLDTRUE_PHOTOS is not set: nothing to measure.")
        return
    folder = Path(root) / "rendered"
    scores: dict[str, list[Score]] = {}
    for name in options.names or [f.stem for f in sorted(folder.glob("*fr_*.json"))]:
        truth = json.loads((folder / f"{name}.json").read_text())
        if truth["expected"] != "measure" or name.endswith("_clean"):
            continue
        three = [measured(folder, name, places) for places in (None, False, True)]
        if all(three):
            scores[name] = three
            print(name, *(f"{s.position_rms_mm:.3f} mm {s.angle_rms_deg:.3f} deg" for s in three), flush=True)
    lines = table(HEAD, rows_of(scores))
    print("\n".join(lines))
    if options.doc:
        put(MARK, lines)


def rows_of(scores: dict[str, list[Score]]) -> list[tuple[str, ...]]:
    left = dict(scores)
    rows = []
    for label, of_group in GROUPS:
        mine = [left.pop(name) for name in list(left) if of_group(name)]
        if not mine:
            continue
        figures = [
            float(np.sqrt(np.mean([getattr(three[k], key) ** 2 for three in mine])))
            for key in ("position_rms_mm", "angle_rms_deg")
            for k in range(3)
        ]
        rows.append((label, str(len(mine)), *(cell(f, ".3f") for f in figures)))
    return rows


if __name__ == "__main__":
    main()

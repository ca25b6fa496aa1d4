"""How often a picture that is not the planned piece is taken for it, and the piece itself declined.

    [FOLDTRUE_PHOTOS=FOLDER] .venv/bin/python tests/accuracy/false_alarms.py [--kind backlit|lit] [--count N] [--doc]

Against the light, or (lit) asked for as the front and as the back. Other things: the pictures that the scikit-image
wheel ships, drawn sheets that are creased but not folded, and, with FOLDTRUE_PHOTOS, real photographs of other folds
and of printed and creased grids, each against several plans; N simulated photos of other layouts of the same family,
and of the same layout from the other side. Right ones: N simulated photos of the plan asked for. A picture counts as
accepted when the whole inspection gives figures for any twist. The match statistic, against the light alone, is the
share of the light's variance that the plan's layers explain (Plane.score), taken with every limit off. --view auto
gives figures only where one of the three views does, so its rate is at most the sum of theirs.
"""

from __future__ import annotations

import argparse
import math
import os
import sys
import tempfile
from dataclasses import dataclass, replace
from itertools import permutations
from pathlib import Path

import cv2
import numpy as np
from scipy.stats import beta
from simulated import plan_of
from tables import cell, put, table

from foldtrue.errors import FoldtrueError
from foldtrue.inspection import InspectOptions, inspect_photo
from foldtrue.photo import read_photo
from foldtrue.plan.fold import fold_plan
from foldtrue.rectify.piece import RectifyOptions, rectify_photo
from foldtrue.simulate import practice_scene, simulate_photo

LAYOUTS = ((2, 16, 2), (3, 24, 2), (2, 32, 4), (4, 32, 2), (2, 24, 2), (3, 12, 1))
ASKED = LAYOUTS[:4]
CARE = ("easy", "medium", "hard")
NO_LIMITS = RectifyOptions(least_share=-1.0, ambiguity=0.0, least_pitch_px=0.0)
HEAD = ("pictures", "trials", "accepted", "rate, 95 % interval", "match, median", "match, highest 5 %", "highest")
LIT_HEAD = ("pictures", "trials", "accepted", "rate, 95 % interval", "not this piece", "place or turn open", "too poor")
VIEWS = {"backlit": ("backlit",), "lit": ("front", "back")}
MARKS = {"backlit": "false-alarms", "lit": "false-alarms-lit"}
RIGHT = ("pictures", "trials", "declined", "rate, 95 % interval", "match, median", "match, lowest 5 %", "lowest")


@dataclass(frozen=True)
class Trial:
    """One picture against one plan: what was shown, whether figures came out, why not, and the match statistic."""

    shown: str
    accepted: bool
    reason: str
    score: float


def trial(shown: str, path: Path, plan, view: str = "backlit") -> Trial:
    score = match(path, plan) if view == "backlit" else math.nan
    if score < 0.9 * RectifyOptions().least_share:  # the inspection's first step is the one just taken
        return Trial(shown, False, "NotThisPiece", score)
    try:
        inspect_photo(path, plan, InspectOptions(view=view))
    except FoldtrueError as error:
        return Trial(shown, False, type(error).__name__, score)
    return Trial(shown, True, "", score)


def match(path: Path, plan) -> float:
    """Share of the light that the plan's layers explain at the best place, 0 where no place comes into question."""
    try:
        return rectify_photo(read_photo(path), fold_plan(plan), NO_LIMITS).score
    except FoldtrueError:
        return 0.0


def rate(count: int, of: int) -> str:
    """Share with its 95 % interval (Clopper and Pearson, Biometrika 26 (1934) 404)."""
    low = 0.0 if count == 0 else beta.ppf(0.025, count, of - count + 1)
    high = 1.0 if count == of else beta.ppf(0.975, count + 1, of - count)
    return f"{100 * count / of:.1f} % ({100 * low:.1f} to {100 * high:.1f})"


def shipped() -> list[Path]:
    import skimage.data

    return sorted(f for f in Path(skimage.data.__file__).parent.iterdir() if f.suffix in (".png", ".jpg"))


def outside(*folders: str) -> list[Path]:
    root = os.environ.get("FOLDTRUE_PHOTOS")
    files = [f for name in folders for f in sorted((Path(root) / name).iterdir())] if root else []
    return [f for f in files if f.suffix in (".png", ".jpg", ".bmp")]


def creased_sheet(seed: int, path: Path, around: float = 0.9) -> None:
    """A hexagon of paper with its triangle grid creased and nothing folded, on a ground of this brightness."""
    rng = np.random.default_rng([seed, 5])
    width, height, divisions = 1200, 900, int(rng.choice([16, 24, 32]))
    half = 0.42 * height
    turn = rng.uniform(0, np.pi / 3)
    corners = np.stack([np.cos(turn + np.pi / 3 * np.arange(6)), np.sin(turn + np.pi / 3 * np.arange(6))], 1) * half
    middle = np.array([width, height]) / 2
    light = np.full((height, width), around, np.float32)
    paper = np.zeros((height, width), np.uint8)
    cv2.fillPoly(paper, [np.rint(corners + middle).astype(np.int32)], 1)
    creases = np.zeros((height, width), np.float32)
    for family in range(3):
        # Point to point: lines at right angles to the long diagonals, one of which every corner lies on.
        along = turn + np.pi / 3 * family
        normal, across = np.array([np.cos(along), np.sin(along)]), np.array([-np.sin(along), np.cos(along)])
        for k in range(1 - divisions // 2, divisions // 2):
            foot = middle + normal * (2 * half * k / divisions)
            ends = np.rint(np.array([foot - 2 * half * across, foot + 2 * half * across]) * 16).astype(int)
            strength = float(rng.choice([-1, 1], p=[0.3, 0.7]) * rng.uniform(0.05, 0.25))
            cv2.line(creases, tuple(ends[0].tolist()), tuple(ends[1].tolist()), strength, 2, cv2.LINE_8, 4)
    light = np.where(paper > 0, 0.4 * (1 + creases), light)
    light = cv2.GaussianBlur(light, (0, 0), 1.0) + rng.normal(0, 0.005, light.shape)
    cv2.imwrite(str(path), np.rint(255 * np.clip(light, 0, 1) ** (1 / 2.2)).astype(np.uint8))


def simulated_photo(seed: int, layout: tuple[int, int, int], care: str, path: Path, view: str = "backlit") -> None:
    scene = practice_scene(seed, care, view)
    scene = replace(scene, camera=replace(scene.camera, width_px=1632, height_px=1224))
    path.write_bytes(simulate_photo(fold_plan(plan_of(*layout)), scene).jpeg)


def name_of(layout: tuple[int, int, int]) -> str:
    return f"spacing {layout[0]}, {layout[1]} divisions, {6 * layout[2] ** 2} twists"


def other_things(folder: Path, count: int, views: tuple[str, ...]) -> dict[str, list[Trial]]:
    asked = [(layout, view) for layout in ASKED for view in views]

    def each(shown: str, path: Path) -> list[Trial]:
        names = [
            shown if view == "backlit" else f"{shown} as the {view} of {name_of(layout)}" for layout, view in asked
        ]
        return [trial(name, path, plan_of(*layout), view) for name, (layout, view) in zip(names, asked, strict=True)]

    groups = {
        "shipped with scikit-image": shipped(),
        "other folds, creased and plain paper (real)": outside("real/negatives"),
        "grids, cards, boards (real)": outside("real/trigrid", "real/references", "real/chess"),
        "creased, unfolded sheets (outside renderings)": outside("grids"),
        "plain colour, noise (outside renderings)": [f for f in outside("rendered") if f.stem.startswith("host_")],
    }
    out = {name: [t for f in files for t in each(f.stem, f)] for name, files in groups.items() if files}
    sheets: list[Trial] = []
    for seed in range(max(count // 8, 1)):
        creased_sheet(seed, folder / "sheet.png", around=0.9 if views == ("backlit",) else 0.15)
        sheets += each(f"sheet {seed}", folder / "sheet.png")
    return out | {"creased, unfolded sheets (drawn)": sheets}


def other_layouts(folder: Path, count: int, views: tuple[str, ...]) -> list[Trial]:
    pairs = list(permutations(LAYOUTS, 2))
    out = []
    for seed in range(count):
        shown, asked = pairs[seed % len(pairs)]
        view = views[seed // len(pairs) % len(views)]
        simulated_photo(seed, shown, CARE[seed % 3], folder / "other.jpg", view)
        name = f"{name_of(shown)} taken for {name_of(asked)}, {view}"
        out.append(trial(name, folder / "other.jpg", plan_of(*asked), view))
    return out


def other_sides(folder: Path, count: int) -> list[Trial]:
    """The front asked for as the back, and the back as the front."""
    out = []
    for seed in range(max(count // 2, 1)):
        layout, (view, other) = LAYOUTS[seed % len(LAYOUTS)], VIEWS["lit"][:: 1 - 2 * (seed // len(LAYOUTS) % 2)]
        simulated_photo(2000 + seed, layout, CARE[seed % 3], folder / "side.jpg", view)
        name = f"{view} of {name_of(layout)}, {CARE[seed % 3]}, taken for the {other}"
        out.append(trial(name, folder / "side.jpg", plan_of(*layout), other))
    return out


def right_ones(folder: Path, count: int, views: tuple[str, ...]) -> dict[str, list[Trial]]:
    out: dict[str, list[Trial]] = {}
    for seed in range(count):
        layout, care = LAYOUTS[seed % len(LAYOUTS)], CARE[seed // len(LAYOUTS) % 3]
        view = views[seed // (len(LAYOUTS) * len(CARE)) % len(views)]
        simulated_photo(1000 + seed, layout, care, folder / "right.jpg", view)
        name = f"the piece itself, {'' if view == 'backlit' else view + ', '}{care} scenes"
        shown = f"{view}, {care}, {name_of(layout)}, seed {1000 + seed}"
        out.setdefault(name, []).append(trial(shown, folder / "right.jpg", plan_of(*layout), view))
    return dict(sorted(out.items()))


def row(name: str, trials: list[Trial], *, right: bool) -> tuple:
    count = sum(t.accepted != right for t in trials)
    scores = [t.score for t in trials]
    tail = (np.percentile(scores, 5), min(scores)) if right else (np.percentile(scores, 95), max(scores))
    return name, len(trials), count, rate(count, len(trials)), *(cell(float(s)) for s in (np.median(scores), *tail))


def lit_row(name: str, trials: list[Trial], *, right: bool) -> tuple:
    count = sum(t.accepted != right for t in trials)
    by = [sum(t.reason == kind for t in trials) for kind in ("NotThisPiece", "SiteAmbiguous", "PhotoTooPoor")]
    return name, len(trials), count, rate(count, len(trials)), *by


def late_lines(wrong: list[Trial]) -> list[str]:
    """What only a check after the match declined."""
    limit = RectifyOptions().least_share
    late = [t for t in wrong if t.score >= limit and not t.accepted]
    lines = [f"- Over the match limit of {limit:g} but declined later, rightly: {len(late)}."]
    for name in sorted({t.shown for t in late}):
        mine = [t for t in late if t.shown == name]
        reasons = " and ".join(sorted({t.reason for t in mine}))
        lines.append(f"    - {name}: {len(mine)} times, match up to {max(t.score for t in mine):.2f}, by {reasons}.")
    return lines


def name_trials(head: str, trials: list[Trial], *, right: bool) -> list[str]:
    """The trials that came out wrong, each kind once."""
    lines = []
    for key in sorted({(t.shown, t.reason) for t in trials if t.accepted != right}):
        mine = [t for t in trials if (t.shown, t.reason) == key and t.accepted != right]
        score = max(t.score for t in mine)
        by, times = f", by {key[1]}" if key[1] else "", f", {len(mine)} times" if len(mine) > 1 else ""
        lines.append(f"- {head}: {key[0]}{by}{times}" + ("." if math.isnan(score) else f" (match {score:.2f})."))
    return lines


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kind", choices=list(VIEWS), default="backlit")
    parser.add_argument("--count", type=int, default=120)
    parser.add_argument("--doc", action="store_true", help="renew the tables in docs/accuracy.md")
    options = parser.parse_args()
    lit, views = options.kind == "lit", VIEWS[options.kind]
    with tempfile.TemporaryDirectory() as name:
        wrong = other_things(Path(name), options.count, views)
        wrong["other layouts of the family (simulated)"] = other_layouts(Path(name), options.count, views)
        if lit:
            wrong["the same layout from the other side (simulated)"] = other_sides(Path(name), options.count)
        right = right_ones(Path(name), options.count, views)
    every_wrong, every_right = ([t for group in part.values() for t in group] for part in (wrong, right))
    line = lit_row if lit else row
    right_head = (*LIT_HEAD[:2], "declined", *LIT_HEAD[3:]) if lit else RIGHT
    lines = table(
        LIT_HEAD if lit else HEAD, [line(n, t, right=False) for n, t in [*wrong.items(), ("**all**", every_wrong)]]
    )
    lines += [
        "",
        *table(right_head, [line(n, t, right=True) for n, t in [*right.items(), ("**all**", every_right)]]),
        "",
    ]
    lines += name_trials("Accepted, wrongly", every_wrong, right=False)
    lines += name_trials("Declined, wrongly", every_right, right=True)
    if not lit:
        lines += late_lines(every_wrong)
    print("\n".join(lines))
    if options.doc:
        put(MARKS[options.kind], lines)
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""How often a picture that is not the planned piece is taken for it, and the piece itself declined.

    [FOLDTRUE_PHOTOS=FOLDER] .venv/bin/python tests/accuracy/false_alarms.py [--count N]

Pictures of other things: those that the scikit-image wheel ships and, with FOLDTRUE_PHOTOS, the real photographs in
FOLDER/real/negatives, each against three plans; N simulated photos of other layouts. Right ones: N simulated photos.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

from scipy.stats import beta

from foldtrue.errors import FoldtrueError
from foldtrue.inspection import inspect_photo
from foldtrue.plan.file import parse_plan
from foldtrue.plan.fold import fold_plan
from foldtrue.simulate import practice_scene, simulate_photo

LAYOUTS = ((2, 16, 2), (3, 24, 2), (2, 32, 4), (4, 32, 2))


def plan_of(spacing, divisions, rings):
    return parse_plan(
        {
            "format": "foldtrue-plan",
            "version": 1,
            "name": "panel (invented)",
            "sheet": {"shape": "hexagon", "height_mm": 240},
            "grid": {"kind": "point-to-point", "divisions": divisions},
            "twists": {"recipe": "honeycomb", "spacing": spacing, "rings": rings},
        }
    )


def accepted(path, plan) -> bool:
    try:
        inspect_photo(path, plan)
    except FoldtrueError:
        return False
    return True


def rate(count: int, of: int) -> str:
    """Share with its 95 % interval (Clopper and Pearson 1934)."""
    low = 0.0 if count == 0 else beta.ppf(0.025, count, of - count + 1)
    high = 1.0 if count == of else beta.ppf(0.975, count + 1, of - count)
    return f"{count} of {of} (95 % interval {100 * low:.1f} to {100 * high:.1f} %)"


def other_things() -> list[Path]:
    import skimage.data

    shipped = Path(skimage.data.__file__).parent
    files = [shipped / f"{n}.png" for n in ("brick", "grass", "gravel", "text", "coins", "camera", "page", "horse")]
    if os.environ.get("FOLDTRUE_PHOTOS"):
        files += sorted((Path(os.environ["FOLDTRUE_PHOTOS"]) / "real" / "negatives").iterdir())
    return [f for f in files if f.exists()]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=48)
    count = parser.parse_args().count
    plans = [plan_of(*layout) for layout in LAYOUTS]
    trials = [(f, p) for f in other_things() for p in plans[:3]]
    false = [f.name for f, p in trials if accepted(f, p)]
    print(f"other things taken for the piece: {rate(len(false), len(trials))}", *false)
    wrong = missed = 0
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(count):
            right = seed % len(plans)
            photo = simulate_photo(fold_plan(plans[right]), practice_scene(seed, ("easy", "medium", "hard")[seed % 3]))
            path = Path(folder) / "photo.jpg"
            path.write_bytes(photo.jpeg)
            wrong += accepted(path, plans[(right + 1 + seed // 4 % 3) % len(plans)])
            missed += not accepted(path, plans[right])
    print(f"another layout taken for the piece: {rate(wrong, count)}")
    print(f"the piece itself declined: {rate(missed, count)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())

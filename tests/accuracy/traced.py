r"""Path-traced fronts whose sides hardly show: how far off the figures are, and whether their intervals hold.

    DRJIT_LIBLLVM_PATH=FILE .venv/bin/python tests/accuracy/traced.py [--count N] [--width PX] [--folder FOLDER]

Made by the renderer of the sample pictures (sample_images/render; the project's `render` extra; half a minute each, a
minute at 12 megapixels), which shares no code with foldtrue: spacing 3 and 4, a lamp 45 to 65 deg high from anywhere,
so that the sides that face it throw no shadow, cloudy paper, the grid's creases all but smoothed out, and every tip off
by 0.06 to 0.12 mm by itself, so that a tip that no edge shows is told by nothing else. Drawn from seeds. Pictures that
FOLDER holds already are not made again.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np
from judging import Score, misses, score, traced_truth

from foldtrue.errors import FoldtrueError
from foldtrue.inspection import InspectOptions, inspect_photo
from foldtrue.plan.file import read_plan
from foldtrue.report.result import result_record

RENDER = Path(__file__).parents[2] / "sample_images" / "render"
FIGURES = ("position_rms_mm", "angle_rms_deg", "cover_position", "cover_angle", "cover_relative", "share")


def case(number: int, width_px: int = 2000):
    """One picture, all but its size drawn from its number."""
    import surfaces
    from camera import Camera
    from cases import BLUE, DESK_LAMP, IVORY, WALNUT, Case, Piece
    from develop import Develop
    from honeycomb import Layout
    from misfold import Errors
    from scene import Lamp, Setting

    rng = np.random.default_rng([number, 5])
    layout = (Layout(240.0, 24, 3, 2), Layout(240.0, 32, 4, 2))[number % 2]
    errors = Errors(turn_deg=float(rng.uniform(0.3, 1.2)), vertex_mm=float(rng.uniform(0.06, 0.12)))
    waves = float(rng.uniform(0.1, 0.25)), float(rng.uniform(50, 80))
    piece = Piece(
        "panel of an invented studio", layout, errors, (IVORY, BLUE)[number % 2], waves, 100 + number, 0.15, 3.0
    )
    azimuth, height = float(rng.uniform(0, 360)), float(rng.uniform(45, 65))
    lamp = Lamp((110.0, 110.0), 520.0, azimuth, height, DESK_LAMP.light)
    table, turn = surfaces.wood(3, 1024, *WALNUT), float(rng.uniform(0, 90))
    setting = Setting("table", table, 900.0, turn, 0.0, (0.16, 0.15, 0.14), (lamp,))
    focal, tilt = float(rng.uniform(45, 60)), float(rng.uniform(2, 10))
    axis, roll = float(rng.uniform(0, 360)), float(rng.uniform(-20, 20))
    view = Camera(width_px, 3 * width_px // 4, focal, 400.0, tilt, axis, roll)
    develop = Develop(0.4, white=(0.93, 1.0, 1.2))
    return Case(piece, "front", "front", setting, view, develop, 6, 8, "under a lamp, for a study", 200 + number)


def measured(folder: Path) -> Score | None:
    """The score of a folder's picture; None where it is declined."""
    try:
        found = inspect_photo(folder / "photo.jpg", read_plan(folder / "plan.json"), InspectOptions(view="front"))
    except FoldtrueError as error:
        print(f"{folder.name}: {error.what}")
        return None
    truth = traced_truth(folder)
    return score(truth, misses(truth, result_record(found)["twists"], found.nominal.symmetry["front"]))


def study(count: int, width_px: int, root: Path) -> None:
    scores = []
    for number in range(count):
        folder = root / f"front-{number}"
        if not (folder / "truth.json").exists():
            from make import make

            make(folder.name, case(number, width_px), folder, None)
        mine = measured(folder)
        if mine is not None:
            scores.append(mine)
            print(folder.name, *(f"{getattr(mine, name):.3f}" for name in FIGURES), flush=True)
    for name in FIGURES:
        values = np.array([getattr(s, name) for s in scores])
        total = np.sqrt(np.mean(values**2)) if name.endswith(("mm", "deg")) else values.mean()
        print(f"{name}: {total:.4f}")
    print(f"measured: {len(scores)} of {count}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=26)
    parser.add_argument("--width", type=int, default=2000, help="of each picture, px; 4000 makes 12 megapixels")
    parser.add_argument("--folder", type=Path, help="where the pictures are kept; a temporary one without")
    options = parser.parse_args()
    sys.path.insert(0, str(RENDER))
    with tempfile.TemporaryDirectory() as spare:
        study(options.count, options.width, options.folder or Path(spare))


if __name__ == "__main__":
    main()

"""Where the time goes: 12-megapixel photos of pieces with 24, 96 and 384 twists.

    .venv/bin/python tests/speed/bench_piece.py [--times N] [--doc]

Every photo is simulated once and kept in the temporary folder. Times are the best of N after a warm-up, in one process,
libraries loaded; the figures are checked before they are timed. CPU s is the processor time of all threads together,
which other work on the machine lengthens less than the time by the clock. Two yardsticks beside them: the floor, what
it costs only to decode the same photo to linear light, blur it once and take its gradient once; and OpenCV's
sector-based chessboard corner finder on a picture of the same size. Memory is the peak beyond the decoded photo.
"""

from __future__ import annotations

import argparse
import os
import platform
import subprocess
import sys
import tempfile
import time
import tracemalloc
from pathlib import Path

import cv2
import numpy as np

from foldtrue.inspection import inspect_photo
from foldtrue.photo import read_photo
from foldtrue.plan.file import parse_plan
from foldtrue.plan.fold import fold_plan
from foldtrue.simulate import Camera, Errors, Scene, simulate_photo
from foldtrue.subpixel import linear_grey

sys.path.insert(0, str(Path(__file__).parents[1] / "accuracy"))
from tables import cell, put, table

WIDTH, HEIGHT = 4032, 3024
STEPS = ("plan", "photo", "rectify", "detect", "fit")
HEAD = (
    "twists", "total s", "CPU s", "floor s", "of the floor", "of the corner finder", *(f"{s} s" for s in STEPS),
    "bytes per px, arrays", "whole process",
)  # fmt: skip


def plan_of(divisions: int, rings: int):
    return parse_plan(
        {
            "format": "foldtrue-plan",
            "version": 1,
            "name": "panel (invented)",
            "sheet": {"shape": "hexagon", "height_mm": 360},
            "grid": {"kind": "point-to-point", "divisions": divisions},
            "twists": {"recipe": "honeycomb", "spacing": 2, "rings": rings},
        }
    )


def photo_of(divisions: int, plan) -> Path:
    """The simulated photo, made once."""
    path = Path(tempfile.gettempdir()) / f"foldtrue-speed-{divisions}.jpg"
    if not path.exists():
        scene = Scene(
            seed=2,
            errors=Errors(position_mm=0.1, angle_deg=0.4),
            camera=Camera(width_px=WIDTH, height_px=HEIGHT, tilt_deg=5, roll_deg=8),
        )
        path.write_bytes(simulate_photo(fold_plan(plan), scene).jpeg)
    return path


def best(work, times: int):
    """(seconds, what came out, processor seconds) of the fastest of `times` runs after a warm-up."""
    work()
    out = []
    for _ in range(times):
        start, busy = time.perf_counter(), time.process_time()
        result = work()
        out.append((time.perf_counter() - start, result, time.process_time() - busy))
    return *min(out, key=lambda run: run[0])[:2], min(run[2] for run in out)


def floor(path: Path):
    photo = read_photo(path)
    smooth = cv2.GaussianBlur(linear_grey(photo.pixels, photo.linear), (0, 0), 1.2)
    return cv2.Scharr(smooth, cv2.CV_32F, 1, 0), cv2.Scharr(smooth, cv2.CV_32F, 0, 1)


def corner_finder(times: int) -> float:
    """Seconds that the sector-based finder takes for a clean board of 15 x 11 corners in a picture of this size."""
    square = 240
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    left, top = (WIDTH - 16 * square) // 2, (HEIGHT - 12 * square) // 2
    dark = ((x - left) // square + (y - top) // square) % 2 == 0
    board = (x >= left) & (x < left + 16 * square) & (y >= top) & (y < top + 12 * square)
    picture = cv2.GaussianBlur(np.where(dark & board, 40, 210).astype(np.uint8), (0, 0), 1.0)
    seconds, (found, corners), _ = best(lambda: cv2.findChessboardCornersSB(picture, (15, 11)), times)
    assert found
    assert len(corners) == 165
    return seconds


def array_peak(path: Path, plan) -> float:
    """Peak of Python's and NumPy's own memory beyond the decoded photo, bytes per pixel."""
    tracemalloc.start()
    photo = read_photo(path)
    size, pixels = photo.pixels.nbytes, photo.pixels.size // 3
    del photo
    base = tracemalloc.get_traced_memory()[0]
    tracemalloc.reset_peak()
    inspect_photo(path, plan)
    peak = tracemalloc.get_traced_memory()[1] - base - size
    tracemalloc.stop()
    return peak / pixels


def process_peak(path: Path, divisions: int, rings: int) -> float:
    """Peak of a fresh process beyond its libraries and the decoded photo, bytes per pixel; nan where it is not told."""
    if not Path("/proc/self/clear_refs").exists():
        return float("nan")
    command = [sys.executable, __file__, "--memory-of", str(path), str(divisions), str(rings)]
    return float(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def print_process_peak(path: str, divisions: int, rings: int) -> None:
    def status(name: str) -> int:
        lines = Path("/proc/self/status").read_text().splitlines()
        return next(int(line.split()[1]) * 1024 for line in lines if line.startswith(name))

    small = plan_of(16, 2)
    picture = Path(tempfile.gettempdir()) / "foldtrue-speed-small.jpg"
    scene = Scene(seed=2, camera=Camera(width_px=640, height_px=480))
    picture.write_bytes(simulate_photo(fold_plan(small), scene).jpeg)
    inspect_photo(picture, small)  # loads every library
    plan = plan_of(divisions, rings)
    base = status("VmRSS")
    Path("/proc/self/clear_refs").write_text("5")  # the peak starts anew
    photo = inspect_photo(path, plan).photo
    print((status("VmHWM") - base - photo.pixels.nbytes) / (photo.pixels.size / 3))


def one_size(divisions: int, rings: int, times: int, finder: float) -> tuple:
    plan = plan_of(divisions, rings)
    path = photo_of(divisions, plan)
    found = inspect_photo(path, plan)
    assert found.fit.measured.mean() > 0.98, "not worth timing: too few twists were measured"
    least, _, _ = best(lambda: floor(path), times)
    seconds, found, busy = best(lambda: inspect_photo(path, plan), times)
    parts = [cell(found.timings_s[step], ".2f") for step in STEPS]
    memory = (array_peak(path, plan), process_peak(path, divisions, rings))
    return (
        len(found.nominal.twists),
        cell(seconds, ".2f"),
        cell(busy, ".2f"),
        cell(least, ".2f"),
        f"{seconds / least:.1f} x",
        f"{seconds / finder:.2f} x",
        *parts,
        *(cell(m, ".1f") for m in memory),
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--times", type=int, default=5)
    parser.add_argument("--doc", action="store_true", help="renew the table in docs/accuracy.md")
    parser.add_argument("--memory-of", nargs=3, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.memory_of:
        print_process_peak(options.memory_of[0], int(options.memory_of[1]), int(options.memory_of[2]))
        return 0
    finder = corner_finder(options.times)
    rows = []
    for size in ((16, 2), (32, 4), (64, 8)):
        rows.append(one_size(*size, options.times, finder))
        print(*rows[-1], file=sys.stderr, flush=True)
    help_text = [sys.executable, "-m", "foldtrue", "--help"]
    start_up, _, _ = best(lambda: subprocess.run(help_text, check=True, stdout=subprocess.DEVNULL), options.times)
    lines = [
        *table(HEAD, rows),
        "",
        f"- Corner finder: {finder:.2f} s. `foldtrue --help`: {start_up:.2f} s.",
        f"- {platform.machine()}, {os.cpu_count()} cores, {platform.system()}; Python {platform.python_version()}, "
        f"OpenCV {cv2.__version__} ({cv2.getNumThreads()} threads), NumPy {np.__version__}.",
    ]
    print("\n".join(lines))
    if options.doc:
        put("speed", lines)
    return 0


if __name__ == "__main__":
    sys.exit(main())

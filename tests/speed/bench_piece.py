"""Where the time goes: 12-megapixel photos of pieces with 24, 96 and 384 twists.

    .venv/bin/python tests/speed/bench_piece.py

Times are the best of three after a warm-up, in one process, against the cost of only decoding the same photo to linear
light, blurring it once and taking its gradient once.
"""

from __future__ import annotations

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


def plan_of(divisions, rings):
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


def best(work, times=3):
    work()
    out = []
    for _ in range(times):
        start = time.perf_counter()
        result = work()
        out.append((time.perf_counter() - start, result))
    return min(out, key=lambda pair: pair[0])


def floor(path):
    photo = read_photo(path)
    grey = linear_grey(photo.pixels, photo.linear)
    smooth = cv2.GaussianBlur(grey, (0, 0), 1.2)
    return cv2.Scharr(smooth, cv2.CV_32F, 1, 0), cv2.Scharr(smooth, cv2.CV_32F, 0, 1)


def main() -> int:
    print(f"{platform.machine()}, {os.cpu_count()} cores, OpenCV {cv2.__version__}, NumPy {np.__version__}")
    print("| twists | total s | of the floor | plan | photo | rectify | detect | fit | bytes per pixel |")
    print("|---|---|---|---|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as folder:
        for divisions, rings in ((16, 2), (32, 4), (64, 8)):
            plan = plan_of(divisions, rings)
            nominal = fold_plan(plan)
            scene = Scene(seed=2, errors=Errors(position_mm=0.1, angle_deg=0.4), camera=Camera(tilt_deg=5, roll_deg=8))
            path = Path(folder) / "photo.jpg"
            path.write_bytes(simulate_photo(nominal, scene).jpeg)
            least, _ = best(lambda path=path: floor(path))
            seconds, found = best(lambda path=path, plan=plan: inspect_photo(path, plan))
            tracemalloc.start()
            photo = read_photo(path)
            base = tracemalloc.get_traced_memory()[0]
            tracemalloc.reset_peak()
            inspect_photo(path, plan)
            peak = tracemalloc.get_traced_memory()[1] - base - photo.pixels.nbytes
            tracemalloc.stop()
            steps = " | ".join(f"{found.timings_s[k]:.2f}" for k in ("plan", "photo", "rectify", "detect", "fit"))
            each = peak / (photo.pixels.shape[0] * photo.pixels.shape[1])
            total = f"{seconds:.2f} | {seconds / least:.1f} x {least:.2f} s"
            print(f"| {len(nominal.twists)} | {total} | {steps} | {each:.1f} |", flush=True)
    start = time.perf_counter()
    subprocess.run([sys.executable, "-m", "foldtrue", "--help"], check=True, stdout=subprocess.DEVNULL)
    print(f"foldtrue --help: {time.perf_counter() - start:.2f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())

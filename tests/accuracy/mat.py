"""How true is a size by the printed mat, does its interval hold, and how well is the lens told?

    python tests/accuracy/mat.py [--photos N] [--first SEED] [--views N] [--doc]

Size: scenes of the budget (docs/simulate.md) at twice their pixels, the bars entered as they truly are, so that the
rule's share is left out of error and interval alike. The twists' places in the photo are the drawn ones with 0.05 px of
noise. Lens: one camera per k1, several views of a mat; each photo by itself against OpenCV's calibrateCamera on the
corners of all its views together.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from mat_in_photo import mat_photo
from panels import folded_panel
from tables import put

from foldtrue.errors import FoldtrueError
from foldtrue.frames import PlaneMap
from foldtrue.handover import View
from foldtrue.mat import MATS, board
from foldtrue.rectify.mat import Seen, find_mat, piece_scale
from foldtrue.simulate import simulate_photo
from foldtrue.simulate.budget_scene import drawn_scene

NOISE_PX = 0.05
VIEWS: tuple[View, ...] = ("front", "back", "backlit")
LENSES = (-0.12, -0.06, 0.0, 0.06, 0.12)


@dataclass(frozen=True)
class Sized:
    """One photo: relative error of the size, its standard uncertainty without and with the rule's share."""

    view: View
    error: float
    std: float
    with_rule: float
    k1_error: float
    k1_std: float


def sized(seed: int) -> Sized:
    """Scene number `seed`. Raises FoldtrueError where the mat is declined."""
    nominal, view = folded_panel(), VIEWS[seed % 3]
    scene = drawn_scene(seed, view, "mat")
    camera = replace(scene.camera, width_px=2 * scene.camera.width_px, height_px=2 * scene.camera.height_px)
    made = simulate_photo(nominal, replace(scene, camera=camera, oversample=1))
    found = find_mat(made.photo, made.truth.settings["mat_bars_mm"], named=True)
    assert found is not None
    rng = np.random.default_rng([seed, 4021])
    # Middles in the plane, as they are measured: through a lens the mean of tips is not the tips' mean.
    lens = made.truth.map
    px = lens.to_px(np.array([lens.to_mm(tips).mean(0) for tips in made.truth.tips_px]))
    seen = Seen(
        np.array([nominal.vertices_mm[list(t.tips)].mean(0) for t in nominal.twists]),
        px + rng.normal(0, NOISE_PX, px.shape),
        NOISE_PX / float(np.linalg.norm(px - px.mean(0))),
    )
    real = np.array([made.truth.vertices_mm[list(t.tips)].mean(0) for t in nominal.twists])
    a, b = ((p - p.mean(0)) @ [1, 1j] for p in (seen.planned_mm, real))
    true = abs(np.vdot(a, b)) / np.vdot(a, a).real
    scale, std, parts = piece_scale(made.photo, nominal, seen, found, view)
    rest = float(np.sqrt(sum(part**2 for name, part in parts.items() if name != "size")))
    k1_off = found.map.k1 - made.truth.map.k1
    return Sized(view, scale / true - 1, rest, std / scale, k1_off, float(np.sqrt(found.map_cov[8, 8])))


def sizes(seeds: range) -> Iterator[Sized]:
    for seed in seeds:
        try:
            yield sized(seed)
        except FoldtrueError as error:
            print(f"{seed}: declined: {error}")


def size_table(found: list[Sized], asked: int) -> str:
    rows = [
        "| view | photos | size error, RMS | 95 % point | stated std | inside | k1 inside |",
        "|---|---|---|---|---|---|---|",
    ]
    for view in (*VIEWS, "all"):
        part = [one for one in found if view in (one.view, "all")]
        if part:
            error, std = np.array([(abs(one.error), one.std) for one in part]).T
            lens = np.mean([abs(one.k1_error) < 1.96 * one.k1_std for one in part])
            rows.append(
                f"| {view} | {len(part)} | {_percent(error)} | {100 * np.percentile(error, 95):.3f} % | "
                f"{_percent(std)} | {np.mean(error < 1.96 * std):.2f} | {lens:.2f} |"
            )
    whole = _percent(np.array([one.with_rule for one in found]))
    return (
        "\n".join(rows) + f"\n\n{asked - len(found)} of {asked} declined. With the rule's share stated std {whole}.\n"
    )


def _percent(values: np.ndarray) -> str:
    return f"{100 * np.sqrt(np.mean(values**2)):.3f} %"


@dataclass(frozen=True)
class Lens:
    """One k1: RMS of what is left of the distortion (px) by ours, worst photo and mean, and by OpenCV on all views."""

    k1: float
    ours_px: float
    worst_px: float
    theirs_px: float
    theirs_k1: float


def lens(k1: float, views: int) -> Lens:
    """Views of one mat by one camera of a lens with k1, each from another side."""
    made = [mat_photo(seed=s, k1=k1, distance=400.0 if k1 < 0 else 500.0, tilt=12.0) for s in range(1, views + 1)]
    true = made[0].truth.map
    shape = made[0].photo.pixels.shape[:2]
    ours = [residual_px(find_mat(one.photo, MATS["A4"].bars_mm, named=True).map, true, shape) for one in made]
    theirs = _calibrated([one.photo.pixels for one in made], true)
    return Lens(k1, float(np.sqrt(np.mean(np.square(ours)))), max(ours), residual_px(theirs, true, shape), theirs.k1)


def residual_px(found: PlaneMap, true: PlaneMap, shape: tuple[int, int]) -> float:
    """RMS over the picture of what is left of the distortion once the best homography has taken what it can."""
    x, y = np.meshgrid(np.linspace(0, shape[1], 21), np.linspace(0, shape[0], 15))
    seen = np.stack([x, y], -1).reshape(-1, 2)
    ours, theirs = found.undistort(seen), true.undistort(seen)
    straight = cv2.perspectiveTransform(ours[None], cv2.findHomography(ours, theirs, 0)[0])[0]
    return float(np.sqrt(np.mean(np.sum((straight - theirs) ** 2, 1))))


def _calibrated(pictures: list[np.ndarray], true: PlaneMap) -> PlaneMap:
    """OpenCV: ChArUco corners of all views, one camera with square pixels and its axis in the middle, k1 alone."""
    mat = MATS["A4"]
    detector = cv2.aruco.CharucoDetector(board(mat))
    corners = board(mat).getChessboardCorners()
    points, px = [], []
    for picture in pictures:
        found, ids, _, _ = detector.detectBoard(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY))
        if ids is not None and len(ids) >= 12:
            points.append(corners[ids.ravel()].astype(np.float32))
            px.append(found.reshape(-1, 1, 2).astype(np.float32))
    start = np.array([[true.focal_px, 0, true.centre_px[0]], [0, true.focal_px, true.centre_px[1]], [0, 0, 1.0]])
    flags = (
        cv2.CALIB_USE_INTRINSIC_GUESS
        | cv2.CALIB_FIX_ASPECT_RATIO
        | cv2.CALIB_FIX_PRINCIPAL_POINT
        | cv2.CALIB_ZERO_TANGENT_DIST
        | cv2.CALIB_FIX_K2
        | cv2.CALIB_FIX_K3
    )
    size = pictures[0].shape[1::-1]
    _, matrix, distortion, *_ = cv2.calibrateCamera(points, px, size, start, np.zeros(5), flags=flags)
    k1 = float(distortion.ravel()[0]) * (true.focal_px / matrix[0, 0]) ** 2
    return PlaneMap(np.eye(3), k1, true.centre_px, true.focal_px)


def lens_table(found: list[Lens], views: int) -> str:
    rows = [
        f"| k1 | one photo, RMS of {views} | worst photo | calibrateCamera, all {views} together |",
        "|---|---|---|---|",
    ]
    rows += [f"| {f.k1:+.2f} | {f.ours_px:.3f} px | {f.worst_px:.3f} px | {f.theirs_px:.3f} px |" for f in found]
    return "\n".join(rows) + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=27)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--views", type=int, default=6)
    parser.add_argument("--doc", action="store_true")
    options = parser.parse_args()
    found = list(sizes(range(options.first, options.first + options.photos)))
    tables = {"mat-size": size_table(found, options.photos)}
    tables["mat-lens"] = lens_table([lens(k1, options.views) for k1 in LENSES], options.views)
    for name, table in tables.items():
        print(f"{name}\n{table}")
        if options.doc:
            put(name, table.splitlines())


if __name__ == "__main__":
    main()

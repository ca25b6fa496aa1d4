"""Make sample pictures: python sample_images/render/make.py [CASE ...] [--small N] [--samples N] [--out FOLDER].

Needs the packages of the project's `render` extra, and LLVM's shared library (DRJIT_LIBLLVM_PATH names it where it is
not found by itself; version 16 or later).
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import time
from pathlib import Path

import numpy as np
import sheet
import surfaces
from about import about
from cases import Case, cases
from develop import developed, jpeg
from heights import Paper, settle
from honeycomb import Folding, Layout, fold
from misfold import misfolded
from scene import assemble, render
from truth import plan_record, truth_record

Parts = tuple[Folding, np.ndarray, sheet.Flat, Paper]


def model(case: Case) -> Parts:
    """The piece in its own frame (front up): folding, middle surface (N, 3) mm (the folding's vertices first), mesh."""
    piece, paper = case.piece, Paper()
    folding = fold(piece.layout)
    heights, _ = settle(folding, paper, piece.seed)
    flat = sheet.mesh_flat(folding)
    true_mm = misfolded(folding, piece.errors, piece.seed + 1)
    planned, place = sheet.placed(folding, flat, true_mm, paper.thickness_mm / 2)
    z = sheet.raised(folding, flat, planned, heights) + surfaces.waves(piece.seed + 2, *piece.waves_mm, place)
    return folding, np.column_stack([place, z]), flat, paper


def laid(points: np.ndarray, side: str) -> np.ndarray:
    """Points or directions (N, 3) as they lie before the camera: the back shows after a half turn about the y axis."""
    return points if side == "front" else points * [-1.0, 1.0, -1.0]


def standing(case: Case, parts: Parts) -> tuple[sheet.Skin, np.ndarray]:
    """The sheet's surface and its middle (N, 3) mm in world coordinates, the lowest point at height 0."""
    _, middle, flat, paper = parts
    skin = sheet.thickened(flat, middle, paper)
    points = laid(skin.points, case.side)
    lift = np.array([0, 0, -points[:, 2].min()])
    skin.points, skin.normals = points + lift, laid(skin.normals, case.side)
    return skin, laid(middle, case.side) + lift


def lit(case: Case, layout: Layout, skin: sheet.Skin) -> np.ndarray:
    """(h, w, 3) linear light."""
    piece = case.piece
    paper = surfaces.paper(layout, piece.seed + 3, creases_share=piece.creases_share, clouds_share=piece.clouds_share)
    world = assemble(skin, piece.look, paper, case.setting, case.camera, case.depth)
    return render(world, case.samples, case.seed)


def make(name: str, case: Case, folder: Path, light_file: Path | None) -> None:
    """Write one folder. light_file: where the light is kept, and taken from if it is there already."""
    start = time.monotonic()
    parts = model(case)
    skin, middle = standing(case, parts)
    kept = light_file and light_file.exists()
    light = np.load(light_file) if kept else lit(case, parts[0].layout, skin)
    if light_file:
        np.save(light_file, light)
    print(f"{name}: {time.monotonic() - start:.0f} s; light at 1, 50, 99 %:", np.percentile(light, [1, 50, 99]))
    folder.mkdir(parents=True, exist_ok=True)
    photo = jpeg(developed(light, case.develop, case.seed + 1), case.develop, case.camera.focal_35mm)
    (folder / "photo.jpg").write_bytes(photo)
    (folder / "plan.json").write_text(json.dumps(plan_record(case.piece), indent=2) + "\n")
    (folder / "truth.json").write_text(truth_record(name, case, parts[0], parts[1], middle))
    (folder / "ABOUT.md").write_text(about(name, case))


def resized(case: Case, small: int, samples: int | None) -> Case:
    """The same picture with its size divided by small, and with this many paths a pixel."""
    camera = case.camera
    camera = dataclasses.replace(camera, width_px=camera.width_px // small, height_px=camera.height_px // small)
    return dataclasses.replace(case, camera=camera, samples=samples or case.samples)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("case", nargs="*", help="all, if none is named")
    parser.add_argument("--small", type=int, default=1, help="divide the picture's size by this")
    parser.add_argument("--samples", type=int, help="paths per pixel")
    parser.add_argument("--out", type=Path, default=Path(__file__).parent.parent)
    parser.add_argument(
        "--light", type=Path, help="folder for the light as it is before development; used again if there"
    )
    options = parser.parse_args()
    known = cases()
    for name in options.case or known:
        case = resized(known[name], options.small, options.samples)
        make(name, case, options.out / name, options.light and options.light / f"{name}.npy")


if __name__ == "__main__":
    main()

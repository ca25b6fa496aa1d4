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
from honeycomb import Folding, fold
from misfold import misfolded
from scene import assemble, render
from truth import plan_record, truth_record


def model(case: Case) -> tuple[Folding, np.ndarray, sheet.Flat, Paper]:
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


def picture(
    case: Case, parts: tuple[Folding, np.ndarray, sheet.Flat, Paper], samples: int
) -> tuple[np.ndarray, np.ndarray]:
    """Linear light (h, w, 3) and the piece's middle surface in world coordinates."""
    folding, middle, flat, paper = parts
    skins = sheet.thickened(flat, middle, paper)
    lift = -min(float(laid(s.points, case.side)[:, 2].min()) for s in skins.values())
    for skin in skins.values():
        skin.points = laid(skin.points, case.side) + np.array([0, 0, lift])
        skin.normals = laid(skin.normals, case.side)
    world = assemble(
        skins,
        case.piece.look,
        surfaces.paper(folding.layout, case.piece.seed + 3),
        case.setting,
        case.camera,
        case.depth,
    )
    return render(world, samples, case.seed), laid(middle, case.side) + np.array([0, 0, lift])


def make(name: str, case: Case, folder: Path, small: int, samples: int | None) -> None:
    if small > 1:
        camera = dataclasses.replace(
            case.camera, width_px=case.camera.width_px // small, height_px=case.camera.height_px // small
        )
        case = dataclasses.replace(case, camera=camera)
    start = time.monotonic()
    parts = model(case)
    print(name, f"modelled {time.monotonic() - start:.0f} s")
    light, middle = picture(case, parts, samples or case.samples)
    print(name, f"pictured {time.monotonic() - start:.0f} s")
    print(name, "light, percentiles 1 10 50 90 99:", np.round(np.percentile(light.mean(2), [1, 10, 50, 90, 99]), 4))
    folder.mkdir(parents=True, exist_ok=True)
    np.save(folder / "light.npy", light.astype(np.float16)) if small > 1 else None
    (folder / "photo.jpg").write_bytes(
        jpeg(developed(light, case.develop, case.seed + 1), case.develop, case.camera.focal_35mm)
    )
    (folder / "plan.json").write_text(json.dumps(plan_record(case.piece), indent=2) + "\n")
    (folder / "truth.json").write_text(truth_record(name, case, parts[0], parts[1], middle))
    (folder / "ABOUT.md").write_text(about(name, case))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("case", nargs="*", help="all, if none is named")
    parser.add_argument("--small", type=int, default=1, help="divide the picture's size by this")
    parser.add_argument("--samples", type=int, help="paths per pixel")
    parser.add_argument("--out", type=Path, default=Path(__file__).parent.parent)
    options = parser.parse_args()
    known = cases()
    for name in options.case or known:
        make(name, known[name], options.out / name, options.small, options.samples)


if __name__ == "__main__":
    main()

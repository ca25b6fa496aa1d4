"""What a picture really shows: every twist's pose and place in the picture, from the mesh that was rendered."""

from __future__ import annotations

import dataclasses
import json
import re
from typing import TYPE_CHECKING, Any

import numpy as np
from honeycomb import Folding, Twist

if TYPE_CHECKING:
    from cases import Case, Piece


def rigid(planned: np.ndarray, true: np.ndarray) -> tuple[np.ndarray, float]:
    """Least-squares turn and shift that carries planned (3, 2) to true: shift of the centre (mm), turn (deg, ccw)."""
    a, b = planned - planned.mean(0), true - true.mean(0)
    turn = np.arctan2((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum(), (a * b).sum())
    return true.mean(0) - planned.mean(0), float(np.degrees(turn))


def sides(tips: np.ndarray) -> float:
    """Mean side (mm) of a polygon (n, 2)."""
    return float(np.hypot(*(tips - np.roll(tips, 1, axis=0)).T).mean())


def twist_record(twist: Twist, folding: Folding, middle: np.ndarray, world: np.ndarray, case: Case) -> dict[str, Any]:
    """One twist. middle (N, 3): the mesh in the piece's frame; world (N, 3): as it lies before the camera."""
    at = list(twist.tips)
    planned, true = folding.folded_mm[at], middle[at, :2]
    shift, turn = rigid(planned, true)
    project = case.camera.project
    return {
        "id": twist.name, "ring": twist.ring, "border": twist.border, "hand": "ccw" if twist.hand > 0 else "cw",
        "sheet_mm": twist.centre_mm, "planned_mm": planned.mean(0), "planned_tips_mm": planned, "tips_mm": true,
        "tips_height_mm": world[at, 2], "position_error_mm": shift, "angle_error_deg": turn,
        "overturn_deg": twist.hand * turn, "size_error": sides(true) / sides(planned) - 1,
        "centre_px": project(world[at].mean(0)[None])[0], "tips_px": project(world[at]),
    }  # fmt: skip


def camera_record(case: Case) -> dict[str, Any]:
    camera = case.camera
    return {
        **dataclasses.asdict(camera), "focal_px": camera.focal_px, "centre_px": camera.centre_px,
        "rotation": camera.axes(), "pinhole_mm": camera.place(),
    }  # fmt: skip


def truth_record(name: str, case: Case, folding: Folding, middle: np.ndarray, world: np.ndarray) -> str:
    """truth.json as text; README.md beside the pictures explains its fields."""
    piece, develop, light = case.piece, dataclasses.asdict(case.develop), dataclasses.asdict(case.setting)
    light.pop("texture")
    number = len(folding.sheet_mm)
    record = {
        "format": "foldtrue-sample-truth", "version": 1, "name": name,
        "source": "path-traced mesh, no alignment removed",
        "view": case.view, "side": case.side, "orientation_tag": case.develop.orientation,
        "pitch_mm": folding.layout.pitch_mm, "layout": dataclasses.asdict(folding.layout),
        "camera": camera_record(case),
        "twists": [
            twist_record(t, folding, middle, world, case)
            for t in sorted(folding.twists, key=lambda t: int(t.name[1:]))
        ],
        "vertices": {
            "sheet_mm": folding.sheet_mm, "planned_mm": folding.folded_mm, "true_mm": middle[:number],
            "px": case.camera.project(world[:number]),
        },
        "settings": {
            "piece_seed": piece.seed, "picture_seed": case.seed, "errors": dataclasses.asdict(piece.errors),
            "paper": dataclasses.asdict(piece.look), "waves_mm": piece.waves_mm, "light": light, "develop": develop,
            "samples": case.samples, "longest_path": case.depth,
        },
    }  # fmt: skip
    text = json.dumps(plain(record), indent=1)
    return (
        re.sub(r"\[[^\[\]{}]*\]", lambda m: re.sub(r"\s+", " ", m[0]).replace("[ ", "[").replace(" ]", "]"), text)
        + "\n"
    )


def plain(value: Any) -> Any:
    """Lists, numbers and text only, floats to 9 digits."""
    if isinstance(value, dict):
        return {k: plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [plain(v) for v in value]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, float | np.floating):
        return float(f"{float(value):.9g}") + 0.0 if abs(value) > 1e-12 else 0.0
    return int(value) if isinstance(value, np.integer) else value


def plan_record(piece: Piece) -> dict[str, Any]:
    """The plan file that the person who folded the piece would hand over."""
    layout = piece.layout
    return {
        "format": "foldtrue-plan",
        "version": 1,
        "name": piece.name,
        "sheet": {"shape": "hexagon", "height_mm": layout.height_mm},
        "grid": {"kind": "point-to-point", "divisions": layout.divisions},
        "twists": {
            "recipe": "honeycomb",
            "spacing": layout.spacing,
            "rings": layout.rings,
            "first_hand": "ccw",
            "width_rows": 1.0,
        },
    }

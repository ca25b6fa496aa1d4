"""What `foldtrue camera` says and writes: camera.json (format foldtrue-camera) and its lines of text."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from foldtrue.handover_camera import CameraCheck
from foldtrue.measured import COVERAGE_95, plus_minus

Record = Mapping[str, Any]


def camera_record(
    checks: Sequence[tuple[Mapping[str, Any], CameraCheck]],
    k1: tuple[float, float],
    camera: tuple[str, float, float] | None = None,
) -> dict[str, Any]:
    """checks: per photo what inspection.describe_photo says of it, and its figures. k1: of all, with its standard
    uncertainty. camera: its name, focal length and picture proportion, where it is to be kept."""
    named = {} if camera is None else dict(zip(("camera", "focal_35mm", "proportion"), camera, strict=True))
    return {
        "format": "foldtrue-camera",
        "version": 1,
        **named,
        "k1": k1[0],
        "k1_u95": COVERAGE_95 * k1[1],
        "photos": [{"photo": origin["photo"], **_figures(check)} for origin, check in checks],
        "versions": checks[0][0]["versions"],
    }


def camera_text(record: Record) -> str:
    lines = [f"{record['camera']} at {record['focal_35mm']:g} mm (35 mm equivalent)."] if "camera" in record else []
    for one in record["photos"]:
        low, high = one["px_per_mm"]
        lines += [
            f"{one['photo']['name']}: mat {one['paper']}, seen from "
            f"{plus_minus(one['distance_mm'], one['distance_u95_mm'], 'mm')}.",
            f"  {low:.1f} to {high:.1f} px per mm; edges blurred by {one['blur_px']:.2f} px; "
            f"noise {100 * one['noise']:.1f} % of white.",
            f"  A fold edge 10 mm long with a tenth of the step from ink to paper can be placed to "
            f"{one['fold_limit_mm']:.4f} mm (standard uncertainty) at best.",
            f"  Lens term k1 {plus_minus(one['k1'], one['k1_u95'], '')}; squares scatter by {one['rms_px']:.3f} px.",
            f"  Light over the mat: the darkest part has {100 * one['evenness']:.0f} % of the brightest.",
        ]
        if not one["flat"]:
            lines.append("  The mat does not lie flat: tape it down by its corners.")
    if len(record["photos"]) > 1:
        lines.append(f"All together: k1 {plus_minus(record['k1'], record['k1_u95'], '')}.")
    return "\n".join(lines)


def camera_file(record: Record) -> bytes:
    return (json.dumps(record, indent=2, allow_nan=False) + "\n").encode()


def _figures(check: CameraCheck) -> dict[str, Any]:
    figures = asdict(check)
    figures["px_per_mm"] = list(check.px_per_mm)
    for name, std in (("distance", "distance_std_mm"), ("k1", "k1_std")):
        unit = "_mm" if std.endswith("_mm") else ""
        figures[f"{name}_u95{unit}"] = COVERAGE_95 * figures.pop(std)
    return figures

"""sheet.json as a plain record, and the text printed of it. The published form is described in docs/grid.md."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from foldtrue.handover_grid import SheetInspection, SheetShape
from foldtrue.measured import COVERAGE_95, plus_minus
from foldtrue.report.files import SHEET_FILES, write_whole
from foldtrue.report.result import as_json
from foldtrue.report.write import record_text

FORMAT = "foldtrue-sheet"
VERSION = 1


def sheet_record(inspection: SheetInspection) -> dict[str, Any]:
    """The whole of sheet.json as JSON values; what was not measured is null, with the reason."""
    shape, sides = inspection.shape, inspection.place.sides
    corners_px = inspection.place.map.to_px(inspection.outline_mm)
    plain = as_json(
        {
            "format": FORMAT,
            "version": VERSION,
            "provenance": inspection.provenance,
            "turn_deg": inspection.place.turn_deg,
            "plane": None if shape is None else shape.reference or shape.plane,
            "millimetres": None if shape is None else ("true" if shape.plane == "reference" else "of the planned grid"),
            "not_measured_because": inspection.reason or None,
            "out_of_true_at_least_mm": inspection.least_mm,
            "out_of_true_at_least_u95_mm": COVERAGE_95 * inspection.least_std_mm,
            "sheet": _best(inspection),
            "heights": _heights(inspection),
            "corners": [
                {
                    "corner": k,
                    "planned_px": corners_px[k],
                    "angle_deg": None if shape is None else shape.corner_deg[k],
                    "angle_u95_deg": None if shape is None else COVERAGE_95 * shape.corner_std_deg[k],
                }
                for k in range(len(corners_px))
            ],
            "sides": [
                {"side": k, "normal_deg": sides.normal_deg[k] % 360}
                | _side(shape, k)
                | {"straightness_mm": sides.straightness_mm[k]}
                for k in range(len(sides.seen))
            ],
        }
    )
    assert isinstance(plain, dict)
    return plain


def _best(inspection: SheetInspection) -> dict[str, Any] | None:
    shape = inspection.shape
    if shape is None:
        return None
    planned = _planned_height(inspection)
    return {
        "size": shape.best_size,
        "size_u95": COVERAGE_95 * shape.best_size_std,
        "height_mm": None if planned is None else planned * shape.best_size,
        "height_u95_mm": None if planned is None else planned * COVERAGE_95 * shape.best_size_std,
        "turn_deg": shape.best_turn_deg,
        "centre_mm": shape.centre_mm,
    }


def _planned_height(inspection: SheetInspection) -> float | None:
    """Flat-to-flat height of the planned sheet; None where sides do not face each other."""
    sides = inspection.place.sides
    half = len(sides.seen) // 2
    if len(sides.seen) % 2 or not np.allclose((sides.normal_deg[:half] - sides.normal_deg[half:]) % 360, 180.0):
        return None
    return float((sides.planned_mm[:half] + sides.planned_mm[half:]).min())


def _heights(inspection: SheetInspection) -> list[dict[str, Any]]:
    shape, normal = inspection.shape, inspection.place.sides.normal_deg
    if shape is None or _planned_height(inspection) is None:
        return []
    return [
        {"normal_deg": normal[k] % 180, "height_mm": value, "height_u95_mm": COVERAGE_95 * shape.height_std_mm[k]}
        for k, value in enumerate(shape.height_mm)
    ]


_SIDE = ("length_mm", "length_u95_mm", "trim_start_mm", "trim_start_u95_mm", "trim_end_mm", "trim_end_u95_mm")


def _side(shape: SheetShape | None, k: int) -> dict[str, Any]:
    if shape is None:
        return dict.fromkeys(_SIDE)
    trim, std = shape.trim_mm[k], COVERAGE_95 * shape.trim_std_mm[k]
    values = (shape.side_mm[k], COVERAGE_95 * shape.side_std_mm[k], trim[0], std[0], trim[1], std[1])
    return dict(zip(_SIDE, values, strict=True))


def sheet_text(record: Mapping[str, Any]) -> str:
    """What the command prints."""
    least = plus_minus(record["out_of_true_at_least_mm"], record["out_of_true_at_least_u95_mm"], "mm")
    if record["plane"] is None:
        return (
            f"Sides, corners and heights: not measured, as {record['not_measured_because']}.\n"
            f"What no camera view explains: the sides lie at least {least} (RMS) out of true."
        )
    out = [f"Millimetres: {record['millimetres']}, from the {record['plane']}.", ""]
    for row in record["heights"]:
        out.append(f"height across {row['normal_deg']:3.0f} deg  {_pm(row, 'height', 'mm')}")
    out += ["", "side faces   length               trim at its start    trim at its end"]
    for row in record["sides"]:
        cells = [_pm(row, key, "mm") for key in ("length", "trim_start", "trim_end")]
        out.append(f"{row['normal_deg']:6.0f} deg   {cells[0]:<20} {cells[1]:<20} {cells[2]}")
    out += ["", "corner  inside angle"]
    out += [f"{row['corner']:4d}    {_pm(row, 'angle', 'deg')}" for row in record["corners"]]
    best = record["sheet"]
    out += ["", f"Largest sheet of the planned shape inside: {_pm(best, 'height', 'mm')} high"]
    if best["height_mm"] is None:
        out[-1] = (
            f"Largest sheet of the planned shape inside: {plus_minus(best['size'], best['size_u95'], '')} of its size"
        )
    return "\n".join(out)


def _pm(row: Mapping[str, Any], key: str, unit: str) -> str:
    return plus_minus(row[f"{key}_{unit}"], row[f"{key}_u95_{unit}"], unit)


def write_sheet_report(inspection: SheetInspection, folder: Path) -> Mapping[str, Any]:
    """Write sheet.json into `folder`; returns the record. Raises UnreadableFile when it cannot be written."""
    record = sheet_record(inspection)
    write_whole(folder / SHEET_FILES[0], record_text(record).encode())
    return record

"""grid.json as a plain record, the text printed of it, and both files of one grid inspection.

The published form is described in docs/grid.md. Figures that were not measured are null."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover_grid import GridEffect, GridInspection
from foldtrue.measured import COVERAGE_95, plus_minus
from foldtrue.report.files import GRID_FILES, write_whole
from foldtrue.report.result import as_json
from foldtrue.report.write import record_text

FORMAT = "foldtrue-grid"
VERSION = 1


def grid_record(inspection: GridInspection) -> dict[str, Any]:
    """The whole of grid.json as JSON values."""
    plain = as_json(
        {
            "format": FORMAT,
            "version": VERSION,
            "provenance": inspection.provenance,
            "view": inspection.view,
            "turn_deg": inspection.place.turn_deg,
            "assumed": ["sheet_side_assumed", "sheet_turn_assumed", "grid_scale_assumed"],
            "k1": inspection.fit.map.k1,
            "k1_u95": COVERAGE_95 * inspection.scan.k1_std,
            "cause": _cause(inspection),
            "scatter_mm": inspection.fit.scatter_mm,
            "scatter_deg": inspection.fit.scatter_deg,
            "similarity_taken_out": dict(
                zip(("shift_x_mm", "shift_y_mm", "scale_error", "turn_deg"), inspection.fit.gauge, strict=True)
            ),
            "directions": [_direction(inspection, family) for family in range(3)],
            "meeting_points": _meeting_points(inspection),
            "forecast": _forecast(inspection),
            "sides": _sides(inspection),
            "lines": _lines(inspection),
        }
    )
    assert isinstance(plain, dict)
    return plain


def _cause(inspection: GridInspection) -> dict[str, Any]:
    cause, grid = inspection.cause, inspection.grid
    record: dict[str, Any] = {"code": cause.code}
    if cause.effect is not None:
        record |= _effect(inspection, cause.effect)
    record |= {
        "lines": [{"normal_deg": grid.normal_deg[k], "number": grid.number[k]} for k in cause.missing],
        "also": [{"code": effect.code, **_effect(inspection, effect)} for effect in cause.others],
        "sentence": cause.sentence,
        "advice": cause.advice,
        "folded_twists": cause.verdict,
        "tolerance_mm": cause.tolerance_mm,
    }
    return record


def _effect(inspection: GridInspection, effect: GridEffect) -> dict[str, Any]:
    grid, u95 = inspection.grid, COVERAGE_95 * effect.std
    if effect.side is not None:
        normal = inspection.fit.sides.normal_deg[effect.side] % 360
        return {"side_normal_deg": normal, "offset_mm": effect.size, "offset_u95_mm": u95}
    own = grid.family == effect.family
    normal = grid.normal_deg[own][0]
    if effect.code == "direction_turned":
        return {"normal_deg": normal, "turn_deg": effect.size, "turn_u95_deg": u95}
    start = grid.number[own].min() if effect.end == -1 else grid.number[own].max()
    return {"normal_deg": normal, "exact_at_number": start, "drift_mm": effect.size, "drift_u95_mm": u95}


def _lines(inspection: GridInspection) -> list[dict[str, Any]]:
    grid, fit, scan = inspection.grid, inspection.fit, inspection.scan
    ends = line_ends_px(inspection)
    return [
        {
            "normal_deg": grid.normal_deg[k],
            "offset_mm": grid.offset_mm[k],
            "number": grid.number[k],
            "status": fit.status[k],
            "reason": fit.reason[k] or None,
            "offset_error_mm": fit.offset_error_mm[k],
            "offset_u95_mm": fit.offset_u95_mm[k],
            "angle_error_deg": fit.angle_error_deg[k],
            "angle_u95_deg": fit.angle_u95_deg[k],
            "contrast": scan.contrast[k] if scan.found[k] else None,
            "signal_to_noise": scan.evidence[k],
            "ends_px": ends[k],
        }
        for k in range(len(grid.number))
    ]


def line_ends_px(inspection: GridInspection) -> Array:
    """(L, 2, 2) px where each line, as measured or else as planned, enters and leaves the planned sheet."""
    grid, fit = inspection.grid, inspection.fit
    s = np.stack([grid.low_mm, grid.high_mm], 1)
    shift = np.nan_to_num(fit.offset_error_mm[:, None] - np.deg2rad(fit.angle_error_deg)[:, None] * s)
    normal = grid.normals[:, None]
    along = np.stack([-grid.normals[:, 1], grid.normals[:, 0]], 1)[:, None]
    places = (grid.offset_mm[:, None] + shift)[:, :, None] * normal + s[:, :, None] * along
    return np.asarray(fit.map.to_px(places.reshape(-1, 2)).reshape(-1, 2, 2))


def _direction(inspection: GridInspection, family: int) -> dict[str, Any]:
    """Figures of one direction's lines as a whole, against the sheet; a straight line through the offsets gives spacing
    and drift."""
    grid, fit = inspection.grid, inspection.fit
    own = np.flatnonzero((grid.family == family) & np.isfinite(fit.offset_error_mm))
    record: dict[str, Any] = {
        "normal_deg": grid.normal_deg[grid.family == family][0],
        "lines_planned": int((grid.family == family).sum()),
        "lines_measured": len(own),
        "shows_as": "light_and_shade" if inspection.scan.odd[family] else "bright_or_dark",
    }
    if len(own) < 3:
        return record | dict.fromkeys(_DIRECTION_FIGURES)
    angle_std = fit.angle_u95_deg[own] / COVERAGE_95
    weight = 1 / (angle_std**2 + fit.scatter_deg**2)
    shift, turned = _on_the_sheet(inspection)
    turn = float(np.sum(weight * turned[own]) / np.sum(weight))
    design = np.stack([np.ones(len(own)), grid.number[own] - grid.number[own].mean()], 1)
    std = np.hypot(fit.offset_u95_mm[own] / COVERAGE_95, fit.scatter_mm)
    cov = np.linalg.inv((design / std[:, None] ** 2).T @ design)
    mean, step = cov @ design.T @ (shift[own] / std**2)
    steps = float(np.ptp(grid.number[own]))
    values = (
        turn,
        COVERAGE_95 / float(np.sqrt(weight.sum())),
        grid.row_mm + step,
        COVERAGE_95 * np.sqrt(cov[1, 1]),
        step * steps,
        COVERAGE_95 * np.sqrt(cov[1, 1]) * steps,
        float(np.std(shift[own] - design @ [mean, step])),
    )
    return record | dict(zip(_DIRECTION_FIGURES, values, strict=True))


def _on_the_sheet(inspection: GridInspection) -> tuple[Array, Array]:
    """Offsets mm and angles deg (L,) before the similarity was taken out: against the sheet as the outline and all
    lines together place it. A drift of one direction shows here in that direction alone."""
    grid, fit = inspection.grid, inspection.fit
    x, y, scale, turn = fit.gauge
    return fit.offset_error_mm + grid.normals @ [x, y] + scale * grid.offset_mm, fit.angle_error_deg + turn


_DIRECTION_FIGURES = (
    "turn_deg",
    "turn_u95_deg",
    "spacing_mm",
    "spacing_u95_mm",
    "drift_mm",
    "drift_u95_mm",
    "offset_scatter_mm",
)


def meeting_points(inspection: GridInspection) -> tuple[Array, Array, Array, Array]:
    """Points (P, 2) mm where three measured lines should meet, the gap (P,) between their crossings two by two and its
    95 % half-width, mm, and the shift (P, 2) mm of the place nearest to all three.

    The three crossings form an equilateral triangle; the gap is its side, 2/sqrt(3) of its height, and its height is
    the sum of the three lines' shifts with alternating signs."""
    grid, fit = inspection.grid, inspection.fit
    known = np.isfinite(fit.offset_error_mm)
    number = {(int(f), int(n)): k for k, (f, n) in enumerate(zip(grid.family, grid.number, strict=True)) if known[k]}
    triples = []
    for (f, n), k in number.items():
        if f == 0:
            partners = [(number.get((1, m)), number.get((2, m - n))) for (g, m) in number if g == 1]
            triples += [(k, i, j) for i, j in partners if i is not None and j is not None]
    lines = np.array(triples, np.int64).reshape(-1, 3)
    pair = np.linalg.inv(np.stack([grid.normals[grid.family == 0][0], grid.normals[grid.family == 1][0]]))
    places = grid.offset_mm[lines[:, :2]] @ pair.T
    inside = _inside(grid.outline_mm, places)
    lines, places = lines[inside], places[inside]
    along = np.stack([-grid.normals[:, 1], grid.normals[:, 0]], 1)
    s = np.einsum("pij,pj->pi", along[lines], places)
    shift = fit.offset_error_mm[lines] - np.deg2rad(fit.angle_error_deg[lines]) * s
    variance = (fit.offset_u95_mm[lines] ** 2 + (np.deg2rad(fit.angle_u95_deg[lines]) * s) ** 2).sum(1)
    gap = 2 / np.sqrt(3) * np.abs(shift @ np.array([1.0, -1.0, 1.0]))
    moved = np.einsum("pij,pj->pi", np.linalg.pinv(grid.normals[lines]), shift) if len(lines) else np.zeros((0, 2))
    return places, gap, 2 / np.sqrt(3) * np.sqrt(variance), moved


def _inside(outline: Array, places: Array) -> Any:
    ahead = np.roll(outline, -1, 0) - outline
    to = places[:, None] - outline[None]
    return (ahead[:, 0] * to[..., 1] - ahead[:, 1] * to[..., 0] > 0).all(1)


def _meeting_points(inspection: GridInspection) -> dict[str, Any]:
    places, gap, u95, _ = meeting_points(inspection)
    if not len(gap):
        return {"count": 0, "rms_mm": None, "largest_mm": None, "largest_u95_mm": None, "largest_at_mm": None}
    worst = int(gap.argmax())
    return {
        "count": len(gap),
        "rms_mm": np.sqrt(np.mean(gap**2)),
        "largest_mm": gap[worst],
        "largest_u95_mm": u95[worst],
        "largest_at_mm": places[worst],
    }


def _forecast(inspection: GridInspection) -> dict[str, Any]:
    forecast = inspection.forecast
    rows = zip(
        forecast.twist,
        forecast.position_error_mm,
        forecast.position_u95_mm,
        forecast.angle_error_deg,
        forecast.gap_mm,
        strict=True,
    )
    keys = ("id", "position_error_mm", "position_u95_mm", "angle_error_deg", "tip_gap_mm")
    return {"position_rms_mm": forecast.rms_mm, "twists": [dict(zip(keys, row, strict=True)) for row in rows]}


def _sides(inspection: GridInspection) -> list[dict[str, Any]]:
    sides, cov = inspection.fit.sides, inspection.fit.side_cov
    return [
        {
            "normal_deg": sides.normal_deg[k] % 360,
            "offset_error_mm": sides.offset_error_mm[k],
            "offset_u95_mm": COVERAGE_95 * np.sqrt(cov[k, 0, 0]),
            "angle_error_deg": sides.angle_error_deg[k],
            "angle_u95_deg": np.degrees(COVERAGE_95 * np.sqrt(cov[k, 1, 1])),
            "straightness_mm": sides.straightness_mm[k],
        }
        for k in range(len(sides.seen))
    ]


def grid_text(record: Mapping[str, Any]) -> str:
    """What the command prints: cause and verdict first, then the directions, then the worst lines."""
    lines = record["lines"]
    measured = [line for line in lines if line["status"] == "measured"]
    out = [record["cause"]["sentence"], record["cause"]["advice"], ""]
    for name in ("missing", "not_measured"):
        named = [f"{line['number']:+d} across {line['normal_deg']:.0f} deg" for line in lines if line["status"] == name]
        if named:
            out.append(f"{name.replace('_', ' ')}: {', '.join(named)}")
    out.append(f"{len(measured)} of {len(lines)} lines measured, {record['view']}.")
    largest = record["meeting_points"]
    out.append(f"Largest gap where three lines should meet: {_pm(largest, 'largest_mm', 'largest_u95_mm', 'mm')}.")
    rms = record["forecast"]["position_rms_mm"]
    if rms is not None:
        out.append(f"Folded along these lines the twists come out {rms:.3f} mm off (RMS).")
    out += ["", "direction   turn                 spacing               drift"]
    for row in record["directions"]:
        cells = [
            _pm(row, "turn_deg", "turn_u95_deg", "deg"),
            _pm(row, "spacing_mm", "spacing_u95_mm", "mm"),
            _pm(row, "drift_mm", "drift_u95_mm", "mm"),
        ]
        out.append(f"{row['normal_deg']:5.0f} deg   {cells[0]:<20} {cells[1]:<21} {cells[2]}")
    out += ["", "worst lines (across, number, offset, turn):"]
    for line in sorted(measured, key=lambda row: -abs(row["offset_error_mm"]))[:10]:
        offset = _pm(line, "offset_error_mm", "offset_u95_mm", "mm")
        out.append(
            f"{line['normal_deg']:5.0f} deg {line['number']:+4d}   {offset:<18} "
            f"{_pm(line, 'angle_error_deg', 'angle_u95_deg', 'deg')}"
        )
    return "\n".join(out)


def _pm(row: Mapping[str, Any], value: str, u95: str, unit: str) -> str:
    return plus_minus(row[value], row[u95], unit)


def write_grid_report(inspection: GridInspection, folder: Path) -> Mapping[str, Any]:
    """Write grid.json and grid.png into `folder`, both or none; returns the record.

    Raises UnreadableFile when one of them cannot be written."""
    from foldtrue.report.grid_picture import grid_png

    record = grid_record(inspection)
    contents = (record_text(record).encode(), grid_png(inspection, record))
    try:
        for name, content in zip(GRID_FILES, contents, strict=True):
            write_whole(folder / name, content)
    except BaseException:  # an interrupt too must not leave half a report
        for name in GRID_FILES:
            with contextlib.suppress(OSError):
                (folder / name).unlink()
        raise
    return record

"""result.json as a plain record: the figures of an Inspection, each with its 95 % uncertainty.

The published form is docs/result.schema.json. Figures that were not measured are null; NaN and infinity never appear.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from foldtrue.handover import (
    Features,
    Inspection,
    KeptLens,
    LatticeFit,
    LensPrior,
    Nominal,
    Plane,
    Progress,
    Twist,
)
from foldtrue.handover_figures import Form
from foldtrue.lens_prior import kept_std
from foldtrue.measured import COVERAGE_95, largest_std, radius95
from foldtrue.propagation import half_width
from foldtrue.report.budget import leading_terms, piece_budget, twist_budgets
from foldtrue.report.closure import node_closures
from foldtrue.report.shape import outline_record, panel_rows, pleat_rows
from foldtrue.report.summary import summarise

FORMAT = "foldtrue-result"
VERSION = 1
_DIGITS = 9
"""Significant digits written: more than any figure deserves, enough for the terms of a homography."""


def result_record(inspection: Inspection) -> dict[str, Any]:
    """The whole of result.json as JSON values (dict, list, str, float, int, bool, None)."""
    nominal, fit = inspection.nominal, inspection.fit
    record = {
        "format": FORMAT,
        "version": VERSION,
        "provenance": inspection.provenance,
        "view": inspection.plane.view,
        "side": inspection.plane.side,
        "plane": _plane(inspection.plane),
        "fit": {
            **_fit(fit),
            "lens_prior": lens_prior_record(fit.lens_prior, inspection.plane.lens),
            "blur_px": _blur_px(inspection.features),
        },
        "progress": _progress(inspection.progress),
        "twists": _twists(nominal, fit, inspection.progress),
        "panels": panel_rows(nominal, fit),
        "edges": _edges(nominal, fit),
        "vertices": _vertices(nominal, fit),
        "nodes": _nodes(nominal, fit),
        "pleats": pleat_rows(fit),
        "outline": outline_record(nominal, fit),
        "budget": piece_budget(fit),
        "summary": {**summarise(inspection), "uncertainty_leads": leading_terms(inspection)},
    }
    plain = as_json(record)
    assert isinstance(plain, dict)
    return plain


def as_json(value: Any) -> Any:
    """Numpy and tuples to plain JSON values: floats to nine digits, not-a-number and infinity to None."""
    if isinstance(value, str | bool | int | None):
        return value
    if isinstance(value, np.ndarray | np.generic):
        return as_json(value.tolist())
    if isinstance(value, float):
        return round(float(f"{value:.{_DIGITS}g}"), 12) + 0.0 if math.isfinite(value) else None
    if isinstance(value, Sequence):
        return [as_json(item) for item in value]
    return {str(key): as_json(item) for key, item in value.items()}


def _plane(plane: Plane) -> dict[str, Any]:
    return {
        "reference": plane.reference,
        "assumed": plane.assumed,
        "method": plane.method,
        "score": plane.score,
        "runner_up": plane.runner_up,
        "turn_deg": plane.turn_deg,
        "k1": plane.map.k1,
        "private_px": plane.private_px,
    }


def _progress(progress: Progress | None) -> dict[str, Any] | None:
    """How far a half-done piece has come; None for a piece measured against the whole plan."""
    if progress is None:
        return None
    return {
        "stage": progress.name,
        "finished": not progress.not_made,
        "rings": progress.rings,
        "of_rings": progress.of_rings,
        "said": progress.said,
        "score": progress.score,
        "rival": progress.rival,
        "rival_score": progress.rival_score,
    }


def _fit(fit: LatticeFit) -> dict[str, Any]:
    return {
        "scale": fit.scale,
        "scale_u95": None if fit.scale_std is None else half_width(fit.scale_std, fit.scale_limits),
        "alignment": fit.alignment,
        **_form(fit.form),
        "overturn_deg": fit.overturn_deg,
        "overturn_u95_deg": _expanded(fit.overturn_std_deg),
        "k1": fit.map.k1,
        "k1_u95": _expanded(fit.k1_std),
        "sample_rms_px": fit.sample_rms_px,
        "homography": fit.map.homography,
        "lens_centre_px": fit.map.centre_px,
        "lens_focal_px": fit.map.focal_px,
    }


def lens_prior_record(rests_on: LensPrior, kept: KeptLens | None) -> dict[str, Any]:
    """What was known of the lens before the photo was seen: with a kept one its figures, as it was measured and as it
    counted in this photo."""
    if kept is None:
        return {"rests_on": rests_on}
    return {
        "rests_on": rests_on,
        "camera": kept.camera,
        "focal_35mm": kept.focal_35mm,
        "k1": kept.k1,
        "k1_u95": COVERAGE_95 * kept.k1_std,
        "k1_u95_counted": COVERAGE_95 * kept_std(kept),
    }


def _blur_px(features: Features) -> float | None:
    """Median blur of the edge samples found; None where none tells."""
    told = features.blur_px[np.isfinite(features.blur_px) & features.found.astype(bool)]
    return float(np.median(told)) if len(told) else None


def _form(form: Form | None) -> dict[str, float | None]:
    """Stretch, shear and keystone of the piece, all None where a homography took them out."""
    names = ("stretch_x", "shear_deg", "keystone_x", "keystone_y")
    u95_names = ("stretch_x_u95", "shear_u95_deg", "keystone_x_u95", "keystone_y_u95")
    if form is None:
        return dict.fromkeys(name for pair in zip(names, u95_names, strict=True) for name in pair)
    unit = np.array([1.0, np.degrees(1.0), 1.0, 1.0])
    values, u95 = unit * form.figures, unit * COVERAGE_95 * form.std
    return dict(zip((*names, *u95_names), (*values.tolist(), *u95.tolist()), strict=True))


def _expanded(std: float | None) -> float | None:
    return None if std is None else COVERAGE_95 * std


def _twists(nominal: Nominal, fit: LatticeFit, progress: Progress | None) -> list[dict[str, Any]]:
    """One row a twist, in the plan's order; those that a half-done piece has not yet are there without figures."""
    position_u95, position_std = radius95(fit.position_cov_mm2), largest_std(fit.position_cov_mm2)
    common = fit.overturn_std_deg or 0.0
    budgets = twist_budgets(fit)
    rows = []
    for i, twist in enumerate(nominal.twists):
        seen = bool(fit.measured[i])
        figures = {
            "centre_px": fit.centre_px[i],
            "tips_px": fit.tips_px[i],
            "position_error_mm": fit.position_error_mm[i],
            "position_u95_mm": position_u95[i],
            "position_std_mm": position_std[i],
            "angle_error_deg": fit.angle_error_deg[i],
            "angle_u95_deg": COVERAGE_95 * math.hypot(fit.angle_std_deg[i], common),
            "angle_relative_u95_deg": COVERAGE_95 * fit.angle_std_deg[i],
            "overturn_deg": twist.hand * fit.angle_error_deg[i],
            "size_error": fit.size_error[i],
            "size_u95": COVERAGE_95 * fit.size_std[i],
            "budget": budgets[i],
        }
        status = "measured" if seen else "not_measured"
        rows.append({**_twist(twist, status, fit.flags[i]), **(figures if seen else dict.fromkeys(figures))})
    if progress is not None and progress.not_made:
        rows += [{**_twist(twist, "not_made", ()), **dict.fromkeys(figures)} for twist in progress.not_made]
        rows.sort(key=lambda row: int(row["id"][1:]))
    return rows


def _twist(twist: Twist, status: str, flags: tuple[str, ...]) -> dict[str, Any]:
    """What a row says of a twist beside its figures."""
    return {
        "id": twist.id,
        "kind": twist.kind,
        "ring": twist.ring,
        "border": twist.border,
        "hand": "ccw" if twist.hand > 0 else "cw",
        "planned_mm": twist.planned_mm,
        "status": status,
        "flags": flags,
    }


def _edges(nominal: Nominal, fit: LatticeFit) -> list[dict[str, Any]]:
    rows = []
    for i, (name, kind) in enumerate(zip(nominal.creases.ids, nominal.creases.kind.tolist(), strict=True)):
        seen = bool(np.isfinite(fit.edge_offset_mm[i]))
        rows.append(
            {
                "id": name,
                "kind": kind,
                "status": "measured" if seen else "not_measured",
                "offset_mm": fit.edge_offset_mm[i],
                "offset_u95_mm": COVERAGE_95 * fit.edge_offset_std_mm[i] if seen else None,
                "angle_deg": fit.edge_angle_deg[i],
                "angle_u95_deg": COVERAGE_95 * fit.edge_angle_std_deg[i] if seen else None,
            }
        )
    return rows


def _vertices(nominal: Nominal, fit: LatticeFit) -> list[dict[str, Any]]:
    u95 = radius95(fit.vertex_cov_mm2)
    return [
        {
            "id": f"v{i}",
            "planned_mm": planned,
            "measured_mm": fit.vertices_mm[i] if fit.vertex_measured[i] else None,
            "u95_mm": u95[i] if fit.vertex_measured[i] else None,
        }
        for i, planned in enumerate(nominal.vertices_mm)
    ]


def _nodes(nominal: Nominal, fit: LatticeFit) -> list[dict[str, Any]]:
    return [
        {
            "planned_mm": node.planned_mm,
            "vertices": [f"v{i}" for i in node.vertices],
            "measured": node.measured,
            "closure_rms_mm": node.rms_mm,
            "closure_u95_mm": node.u95_mm,
            "largest_gap_mm": node.largest_gap_mm,
            "gap_u95_mm": node.gap_u95_mm,
        }
        for node in node_closures(nominal, fit)
    ]

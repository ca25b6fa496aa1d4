"""The piece as a whole: counts, mean errors with the noise taken out, the worst twists."""

from __future__ import annotations

from typing import Any

import numpy as np

from foldtrue.averages import mean_error
from foldtrue.frames import Array
from foldtrue.handover import Inspection
from foldtrue.measured import COVERAGE_95, radius95


def summarise(inspection: Inspection) -> dict[str, Any]:
    """The figures of the piece, in result.json's words; None where nothing was measured.

    Mean errors are sqrt(max(0, mean d^2 - mean u^2)): noise inflates the plain RMS, and a better camera must not look
    like better hands. Angle figures have the piece's mean overturn taken out.
    """
    nominal, fit = inspection.nominal, inspection.fit
    seen = np.flatnonzero(fit.measured)
    hand = np.array([twist.hand for twist in nominal.twists], float)[seen]
    error, covariance = fit.position_error_mm[seen], fit.position_cov_mm2[seen]
    turn, turn_std = fit.angle_error_deg[seen] - hand * (fit.overturn_deg or 0.0), fit.angle_std_deg[seen]
    position = mean_error(error, covariance)
    angle = mean_error(turn[:, None], turn_std[:, None, None] ** 2)
    ids = [nominal.twists[i].id for i in seen]
    radius = radius95(covariance)
    distance = np.linalg.norm(error, axis=1)
    return {
        "pitch_mm": nominal.pitch_mm,
        "twists": len(nominal.twists),
        "measured": len(seen),
        "not_measured": len(nominal.twists) - len(seen),
        "not_made": len(inspection.progress.not_made) if inspection.progress else 0,
        "position_clearly_off": int(np.sum(distance > radius)),
        "position_rms_mm": position["rms"],
        "position_mean_error_mm": position["mean_error"],
        "position_mean_error_u95_mm": position["u95"],
        "position_mean_error_of_pitch": None if len(seen) == 0 else position["mean_error"] / nominal.pitch_mm,
        "angle_rms_deg": angle["rms"],
        "angle_mean_error_deg": angle["mean_error"],
        "angle_mean_error_u95_deg": angle["u95"],
        "overturn_deg": fit.overturn_deg,
        "overturn_u95_deg": None if fit.overturn_std_deg is None else COVERAGE_95 * fit.overturn_std_deg,
        "worst_position": _worst(ids, distance, radius, "mm"),
        "worst_angle": _worst(ids, turn, COVERAGE_95 * turn_std, "deg"),
    }


def _worst(ids: list[str], error: Array, u95: Array, unit: str) -> dict[str, Any] | None:
    if not ids:
        return None
    worst = int(np.argmax(np.abs(error)))
    return {"id": ids[worst], f"error_{unit}": float(error[worst]), f"u95_{unit}": float(u95[worst])}

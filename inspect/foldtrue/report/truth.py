"""truth.json: what a practice photo really shows, in the words of result.json, so that the two can be compared."""

from __future__ import annotations

from typing import Any

from foldtrue.frames import Array
from foldtrue.handover import Nominal, Truth
from foldtrue.report.result import as_json

FORMAT = "foldtrue-truth"


def truth_record(
    nominal: Nominal, truth: Truth, position_error_mm: Array, angle_error_deg: Array, size_error: Array
) -> dict[str, Any]:
    """truth.json as plain values. Errors (T, 2) mm, (T,) deg and (T,) are those drawn, no alignment removed: compare
    with result.json only after removing the same alignment from both."""
    twists = [
        {
            "id": twist.id,
            "ring": twist.ring,
            "border": twist.border,
            "hand": "ccw" if twist.hand > 0 else "cw",
            "planned_mm": twist.planned_mm,
            "tips_px": truth.tips_px[i],
            "position_error_mm": position_error_mm[i],
            "angle_error_deg": angle_error_deg[i],
            "overturn_deg": twist.hand * angle_error_deg[i],
            "size_error": size_error[i],
        }
        for i, twist in enumerate(nominal.twists)
    ]
    record = as_json(
        {
            "format": FORMAT,
            "version": 1,
            "plan_sha256": nominal.plan_sha256,
            "alignment": "none removed",
            "homography": truth.map.homography,
            "k1": truth.map.k1,
            "lens_centre_px": truth.map.centre_px,
            "lens_focal_px": truth.map.focal_px,
            "twists": twists,
            "settings": truth.settings,
        }
    )
    assert isinstance(record, dict)
    return record

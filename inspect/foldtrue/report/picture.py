"""The photo as a page shows it, and where on it the plan and the twists found lie: for pages that draw the marks
themselves.

Every place is worked out here, in px of the shown picture; whoever draws it works out no figure. The picture is made
anew from pixels: nothing of the photo's metadata survives.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any

import numpy as np
from PIL import Image

from foldtrue.frames import Array
from foldtrue.handover import Inspection
from foldtrue.measured import radius95
from foldtrue.report.overlay import (
    background,
    drawn_error,
    magnification,
    photo_part,
    planned_tips,
    room_between_twists_mm,
)
from foldtrue.report.result import as_json

FORMAT = "foldtrue-picture"
VERSION = 1
_QUALITY = 88
_POINTS_A_SIDE = 8
"""A lens bends a straight side; so many points of it follow the bend."""


@dataclass(frozen=True)
class ShownPicture:
    """jpeg: the picture. places: what lies where on it, plain JSON values (docs/flow.md)."""

    jpeg: bytes
    places: dict[str, Any]


def show_picture(inspection: Inspection, longest_side_px: int = 2000) -> ShownPicture:
    """The photo around the piece, longer side about `longest_side_px`, with the places of outline and twists.

    places: width_px, height_px; px_per_mm at the piece's middle; magnify, by which errors are best enlarged to be seen;
    outline, the planned rim (K, 2); per twist planned and found tips (n, 2), centre (2,), error (2,) of the centre as
    it is, not enlarged, and u95_px, the radius that holds 95 % of it; found, error and u95_px are null where the twist
    was not measured.
    """
    part, fit, nominal = photo_part(inspection, longest_side_px), inspection.fit, inspection.nominal
    pixels = background(inspection, part)
    u95_mm = radius95(fit.position_cov_mm2)
    rows = []
    for i, twist in enumerate(nominal.twists):
        seen = bool(fit.measured[i])
        planned = part.place(fit.map.to_px(planned_tips(inspection, i)))
        scale = _px_per_mm(inspection, np.array([twist.planned_mm]), part.scale)
        rows.append(
            {
                "id": twist.id,
                "planned": planned,
                "centre": planned.mean(0),
                "found": part.place(fit.tips_px[i]) if seen else None,
                "error": drawn_error(inspection, i, part.scale, 1.0) if seen else None,
                "u95_px": float(u95_mm[i]) * scale if seen else None,
            }
        )
    errors_mm = np.linalg.norm(fit.position_error_mm[fit.measured], axis=1)
    places = {
        "format": FORMAT,
        "version": VERSION,
        "width_px": pixels.shape[1],
        "height_px": pixels.shape[0],
        "px_per_mm": _px_per_mm(inspection, nominal.outline_mm.mean(0, keepdims=True), part.scale),
        "magnify": magnification(errors_mm, room_between_twists_mm(nominal)),
        "outline": part.place(fit.map.to_px(_along(nominal.outline_mm))),
        "twists": rows,
    }
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "JPEG", quality=_QUALITY)
    plain = as_json(places)
    assert isinstance(plain, dict)
    return ShownPicture(stream.getvalue(), plain)


def _px_per_mm(inspection: Inspection, at_mm: Array, scale: float) -> float:
    return float(np.sqrt(abs(np.linalg.det(inspection.fit.map.jacobian(at_mm)[0])))) * scale


def _along(corners: Array) -> Array:
    """(K, 2) corners -> (8 K, 2) points along the sides, in order."""
    step = np.linspace(0, 1, _POINTS_A_SIDE, endpoint=False)[:, None]
    sides = [a + step * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)]
    return np.concatenate(sides)

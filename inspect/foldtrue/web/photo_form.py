"""What a form says of a photo, as the options of a job."""

from __future__ import annotations

import math
from typing import Any

from starlette.datastructures import FormData

from foldtrue.errors import UsageError
from foldtrue.web.bench import words
from foldtrue.web.controls import PHOTO
from foldtrue.web.stages import Stage


def options_of(form: FormData, stage: Stage) -> dict[str, Any]:
    """Plain values, those alone that belong to the stage and are among what can be chosen. Raises UsageError for a
    length or a resolution that is none."""
    said: dict[str, Any] = {}
    if words(form, "view") in stage.views:
        said["view"] = words(form, "view")
    if stage.kind == "ring" and words(form, "rings").isdecimal():
        said["rings"] = int(words(form, "rings"))
    if stage.kind in ("piece", "ring"):
        for name in ("side", "reference", "held"):
            if words(form, name) in PHOTO[name].choices:
                said[name] = words(form, name)
        if words(form, "bars"):
            said["bars_mm"] = _bars(words(form, "bars"))
        if words(form, "dpi"):
            said["dpi"] = _resolution(words(form, "dpi"))
        said["same_way_up"] = bool(words(form, "same_way_up"))
    return said


def _bars(text: str) -> list[float]:
    try:
        bottom, left = (float(part) for part in text.replace(";", ",").split(","))
    except ValueError:
        raise UsageError(
            f"{text} is not two lengths.", "Write both bars in mm with a comma between: 180.2, 260.4."
        ) from None
    return [bottom, left]


def _resolution(text: str) -> float:
    try:
        dpi = float(text)
    except ValueError:
        dpi = math.nan
    if not 0 < dpi < math.inf:
        raise UsageError(f"{text} is no resolution.", "Write how many pixels an inch has, 600.")
    return dpi

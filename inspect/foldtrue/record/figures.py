"""What a result file says that lists and progress need: mean errors of all twists and of groups of them.

Kept beside the file in the record, so that a thousand pieces are compared without reading a thousand files.
Definitions: docs/progress.md.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from foldtrue.averages import mean_error
from foldtrue.errors import UsageError
from foldtrue.frames import Array
from foldtrue.handover_record import ALL, GroupFigures, Stage
from foldtrue.measured import COVERAGE_95

Result = Mapping[str, Any]
_STAGES: Mapping[str, tuple[Stage, ...]] = {
    "foldtrue-result": ("piece", "ring"),
    "foldtrue-grid": ("grid",),
    "foldtrue-sheet": ("sheet",),
}
_ROWS = {"foldtrue-result": "twists", "foldtrue-grid": "lines", "foldtrue-sheet": "sides"}
_HOMOGRAPHY, _SIMILARITY = 8, 4
_LEAST_SHARE, _MOST_SHARE = COVERAGE_95**-2, -1 / math.log(0.05)
"""Sum of the variances along both axes over the squared radius of the 95 % circle: of an error along a line, and of a
round one, whose radius is sqrt(-2 log 0.05) standard deviations (measured.py::radius95)."""


@dataclass(frozen=True)
class Digest:
    """What the record keeps of a result beside its text; names as in RecordedPiece."""

    view: str | None
    plan: str | None
    plan_sha256: str | None
    pitch_mm: float | None
    planned: int
    measured: int
    taken: int
    groups: Mapping[str, GroupFigures]


def stages_of(result: Result) -> tuple[Stage, ...]:
    """Stages a result file can belong to, the usual one first. Raises UsageError where it is no result of foldtrue."""
    stages = _STAGES.get(str(result.get("format")))
    if stages is None:
        raise UsageError("This is not a result of foldtrue.", "Give result.json, grid.json or sheet.json.")
    if result.get("version") != 1:
        raise UsageError(f"The result has version {result.get('version')!r}.", "Install a newer foldtrue.")
    how_far = result.get("progress")  # a half-done piece says how far it has come
    if isinstance(how_far, Mapping) and how_far.get("finished") is False:
        return ("ring",)
    return stages


def digest(result: Result) -> Digest:
    """The figures of a result file. Raises UsageError where it is no result of foldtrue, or is damaged."""
    stages_of(result)
    kind = str(result["format"])
    try:
        plan = result["provenance"].get("plan") or {}
        groups = _GROUPS[kind](result) if kind in _GROUPS else {}
        return Digest(
            view=_word(result.get("view")),
            plan=_word(plan.get("name")),
            plan_sha256=_word(plan.get("sha256")),
            pitch_mm=_pitch(result, plan),
            planned=sum(row.get("status") != "not_made" for row in result[_ROWS[kind]]),
            measured=groups[ALL].members if groups else 0,
            taken=_taken(result),
            groups=groups,
        )
    except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError) as error:
        raise UsageError(f"The result is damaged: {error!r}.", "Measure the photo again.") from None


def photo_origins(result: Result) -> list[tuple[str, str]]:
    """Name and SHA-256 of every photo the figures rest on, the one that pictures show first. Raises UsageError where
    the result does not tell them."""
    try:
        found = [result["provenance"]["photo"]]
        for photo in result.get("photos", ()):
            if photo["status"] == "used":
                found.append(photo["provenance"]["photo"])
        origins = {str(photo["sha256"]): (str(photo["name"])[:255], str(photo["sha256"])) for photo in found}
    except (LookupError, TypeError, AttributeError) as error:
        raise UsageError(f"The result is damaged: {error!r}.", "Measure the photo again.") from None
    if not all(re.fullmatch("[0-9a-f]{64}", sha256) for sha256 in origins):
        raise UsageError("The result does not say which photo it was made of.", "Measure the photo again.")
    return list(origins.values())


def _word(value: Any) -> str | None:
    if value is not None and not isinstance(value, str):
        raise TypeError(f"{value!r} where a word belongs")
    return value


def _number(value: Any) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < math.inf:
        raise TypeError(f"{value!r} where a mean error belongs")
    return float(value)


def _pitch(result: Result, plan: Mapping[str, Any]) -> float | None:
    """From the plan's part of the provenance; a result that lacks it says both mean error and its share of the
    pitch."""
    pitch = plan.get("pitch_mm")
    if pitch is None and "summary" in result:
        whole, share = result["summary"]["position_mean_error_mm"], result["summary"]["position_mean_error_of_pitch"]
        pitch = whole / share if whole and share else None
    if pitch is None:
        return None
    if not 0 < float(pitch) < math.inf:
        raise ValueError(f"a pitch of {pitch} mm")
    return float(pitch)


def _taken(result: Result) -> int:
    """Freedoms of the best fit: of a homography where the camera's plane was found from the piece itself."""
    piece = result["format"] == "foldtrue-result"
    return _HOMOGRAPHY if piece and "plane_from_piece" in result["plane"]["assumed"] else _SIMILARITY


def _piece_groups(result: Result) -> dict[str, GroupFigures]:
    """All twists as the summary has them, and each ring, rim and inside, each hand."""
    whole = result["summary"]
    twists = [twist for twist in result["twists"] if twist["status"] == "measured"]
    all_of_them = GroupFigures(
        len(twists),
        _number(whole["position_mean_error_mm"]),
        _number(whole["position_mean_error_u95_mm"]),
        _number(whole["angle_mean_error_deg"]),
        _number(whole["angle_mean_error_u95_deg"]),
    )
    if not twists:
        return {ALL: all_of_them}
    error = np.array([twist["position_error_mm"] for twist in twists], float)
    radius = np.array([twist["position_u95_mm"] for twist in twists], float)
    variance = _share_of_radius(whole, radius) * radius**2 / 2
    hand = np.array([1.0 if twist["hand"] == "ccw" else -1.0 for twist in twists])
    turn = np.array([twist["angle_error_deg"] for twist in twists], float)
    turn -= hand * float(result["fit"]["overturn_deg"] or 0.0)
    turn_std = np.array([twist["angle_relative_u95_deg"] for twist in twists], float) / COVERAGE_95
    covariance = variance[:, None, None] * np.eye(2)

    def figures(chosen: Array) -> GroupFigures:
        return _figures(error[chosen], covariance[chosen], turn[chosen], turn_std[chosen])

    return {ALL: all_of_them} | _by_group(_twist_groups(twists), figures)


def _share_of_radius(whole: Mapping[str, Any], radius: Array) -> float:
    """Sum of the variances along both axes over the squared 95 % radius, alike for all twists of the piece.

    The result holds radii, not covariances; the piece's own two figures tell their mean square: RMS^2 - mean error^2.
    Where the mean error is 0, that one is only bounded, and the middle of what is possible is taken.
    """
    mean = whole["position_mean_error_mm"]
    if not mean:
        return (_LEAST_SHARE + _MOST_SHARE) / 2
    share = (whole["position_rms_mm"] ** 2 - mean**2) / float(np.mean(radius**2))
    return float(np.clip(share, _LEAST_SHARE, _MOST_SHARE))


def _twist_groups(twists: list[Mapping[str, Any]]) -> Iterable[tuple[str, list[bool]]]:
    for ring in sorted({twist["ring"] for twist in twists}):
        yield f"ring {ring}", [twist["ring"] == ring for twist in twists]
    yield "rim", [twist["border"] for twist in twists]
    yield "inside", [not twist["border"] for twist in twists]
    for hand in ("ccw", "cw"):
        yield hand, [twist["hand"] == hand for twist in twists]


def _grid_groups(result: Result) -> dict[str, GroupFigures]:
    """All lines, and those of each direction, named by the direction of their normal in degrees."""
    lines = [line for line in result["lines"] if line["status"] == "measured"]
    error = np.array([line["offset_error_mm"] for line in lines], float)
    std = np.array([line["offset_u95_mm"] for line in lines], float) / COVERAGE_95
    turn = np.array([line["angle_error_deg"] for line in lines], float)
    turn_std = np.array([line["angle_u95_deg"] for line in lines], float) / COVERAGE_95

    def figures(chosen: Array) -> GroupFigures:
        return _figures(error[chosen, None], std[chosen, None, None] ** 2, turn[chosen], turn_std[chosen])

    normal = [round(line["normal_deg"]) for line in lines]
    groups = [(ALL, [True] * len(lines))] + [(f"{n} deg", [m == n for m in normal]) for n in sorted(set(normal))]
    return _by_group(groups, figures) or {ALL: figures(np.zeros(0, bool))}


def _by_group(
    groups: Iterable[tuple[str, list[bool]]], figures: Callable[[Array], GroupFigures]
) -> dict[str, GroupFigures]:
    return {name: figures(np.array(chosen, bool)) for name, chosen in groups if any(chosen)}


def _figures(error: Array, covariance: Array, turn: Array, turn_std: Array) -> GroupFigures:
    place, angle = mean_error(error, covariance), mean_error(turn[:, None], turn_std[:, None, None] ** 2)
    return GroupFigures(len(error), place["mean_error"], place["u95"], angle["mean_error"], angle["u95"])


_GROUPS: Mapping[str, Callable[[Result], dict[str, GroupFigures]]] = {
    "foldtrue-result": _piece_groups,
    "foldtrue-grid": _grid_groups,
}

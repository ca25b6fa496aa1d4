"""The figures that limits apply to, read from a result as it is published (docs/result.schema.json).

A result of any age is read: what is not in it counts as not measured.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from foldtrue.errors import UnreadableFile
from foldtrue.handover_judge import Figure, FigureKind, Figures, TwistPlace
from foldtrue.measured import COVERAGE_95

Record = Mapping[str, Any]
_MAX_BYTES = 200_000_000
_LARGEST = 1e6
"""No figure of a piece, in mm, deg or percent, is larger."""
_SMALLEST_PITCH_MM = 0.01
_NEAR = 1.05
"""A twist belongs to a node when it lies no farther from it than so many times the nearest one."""


def read_record(path: Path) -> Record:
    """The record in a result.json. Raises UnreadableFile when it cannot be read or is none of foldtrue's."""
    advice = "Give a result.json that foldtrue piece wrote."
    try:
        if path.stat().st_size > _MAX_BYTES:
            raise UnreadableFile(f"{path} is too large for a result.", advice)
        record = json.loads(path.read_bytes())
    except OSError as error:
        raise UnreadableFile(f"Cannot read {path}: {error.strerror or error}.", advice) from None
    except (ValueError, RecursionError):
        raise UnreadableFile(f"{path} is no JSON text.", advice) from None
    if not isinstance(record, dict) or record.get("format") != "foldtrue-result" or record.get("version") != 1:
        raise UnreadableFile(f"{path} is no result of a piece, or one of a newer version.", advice)
    return record


def read_figures(record: Record) -> Figures:
    """All figures of a record that a limit may be set for, and the plan's geometry as far as the record holds it.

    Turns are relative to the piece (its common overturn taken out). Raises UnreadableFile where the record has not the
    published form.
    """
    try:
        return _read(record)
    except (LookupError, TypeError, ValueError, ArithmeticError, AttributeError) as error:
        raise UnreadableFile(
            f"The result has not the published form ({type(error).__name__}: {error}).", "Measure the piece again."
        ) from None


def _read(record: Record) -> Figures:
    twists = tuple(
        TwistPlace(str(t["id"]), int(t["ring"]), bool(t["border"]), _hand(t), _pair(t["planned_mm"]))
        for t in record["twists"]
    )
    figures = (*_twists(record), *_nodes(record, twists), *_pleats(record), *_outline(record), *_size(record))
    known = {twist.id for twist in twists}
    pairs = (frozenset(map(str, pleat["twists"])) for pleat in record.get("pleats", ()))
    joined = frozenset(pair for pair in pairs if len(pair) == 2 and pair <= known)
    origin = record["provenance"]["plan"]["sha256"]
    return Figures(figures, twists, joined, _pitch(record), _view(record), str(origin))


def _view(record: Record) -> str:
    """The view of the photo; of several the one that tells most."""
    used = [photo["view"] for photo in record.get("photos", ()) if photo["status"] == "used"]
    return "backlit" if "backlit" in used else str(record["view"])


def _hand(twist: Record) -> int:
    return {"ccw": 1, "cw": -1}[twist["hand"]]


def _pair(values: Any) -> tuple[float, float]:
    x, y = (_number(value) for value in values)
    return x, y


def _number(value: Any, least: float = -_LARGEST) -> float:
    """A number of a size that a figure of a piece can have. Raises ValueError for any other."""
    number = float(value)
    if not least <= number <= _LARGEST:
        raise ValueError(f"{value} is no figure of a piece")
    return number


def _figure(
    kind: FigureKind, name: str, unit: Any, value: float | None, u95: float | None, twists: tuple[str, ...] = ()
) -> Figure:
    """A single value with its 95 % uncertainty; not measured unless both are there."""
    if value is None or u95 is None:
        return Figure(kind, name, unit, None, None, None, twists)
    half = _number(u95, 0.0)
    return Figure(kind, name, unit, _number(value), half / COVERAGE_95, half, twists)


def _twists(record: Record) -> Iterator[Figure]:
    overturn = record["fit"]["overturn_deg"] or 0.0
    for twist in record["twists"]:
        yield _position(twist)
        turned = twist["angle_error_deg"]
        turn = None if turned is None else turned - _hand(twist) * overturn
        name = str(twist["id"])
        yield _figure("twist_angle", name, "deg", turn, twist["angle_relative_u95_deg"], (name,))


def _position(twist: Record) -> Figure:
    """A twist's position. Where the record does not hold the standard uncertainty along its least certain direction, it
    is taken as large as its 95 % circle allows."""
    name, u95 = str(twist["id"]), twist["position_u95_mm"]
    if twist["position_error_mm"] is None or u95 is None:
        return _figure("twist_position", name, "mm", None, None, (name,))
    x, y = _pair(twist["position_error_mm"])
    plain = _figure("twist_position", name, "mm", math.hypot(x, y), u95, (name,))
    std = twist.get("position_std_mm", plain.std)
    return replace(plain, std=_number(std, 0.0), vector=(x, y))


def _nodes(record: Record, twists: tuple[TwistPlace, ...]) -> Iterator[Figure]:
    for i, node in enumerate(record["nodes"]):
        around = nearest_twists(_pair(node["planned_mm"]), twists)
        yield _figure("closure", f"n{i}", "mm", node["closure_rms_mm"], node["closure_u95_mm"], around)


def nearest_twists(place: tuple[float, float], twists: tuple[TwistPlace, ...]) -> tuple[str, ...]:
    """The twists nearest to a place, all of them where several are equally near."""
    away = {twist.id: math.dist(place, twist.planned_mm) for twist in twists}
    reach = _NEAR * min(away.values(), default=0.0)
    return tuple(name for name, distance in away.items() if distance <= reach)


def _pleats(record: Record) -> Iterator[Figure]:
    """Of every pleat; in a result without pleats (several photos combined) all together are not measured."""
    pleats = record.get("pleats", ())
    if not pleats:
        yield _figure("pleat_width", "all pleats", "mm", None, None)
        yield _figure("pleat_parallelism", "all pleats", "deg", None, None)
    for pleat in pleats:
        name, twists = str(pleat["id"]), tuple(map(str, pleat["twists"]))
        yield _figure("pleat_width", name, "mm", pleat["width_error_mm"], pleat["width_u95_mm"], twists)
        if "no_mountain_edge" not in pleat["flags"]:  # there it has no parallelism, by the plan
            turned = pleat["parallelism_deg"]
            yield _figure("pleat_parallelism", name, "deg", turned, pleat["parallelism_u95_deg"], twists)


def _outline(record: Record) -> Iterator[Figure]:
    """Distances across, relative to each other: light and scale move all sides alike."""
    outline = record.get("outline")
    if outline is None:
        yield _figure("outline", "all sides", "mm", None, None)
        return
    for pair in outline["across"]:
        i, j = pair["sides"]
        yield _figure("outline", f"across {i}-{j}", "mm", pair["relative_error_mm"], pair["relative_u95_mm"])


def _size(record: Record) -> Iterator[Figure]:
    scale, u95 = record["fit"]["scale"], record["fit"]["scale_u95"]
    told = scale is not None and u95 is not None
    yield _figure("size", "piece", "percent", 100 * (scale - 1) if told else None, 100 * u95 if told else None)


def _pitch(record: Record) -> float | None:
    """The grid's pitch; from older results by the mean error, which they state in mm and in pitches."""
    whole = record["summary"]
    if "pitch_mm" in whole:
        return _number(whole["pitch_mm"], _SMALLEST_PITCH_MM)
    mean, share = whole["position_mean_error_mm"], whole["position_mean_error_of_pitch"]
    return _number(mean / share, _SMALLEST_PITCH_MM) if mean and share else None

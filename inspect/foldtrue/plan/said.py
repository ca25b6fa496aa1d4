"""How what the folder says of a new plan is read: twists, pleats, places and slopes as short texts with commas."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

from foldtrue.errors import UsageError


def number(text: str) -> float:
    """Raises ValueError for what is none, or not finite."""
    value = float(text)
    if not math.isfinite(value):
        raise ValueError
    return value


def _read(text: str, like: str, kinds: Sequence[Callable[[str], Any]], least: int) -> tuple[Any, ...]:
    """The parts of a text between commas, each of its kind. Raises UsageError that shows what it should be."""
    parts = [part.strip() for part in text.split(",")]
    try:
        if not least <= len(parts) <= len(kinds):
            raise ValueError
        return tuple(kind(part) for kind, part in zip(kinds, parts, strict=False))
    except ValueError:
        raise UsageError(f"{text!r} should look like {like}.") from None


def read_place(text: str, like: str = "3,-1") -> tuple[float, float]:
    x, y = _read(text, like, (number, number), 2)
    return x, y


def read_slope(text: str) -> tuple[int, int]:
    m, n = _read(text, "9,4", (int, int), 2)
    return m, n


def read_corners(text: str) -> tuple[tuple[float, float], ...]:
    return tuple(read_place(corner, "-90,-80 110,-80 70,90") for corner in text.split())


def read_twist(text: str) -> dict[str, Any]:
    kind, i, j, hand, *more = _read(text, "triangle,0,0,ccw,1,1 (kind,i,j,hand,turn,width)", _TWIST, 4)
    return {"kind": kind, "grid": [i, j], "hand": hand, **dict(zip(("turn", "width_rows"), more, strict=False))}


def read_pleat(text: str) -> dict[str, Any]:
    i, j, turn, hand, *more = _read(text, "5,14,2,ccw,1 (i,j,turn,hand,width)", _PLEAT, 4)
    return {"grid": [i, j], "turn": turn, "hand": hand, **dict(zip(("width_rows",), more, strict=False))}


_TWIST: tuple[Callable[[str], Any], ...] = (str, number, number, str, int, number)
_PLEAT: tuple[Callable[[str], Any], ...] = (number, number, int, str, number)

"""How the words of `foldtrue plan new` are read: twists, pleats, places and slopes as short texts with commas."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import click

Callback = Callable[[click.Context, click.Parameter, Any], Any]


def _read(text: str, like: str, kinds: Sequence[Callable[[str], Any]], least: int) -> tuple[Any, ...]:
    """The parts of a text between commas, each of its kind. Raises click.BadParameter that shows what it should be."""
    parts = [part.strip() for part in text.split(",")]
    try:
        if not least <= len(parts) <= len(kinds):
            raise ValueError
        return tuple(kind(part) for kind, part in zip(kinds, parts, strict=False))
    except ValueError:
        raise click.BadParameter(f"{text!r} should look like {like}.") from None


def read_place(text: str, like: str = "3,-1") -> tuple[float, float]:
    x, y = _read(text, like, (float, float), 2)
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


_TWIST: tuple[Callable[[str], Any], ...] = (str, float, float, str, int, float)
_PLEAT: tuple[Callable[[str], Any], ...] = (float, float, int, str, float)


def each(read: Callable[[str], Any]) -> Callback:
    """Callback of an option that may be given several times."""
    return lambda ctx, param, value: tuple(_said(read, text, ctx, param) for text in value)


def once(read: Callable[[str], Any]) -> Callback:
    """Callback of an option that may be given once."""
    return lambda ctx, param, value: value if value is None else _said(read, value, ctx, param)


def _said(read: Callable[[str], Any], text: str, ctx: click.Context, param: click.Parameter) -> Any:
    try:
        return read(text)
    except click.BadParameter as error:
        raise click.BadParameter(error.message, ctx, param) from None

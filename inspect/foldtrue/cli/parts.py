"""What several commands share: kinds of values, and the line that shows the running step."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

FILE = click.Path(path_type=Path)


def point(ctx: click.Context, param: click.Parameter, value: str | None) -> tuple[float, float] | None:
    """Two numbers with a comma between them."""
    if value is None:
        return None
    try:
        x, y = (float(part) for part in value.split(","))
    except ValueError:
        problem = f"{value!r} is not two numbers with a comma between them, such as 2012,1533."
        raise click.BadParameter(problem, ctx, param) from None
    return x, y


def numbers(count: int, example: str) -> Callable[[click.Context, click.Parameter, str | None], Any]:
    """A callback for so many numbers with commas between them."""

    def parse(ctx: click.Context, param: click.Parameter, value: str | None) -> tuple[float, ...] | None:
        if value is None:
            return None
        try:
            found = tuple(float(part) for part in value.split(","))
        except ValueError:
            found = ()
        if len(found) != count or not all(map(math.isfinite, found)):
            problem = f"{value!r} is not {count} numbers with commas between them, such as {example}."
            raise click.BadParameter(problem, ctx, param)
        return found

    return parse


_STEP_WORDS = {
    "plan": "folding the plan",
    "photo": "reading the photo",
    "rectify": "finding the piece",
    "detect": "measuring edges",
    "fit": "comparing with the plan",
    "scale": "looking for a thing of known size",
    "pool": "comparing the photos",
    "report": "writing the report",
}


class Progress:
    """Shows the running step on stderr while it is a terminal, and wipes the line at the end."""

    def __init__(self) -> None:
        self._shown = sys.stderr.isatty()

    def __enter__(self) -> Callable[[str], None]:
        return self._step

    def _step(self, name: str) -> None:
        if self._shown:
            print(f"\r\x1b[K{_STEP_WORDS.get(name, name)} ...", end="", file=sys.stderr, flush=True)

    def __exit__(self, *_: object) -> None:
        if self._shown:
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)

"""What several commands share: kinds of values, and the line that shows the running step."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from foldtrue.steps import STEP_WORDS

FILE = click.Path(path_type=Path)


Command = TypeVar("Command", bound=Callable[..., Any])
Corners = tuple[tuple[float, float], ...]


def _numbers(count: int, example: str) -> Callable[[click.Context, click.Parameter, str | None], Any]:
    """A callback for so many numbers with commas between them."""

    def parse(ctx: click.Context, param: click.Parameter, value: str | None) -> tuple[float, ...] | None:
        if value is None:
            return None
        try:
            found = tuple(float(part) for part in value.split(","))
        except ValueError:
            found = ()
        if len(found) != count:
            problem = f"{value!r} is not {count} numbers with commas between them, such as {example}."
            raise click.BadParameter(problem, ctx, param)
        return found

    return parse


point = _numbers(2, "2012,1533")


def _corners(ctx: click.Context, param: click.Parameter, value: str | None) -> Corners | None:
    found = _numbers(8, "210,160,980,190,1040,700,170,740")(ctx, param, value)
    return None if found is None else tuple(zip(found[0::2], found[1::2], strict=True))


def corners_options(command: Command) -> Command:
    """--corners and --corners-mm: a rectangle of known size that the person points at."""
    corners = click.option(
        "--corners",
        callback=_corners,
        metavar="X1,Y1,...,X4,Y4",
        help="Corners in the upright photo of a rectangle of known size (a cutting mat, a window pane) in the plane "
        "of the paper, clockwise from the top left: gives the scale and, where they are sharp enough, the plane.",
    )
    size = click.option(
        "--corners-mm",
        callback=_numbers(2, "300,200"),
        metavar="W,H",
        help="True width (from its first to its second corner) and height of that rectangle.",
    )
    return corners(size(command))


class Progress:
    """Shows the running step on stderr while it is a terminal, and wipes the line at the end."""

    def __init__(self) -> None:
        self._shown = sys.stderr.isatty()

    def __enter__(self) -> Callable[[str], None]:
        return self._step

    def _step(self, name: str) -> None:
        if self._shown:
            print(f"\r\x1b[K{STEP_WORDS.get(name, name)} ...", end="", file=sys.stderr, flush=True)

    def __exit__(self, *_: object) -> None:
        if self._shown:
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)

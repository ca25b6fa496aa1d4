"""The words of `foldtrue plan new` as click reads them; what they should look like is settled in plan/said.py."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

from foldtrue.errors import UsageError

Callback = Callable[[click.Context, click.Parameter, Any], Any]


def each(reader: str) -> Callback:
    """Callback of an option that may be given several times. reader: name of a function of plan/said.py, which is
    loaded when there is something to read."""
    return lambda ctx, param, value: tuple(_said(reader, text, ctx, param) for text in value)


def once(reader: str) -> Callback:
    """Callback of an option that may be given once."""
    return lambda ctx, param, value: value if value is None else _said(reader, value, ctx, param)


def _said(reader: str, text: str, ctx: click.Context, param: click.Parameter) -> Any:
    from foldtrue.plan import said

    try:
        return getattr(said, reader)(text)
    except UsageError as error:
        raise click.BadParameter(error.what, ctx, param) from None

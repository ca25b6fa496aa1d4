"""The words of `foldtrue plan new` as click reads them; what they should look like is settled in plan/said.py."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

from foldtrue.errors import UsageError

Callback = Callable[[click.Context, click.Parameter, Any], Any]


def each(read: Callable[[str], Any]) -> Callback:
    """Callback of an option that may be given several times."""
    return lambda ctx, param, value: tuple(_said(read, text, ctx, param) for text in value)


def once(read: Callable[[str], Any]) -> Callback:
    """Callback of an option that may be given once."""
    return lambda ctx, param, value: value if value is None else _said(read, value, ctx, param)


def _said(read: Callable[[str], Any], text: str, ctx: click.Context, param: click.Parameter) -> Any:
    try:
        return read(text)
    except UsageError as error:
        raise click.BadParameter(error.what, ctx, param) from None

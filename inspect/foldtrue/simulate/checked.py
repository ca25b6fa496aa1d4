"""Checks shared by all settings of a scene."""

from __future__ import annotations

import math

from foldtrue.errors import UsageError

Rgb = tuple[float, float, float]


def need(condition: bool, what: str, advice: str) -> None:
    """Raise UsageError with what is wrong and what to do unless the condition holds."""
    if not condition:
        raise UsageError(f"Scene: {what}.", advice)


def need_range(owner: object, low: float, high: float, *names: str) -> None:
    """Every named field (or each of its parts, when it is a tuple) lies in [low, high]."""
    for name in names:
        value = getattr(owner, name)
        parts = value if isinstance(value, tuple) else (value,)
        inside = all(math.isfinite(part) and low <= part <= high for part in parts)
        need(inside, f"{type(owner).__name__}.{name} is {value}", f"Give a value from {low:g} to {high:g}.")


def need_choice(owner: object, choices: tuple[str, ...], name: str) -> None:
    """The named field is one of the choices."""
    value = getattr(owner, name)
    need(value in choices, f"{type(owner).__name__}.{name} is {value!r}", f"Use one of {', '.join(choices)}.")

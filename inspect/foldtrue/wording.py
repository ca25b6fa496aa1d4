"""Faults of a file that a person wrote, in plain words: which field, what was expected, what was found."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from difflib import get_close_matches
from typing import Any

from pydantic import ValidationError

_INNER_TAGS = {"recipe", "list", "honeycomb", "mixed", "rhombi", "repeat"}
_INNER_TAGS |= {"hexagon", "polygon", "square", "rectangle", "edge-to-edge", "point-to-point", "pitch", "rotated"}


def plain_words(
    error: ValidationError, fields_at: Callable[[Sequence[int | str]], Collection[str]], whole: str = "plan"
) -> list[str]:
    """Each fault as 'field: expected ..., found ...'. fields_at: the names of the fields beside a faulty one, given
    its place, to say what a mistyped one was meant to be. whole: what the file is called where a fault is none of its
    fields'."""
    words = []
    faults = error.errors(include_url=False)
    for fault in faults:
        if fault["type"] == "too_short" and any(
            other["loc"][: len(fault["loc"])] == fault["loc"] != other["loc"] for other in faults
        ):
            continue  # a list looks too short to the checker when entries of it are wrong
        where = _field_name(fault["loc"]) or whole
        said = fault["msg"].removeprefix("Value error, ")
        found = "" if fault["type"] in ("missing", "value_error") else f", found {_short(fault['input'])}"
        if fault["type"] == "extra_forbidden":
            found = _meant(str(fault["loc"][-1]), fields_at(fault["loc"]))
        elif fault["type"] in ("literal_error", "union_tag_invalid"):
            found += _meant_choice(fault)
        words.append(f"{where}: {_expectation(fault['type'], fault.get('ctx', {}), said)}{found}")
    return words


def _meant(name: str, fields: Collection[str]) -> str:
    close = get_close_matches(name, fields, 1)
    return f"; did you mean {close[0]}?" if close else f"; expected {', '.join(fields)}"


def _meant_choice(fault: Mapping[str, Any]) -> str:
    """A guess at a mistyped word, where it is one."""
    context, given = fault.get("ctx", {}), fault["input"]
    if isinstance(given, Mapping):
        given = given.get(str(context.get("discriminator", "")).strip("'"))
    choices = re.findall("'([^']+)'", f"{context.get('expected', '')}{context.get('expected_tags', '')}")
    close = get_close_matches(str(given), choices, 1)
    return f"; did you mean {close[0]}?" if close else ""


def _field_name(location: Iterable[int | str]) -> str:
    """Path of a field, without the names of the alternatives the checker tried."""
    name = ""
    for part in location:
        if isinstance(part, int):
            name += f"[{part}]"
        elif part not in _INNER_TAGS or not name:
            name += f".{part}" if name else part
    return name


def _short(value: Any) -> str:
    text = json.dumps(value, default=str)
    return text if len(text) <= 60 else text[:57] + "..."


def _expectation(kind: str, context: Mapping[str, Any], said: str) -> str:
    limits = {"greater_than": ("gt", "more than"), "greater_than_equal": ("ge", "at least")}
    limits |= {"less_than": ("lt", "less than"), "less_than_equal": ("le", "at most")}
    if kind in limits:
        key, words = limits[kind]
        return f"expected {words} {context[key]:g}"
    plain = {
        "missing": "is missing, expected a value",
        "extra_forbidden": "is not a field of this format",
        "finite_number": "expected a finite number",
        "union_tag_not_found": "expected one that says its " + str(context.get("discriminator", "kind")).strip("'"),
        "union_tag_invalid": f"expected one of {context.get('expected_tags', '')}",
        "literal_error": f"expected {context.get('expected', '')}",
        "string_type": "expected a text",
        "string_too_short": f"expected a text of at least {context.get('min_length')} character",
        "string_too_long": f"expected a text of at most {context.get('max_length')} characters",
        "too_short": f"expected at least {context.get('min_length')} entries",
        "too_long": f"expected at most {context.get('max_length')} entries",
        "tuple_type": "expected a list",
        "model_type": "expected an object with named fields",
        "model_attributes_type": "expected an object with named fields",
        "union_type": "expected a recipe or a list of twists",
    }
    if kind in plain:
        return plain[kind]
    if kind.startswith(("int", "float")):
        return "expected a whole number" if kind.startswith("int") else "expected a number"
    return said[0].lower() + said[1:]

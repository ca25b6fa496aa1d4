"""Tolerance files: the limits a person holds a piece against, in a small JSON text of their own.

Format, the built-in set and its reasons: docs/tolerances.md. A set is named by a file, or by a name for which
tolerances/NAME.json is kept in the folder FOLDTRUE_HOME, or ~/.local/share/foldtrue without it.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from foldtrue.errors import UsageError
from foldtrue.handover_judge import FigureKind, Limit, LimitUnit, Tolerances
from foldtrue.home import home_folder
from foldtrue.wording import plain_words

DEFAULT = "default"
SEE = "See docs/tolerances.md."
_MAX_BYTES = 100_000
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, strict=True)


_Millimetres = Annotated[float, Field(gt=0, le=1000)]
_Degrees = Annotated[float, Field(gt=0, le=180)]
_Share = Annotated[float, Field(gt=0, le=10)]
_Percent = Annotated[float, Field(gt=0, le=100)]


class _Length(_Part):
    """A length: in mm, or as a share of the grid's pitch."""

    mm: _Millimetres | None = None
    of_pitch: _Share | None = None
    needed: bool = True

    @model_validator(mode="after")
    def _one_of_both(self) -> _Length:
        if (self.mm is None) == (self.of_pitch is None):
            raise ValueError("expected either mm or of_pitch, one of the two")
        return self


class _Angle(_Part):
    deg: _Degrees
    needed: bool = True


class _Size(_Part):
    percent: _Percent
    needed: bool = True


class _Limits(_Part):
    """One limit a kind of figure; a kind that is left out is not judged."""

    twist_position: _Length | None = None
    twist_angle: _Angle | None = None
    closure: _Length | None = None
    pleat_width: _Length | None = None
    pleat_parallelism: _Angle | None = None
    outline: _Length | None = None
    size: _Size | None = None

    @model_validator(mode="after")
    def _at_least_one(self) -> _Limits:
        if not self.model_dump(exclude_none=True):
            raise ValueError("expected at least one limit")
        return self


class _File(_Part):
    format: Literal["foldtrue-tolerances"]
    version: Literal[1]
    name: str = Field(min_length=1, max_length=200)
    note: str | None = Field(default=None, max_length=2000)
    limits: _Limits


BUILT_IN: dict[str, Any] = {
    "format": "foldtrue-tolerances",
    "version": 1,
    "name": "foldtrue's proposal",
    "note": "Our own proposal, from no standard; reasons in docs/tolerances.md. Make it yours.",
    "limits": {
        "twist_position": {"of_pitch": 0.02, "needed": True},
        "twist_angle": {"deg": 1.2, "needed": True},
        "closure": {"of_pitch": 0.02, "needed": False},
        "pleat_width": {"of_pitch": 0.04, "needed": False},
        "pleat_parallelism": {"deg": 1.2, "needed": False},
        "outline": {"of_pitch": 0.04, "needed": False},
        "size": {"percent": 1.0, "needed": False},
    },
}


def default_tolerances() -> Tolerances:
    """The built-in set."""
    return parse_tolerances(BUILT_IN, built_in=True)


def find_tolerances(name_or_file: str) -> Tolerances:
    """The set of that name, or in that file; 'default' is the built-in one unless the person keeps one of that name.

    Raises UsageError where there is none, or its file is not valid.
    """
    kept = kept_sets()
    if name_or_file in kept:
        return read_tolerances(kept[name_or_file])
    if name_or_file == DEFAULT:
        return default_tolerances()
    path = Path(name_or_file)
    if path.suffix == ".json" or path.name != name_or_file or path.is_file():
        return read_tolerances(path)
    known = [DEFAULT, *kept]
    meant = get_close_matches(name_or_file, known, 1)
    guess = f"Did you mean {meant[0]}? " if meant else ""
    raise UsageError(
        f"There are no tolerances called {name_or_file}.",
        f"{guess}Name a file, or one of: {', '.join(dict.fromkeys(known))}.",
    )


def home() -> Path:
    """The folder of the person's own sets."""
    return home_folder() / "tolerances"


def kept_sets() -> dict[str, Path]:
    """The person's own sets by name."""
    try:
        found = sorted(home().glob("*.json"))
    except OSError:
        return {}
    return {path.stem: path for path in found if _NAME.fullmatch(path.stem)}


def kept_path(name: str) -> Path:
    """Where the set of that name is kept. Raises UsageError for a name that is none."""
    if not _NAME.fullmatch(name):
        raise UsageError(f"{name!r} cannot be the name of a set.", "Use letters, digits, - and _.")
    return home() / f"{name}.json"


def read_tolerances(path: Path) -> Tolerances:
    """Read and check a tolerance file. Raises UsageError when it cannot be read or a field is wrong (it is named)."""
    try:
        if path.stat().st_size > _MAX_BYTES:
            raise UsageError(f"{path.name} is too large for tolerances.", SEE)
        content = json.loads(path.read_text("utf-8"), object_pairs_hook=_without_repeats)
    except OSError as error:
        raise UsageError(f"Cannot read the tolerances {path}: {error.strerror or error}.") from None
    except (ValueError, RecursionError) as error:  # not UTF-8, not JSON, a field twice, nesting beyond reason
        raise UsageError(f"{path.name} is no valid JSON text: {error}.", SEE) from None
    if not isinstance(content, dict):
        raise UsageError(f"{path.name} holds no tolerances: expected a JSON object.", SEE)
    return parse_tolerances(content)


def _without_repeats(pairs: Sequence[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        names = [name for name, _ in pairs]
        raise ValueError(f"{max(names, key=names.count)!r} is there twice")
    return found


def parse_tolerances(content: Mapping[str, Any], *, built_in: bool = False) -> Tolerances:
    """Check the decoded JSON of a tolerance file. Raises UsageError that names each wrong field."""
    try:
        file = _File.model_validate(content)
    except ValidationError as error:
        lines = plain_words(error, lambda place: _field_names(), "tolerances")
        more = f" (and {len(lines) - 3} more)" if len(lines) > 3 else ""
        raise UsageError(f"The tolerances are not valid. {'; '.join(lines[:3])}{more}.", SEE) from None
    plain = file.model_dump(mode="json", exclude_none=True)
    digest = hashlib.sha256(json.dumps(plain, sort_keys=True, separators=(",", ":")).encode()).hexdigest()
    return Tolerances(file.name, digest, _limits(plain["limits"]), built_in)


def _limits(plain: Mapping[FigureKind, Mapping[str, Any]]) -> dict[FigureKind, Limit]:
    return {kind: _limit(fields) for kind, fields in plain.items()}


def _limit(fields: Mapping[str, Any]) -> Limit:
    units: tuple[LimitUnit, ...] = get_args(LimitUnit)
    unit = next(name for name in units if name in fields)
    return Limit(fields[unit], unit, fields["needed"])


def _field_names() -> set[str]:
    schema = _File.model_json_schema()
    return {name for part in (schema, *schema["$defs"].values()) for name in part.get("properties", ())}


def tolerances_text(name: str) -> str:
    """A tolerance file of that name with the built-in limits, to be edited."""
    own = {"name": name, "note": "Copied from foldtrue's proposal; the limits are yours to set."}
    head = {key: value for key, value in (BUILT_IN | own).items() if key != "limits"}
    limits = ",\n".join(f'  "{kind}": {json.dumps(fields)}' for kind, fields in BUILT_IN["limits"].items())
    lines = "".join(f' "{key}": {json.dumps(value, ensure_ascii=False)},\n' for key, value in head.items())
    return f'{{\n{lines} "limits": {{\n{limits}\n }}\n}}\n'


def tolerances_schema() -> dict[str, Any]:
    """JSON Schema of the tolerance file, as kept in docs/tolerances.schema.json."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **_File.model_json_schema()}

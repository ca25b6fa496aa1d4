"""What the person chose for all pages: units, and the limits a piece is held against. Kept as settings.json in their
folder; a file that is none counts as not there."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path

from foldtrue.report.files import write_whole
from foldtrue.report.units import UNITS, UnitName

_FILE = "settings.json"
DEFAULT_LIMITS = "default"


@dataclass(frozen=True, kw_only=True)
class Settings:
    """units: lengths are shown in. limits: name of a set of tolerances, for judge/tolerances.py::find_tolerances."""

    units: UnitName = "mm"
    limits: str = DEFAULT_LIMITS


def read_settings(home: Path) -> Settings:
    try:
        content = json.loads((home / _FILE).read_bytes())
        units, limits = content["units"], content["limits"]
    except (OSError, ValueError, TypeError, KeyError):
        return Settings()
    return Settings(units=units if units in UNITS else "mm", limits=limits if isinstance(limits, str) else "default")


def write_settings(home: Path, settings: Settings) -> None:
    """Raises UnreadableFile where it cannot be written."""
    write_whole(home / _FILE, (json.dumps(asdict(settings), indent=1) + "\n").encode())

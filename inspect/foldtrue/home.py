"""The one folder in which foldtrue keeps what is the person's: record, plans, tolerances, photos being measured."""

from __future__ import annotations

import os
from pathlib import Path

VARIABLE = "FOLDTRUE_HOME"


def home_folder() -> Path:
    """Where FOLDTRUE_HOME says, else `foldtrue` in the folder for data of programs (XDG base directories:
    $XDG_DATA_HOME, else ~/.local/share). Not made here: who writes makes it."""
    said = os.environ.get(VARIABLE)
    if said:
        return Path(said).expanduser()
    return Path(os.environ.get("XDG_DATA_HOME") or "~/.local/share").expanduser() / "foldtrue"

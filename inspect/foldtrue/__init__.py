"""Measure folded-paper twist tessellations from one photo.

The public names, each loaded only when asked for. Inside the package nothing imports from here: every module names the
module that defines what it needs.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_HOME = {
    "FoldtrueError": "foldtrue.errors",
    "InspectOptions": "foldtrue.inspection",
    "Inspection": "foldtrue.handover",
    "Nominal": "foldtrue.handover",
    "Photo": "foldtrue.handover",
    "fold_plan": "foldtrue.plan",
    "inspect_photo": "foldtrue.inspection",
    "read_photo": "foldtrue.photo",
    "read_plan": "foldtrue.plan",
    "simulate_photo": "foldtrue.simulate",
    "write_plan": "foldtrue.plan",
    "write_report": "foldtrue.report",
}
__all__ = [
    "FoldtrueError",
    "InspectOptions",
    "Inspection",
    "Nominal",
    "Photo",
    "__version__",
    "fold_plan",
    "inspect_photo",
    "read_photo",
    "read_plan",
    "simulate_photo",
    "write_plan",
    "write_report",
]


def __getattr__(name: str) -> Any:
    """Load a public name from its home module on first use (PEP 562), so that `foldtrue --help` stays quick."""
    if name not in _HOME:
        raise AttributeError(f"module 'foldtrue' has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)

"""The things of known size, by name: the one list of them."""

from __future__ import annotations

from typing import Literal

ReferenceKind = Literal["mat", "scan", "corners", "card", "A4", "Letter"]
Asked = Literal["auto", "none", "mat", "scan", "corners", "card", "A4", "Letter"]
"""What a person may say lies in the picture; 'auto' looks for one, but never for corners."""

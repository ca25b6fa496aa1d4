"""The type handed from the plan to its drawings: where the folded piece has how many layers."""

from __future__ import annotations

from dataclasses import dataclass

from foldtrue.frames import Array


@dataclass(frozen=True)
class LayerRegion:
    """A connected part of the folded piece with one number of layers.

    rings: its boundaries, each (N, 2) mm, folded frame, inside by the even-odd rule. inner_mm: a point inside,
    clear_mm: its distance from the boundary.
    """

    layers: int
    rings: tuple[Array, ...]
    inner_mm: tuple[float, float]
    clear_mm: float

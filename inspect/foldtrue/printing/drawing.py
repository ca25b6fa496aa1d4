"""What a drawing is made of: strokes, areas, words and photos in mm, y up, before anyone knows how they are written."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import BoolArray

BLACK, WHITE = 0.0, 1.0


@dataclass(frozen=True)
class Stroke:
    """A line. points: (N, 2) mm. dashes: lengths in mm, drawn and left out in turn, none for a solid line. grey: 0
    black to 1 white. kind says what it stands for ('M' mountain, 'V' valley, 'rim', ...); name: the crease's id."""

    points: Array
    kind: str
    width_mm: float = 0.25
    dashes: tuple[float, ...] = ()
    closed: bool = False
    grey: float = BLACK
    name: str = ""


@dataclass(frozen=True)
class Area:
    """A filled area without an outline. rings: each (N, 2) mm, inside by the even-odd rule. grey: 0 black, 1 white."""

    rings: tuple[Array, ...]
    grey: float
    kind: str = "area"


@dataclass(frozen=True)
class Words:
    """One line of text. at: where its base line starts, is centred or ends, as `anchor` says. size_mm: of the type."""

    at: tuple[float, float]
    text: str
    size_mm: float
    anchor: str = "start"
    grey: float = BLACK


@dataclass(frozen=True)
class Picture:
    """A photo. at: its lower left corner. size_mm: width and height. jpeg: pixels without metadata, since the bytes are
    put into the file as they are."""

    at: tuple[float, float]
    size_mm: tuple[float, float]
    jpeg: bytes


Mark: TypeAlias = Stroke | Area | Words | Picture


@dataclass(frozen=True)
class KeyEntry:
    """A sample, drawn around (0, 0) in a box of SAMPLE_MM, and what it stands for."""

    sample: tuple[Mark, ...]
    meaning: str


SAMPLE_MM = (14.0, 4.0)


@dataclass(frozen=True)
class Drawing:
    """One drawing at true size. low, high: corners (x, y) mm of the box that holds it. title: what it shows, about:
    sizes and the like. cautions: what can hurt or mislead when this drawing is used."""

    kind: str
    title: str
    about: str
    low: tuple[float, float]
    high: tuple[float, float]
    marks: tuple[Mark, ...]
    key: tuple[KeyEntry, ...] = ()
    cautions: tuple[str, ...] = ()

    @property
    def size_mm(self) -> tuple[float, float]:
        return self.high[0] - self.low[0], self.high[1] - self.low[1]


@dataclass(frozen=True)
class Window:
    """A drawing, or a part of it, on a page: drawing point p comes to lie at scale * p + shift. clip: the part of the
    page it may take (x0, y0, x1, y1), None for all of it."""

    drawing: Drawing
    scale: float
    shift: tuple[float, float]
    clip: tuple[float, float, float, float] | None = None


@dataclass(frozen=True)
class Page:
    """One page, sized in mm, its origin at the lower left corner."""

    width_mm: float
    height_mm: float
    title: str
    windows: tuple[Window, ...]
    marks: tuple[Mark, ...]


def moved(mark: Mark, scale: float, shift: tuple[float, float]) -> Mark:
    """The mark at scale * p + shift; line widths, dashes and type grow along."""
    step = np.array(shift)
    if isinstance(mark, Stroke):
        dashes = tuple(scale * d for d in mark.dashes)
        return replace(mark, points=scale * mark.points + step, width_mm=scale * mark.width_mm, dashes=dashes)
    if isinstance(mark, Area):
        return replace(mark, rings=tuple(scale * ring + step for ring in mark.rings))
    at = (scale * mark.at[0] + shift[0], scale * mark.at[1] + shift[1])
    if isinstance(mark, Picture):
        return replace(mark, at=at, size_mm=(scale * mark.size_mm[0], scale * mark.size_mm[1]))
    return replace(mark, at=at, size_mm=scale * mark.size_mm)


def bounds(outline: Array, border_mm: float = 1.0) -> tuple[tuple[float, float], tuple[float, float]]:
    """Lower left and upper right corner of the box around points (N, 2), with a little room for line widths."""
    low, high = outline.min(0) - border_mm, outline.max(0) + border_mm
    return (float(low[0]), float(low[1])), (float(high[0]), float(high[1]))


def alone(starts: Array, stops: Array, tolerance_mm: float) -> BoolArray:
    """(N,) whether a segment is the first of those that lie on the same place, whichever way they run."""
    ends = np.rint(np.stack([starts, stops], 1) / tolerance_mm).astype(np.int64)
    swap = (ends[:, 0, 0] > ends[:, 1, 0]) | ((ends[:, 0, 0] == ends[:, 1, 0]) & (ends[:, 0, 1] > ends[:, 1, 1]))
    ends[swap] = ends[swap, ::-1]
    first = np.unique(ends.reshape(-1, 4), axis=0, return_index=True)[1]
    kept = np.zeros(len(ends), bool)
    kept[first] = True
    return kept
